"""Charging: energy from the wall and into the pack, taper, temperature."""

from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive, PackPower, is_charging_at, pack_power
from logan.numerics import cumulative, joined_spans, rolling_mean, spans_where, union_times
from logan.physics.battery import pilot_current_limit_a
from logan.results import Estimate, Figure, Refusal, result
from logan.units import FloatArray

LEAST_SESSION_S: Final = 120.0
JOIN_S: Final = 120.0
TAPER_RATIO: Final = 0.8
POSSIBLE_EFFICIENCY_RATIO: Final = (0.6, 1.0)


@result("charging-session/1")
class ChargingSession:
    """One charge.

    Parameters
    ----------
    start_s, end_s : float
        When. [s]
    wall_wh, pack_wh, efficiency_ratio : Figure
        Energy from the wall, into the pack, and the latter over the former.
    state_of_charge_start_ratio, state_of_charge_end_ratio : float or None
        At both ends.
    peak_power_w : float
        Into the pack. [W]
    taper_start_ratio : float or None
        State of charge at which power fell for good below 80 % of its peak.
    temperature_start_degc, temperature_max_degc : float or None
        Pack or hottest cell.
    pilot_limit_a : float or None
        Current that the pilot signal allows, where its duty cycle is known.
    """

    start_s: float
    end_s: float
    wall_wh: Figure
    pack_wh: Figure
    efficiency_ratio: Figure
    state_of_charge_start_ratio: float | None
    state_of_charge_end_ratio: float | None
    peak_power_w: float
    taper_start_ratio: float | None
    temperature_start_degc: float | None
    temperature_max_degc: float | None
    pilot_limit_a: float | None = None


def charging_sessions(drive: Drive, gain_ratio: float) -> tuple[ChargingSession, ...]:
    """Every charge in a log.

    Parameters
    ----------
    drive : Drive
        The log.
    gain_ratio : float
        Standard uncertainty of the gain of pack power. [ratio]

    Returns
    -------
    tuple of ChargingSession
        In order of time; breaks of up to two minutes belong to one session.
    """
    power = pack_power(drive)
    if power is None:
        return ()
    into_w = -power.power_w
    charging = is_charging_at(drive, power.time_s) & (np.nan_to_num(into_w) > 50.0)
    spans = joined_spans(spans_where(power.time_s, charging), gap_s=JOIN_S)
    return tuple(
        _session(drive, power, gain_ratio, start_s, end_s)
        for start_s, end_s in spans
        if end_s - start_s >= LEAST_SESSION_S
    )


def _session(drive: Drive, power: PackPower, gain_ratio: float, start_s: float, end_s: float) -> ChargingSession:
    inside = (power.time_s >= start_s) & (power.time_s <= end_s)
    time_s, into_w = power.time_s[inside], -power.power_w[inside]
    pack_wh = _energy_wh(time_s, into_w, power.max_gap_s)
    pack = Estimate(pack_wh, "Wh", gain_ratio * pack_wh, "measured")
    wall = _wall(drive, start_s, end_s)
    cells = drive.first_of("cell_temperature_max", "pack_temperature")
    state = drive.get("state_of_charge")
    peak_w, taper_s = _taper(time_s, into_w)
    return ChargingSession(
        start_s=start_s,
        end_s=end_s,
        wall_wh=wall,
        pack_wh=pack,
        efficiency_ratio=_efficiency(wall, pack),
        state_of_charge_start_ratio=_at(state, start_s),
        state_of_charge_end_ratio=_at(state, end_s),
        peak_power_w=peak_w,
        taper_start_ratio=None if taper_s is None else _at(state, taper_s),
        temperature_start_degc=_at(cells, start_s),
        temperature_max_degc=_highest(cells, start_s, end_s),
        pilot_limit_a=_pilot_limit_a(drive, start_s, end_s),
    )


def _pilot_limit_a(drive: Drive, start_s: float, end_s: float) -> float | None:
    """Current that the pilot allowed for most of a charge."""
    duty = drive.get("pilot_duty")
    if duty is None:
        return None
    duty_ratio = duty.between(start_s, end_s).value
    return pilot_current_limit_a(float(np.median(duty_ratio))) if duty_ratio.size else None


def _energy_wh(time_s: FloatArray, watts: FloatArray, max_gap_s: float) -> float:
    if time_s.size < 2:
        return 0.0
    return float(cumulative(time_s, np.nan_to_num(watts), max_gap_s=max_gap_s)[-1]) / 3600.0


def _at(channel: Channel | None, at_s: float) -> float | None:
    return None if channel is None else channel.value_at(at_s, max_gap_s=300.0)


def _highest(channel: Channel | None, start_s: float, end_s: float) -> float | None:
    value = np.empty(0) if channel is None else channel.between(start_s, end_s).value
    return float(value.max()) if value.size else None


def _wall(drive: Drive, start_s: float, end_s: float) -> Figure:
    """Energy from the wall, from its power, or from its voltage and current taken as one phase in step."""
    power = drive.get("charger_power_ac")
    voltage, current = drive.get("charger_voltage_ac"), drive.get("charger_current_ac")
    sigma_ratio, source = 0.02, "measured"
    if power is not None:
        time_s, watts, gap_s = power.time_s, power.value, power.max_gap_s
    elif voltage is not None and current is not None:
        time_s = union_times(voltage.time_s, current.time_s)
        watts = voltage.at(time_s) * current.at(time_s)
        gap_s, sigma_ratio, source = max(voltage.max_gap_s, current.max_gap_s), 0.03, "volts times amperes, one phase"
    else:
        return Refusal("wall power is not logged", "Log charger_power_ac, or read a wall meter and note it")
    inside = (time_s >= start_s - 5.0) & (time_s <= end_s + 5.0)
    energy_wh = _energy_wh(time_s[inside], watts[inside], gap_s)
    return Estimate(energy_wh, "Wh", sigma_ratio * energy_wh, source)


def _efficiency(wall: Figure, pack: Estimate) -> Figure:
    if isinstance(wall, Refusal):
        return wall
    if wall.value <= 0.0:
        return Refusal("no energy from the wall was seen", "Check the wall channels")
    value = pack.value / wall.value
    low, high = POSSIBLE_EFFICIENCY_RATIO
    sigma = value * float(np.hypot(wall.spread / wall.value, pack.spread / pack.value))
    if value - 2.0 * sigma > high or value < low:
        reason = f"{value:.2f} of the wall's energy reached the pack, which cannot be or is not the whole charge"
        return Refusal(reason, "Check both meters, and that both cover the whole charge")
    return Estimate(value, "ratio", sigma, "pack over wall")


def _taper(time_s: FloatArray, into_w: FloatArray) -> tuple[float, float | None]:
    """Highest one-minute power, and when power last was at four fifths of it before it fell for good."""
    smooth = rolling_mean(time_s, np.nan_to_num(into_w), 60.0)
    if not np.isfinite(smooth).any():
        return float(np.nanmax(into_w)), None
    peak_w = float(np.nanmax(smooth))
    high = np.flatnonzero(np.nan_to_num(smooth) >= TAPER_RATIO * peak_w)
    last_s = float(time_s[high[-1]])
    return peak_w, last_s if last_s < time_s[-1] - 120.0 else None
