"""The pack: usable energy, energy per percent, cell spread, isolation and charging."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from logan.drive.drive import Drive, is_charging_at
from logan.metrics.charging_sessions import ChargingSession, charging_sessions
from logan.metrics.energy import EnergySummary
from logan.metrics.exceedance import limit_rule
from logan.metrics.metric import Metric
from logan.numerics import cumulative, integrate, nominal_period_s
from logan.results import Estimate, Figure, Refusal, Severity, all_refused, result
from logan.settings import BuildSettings
from logan.units import SECONDS_PER_HOUR, FloatArray

STATE_SIGMA_RATIO: Final = 0.02
"""One standard uncertainty of a state of charge read while driving (common practice)."""

REST_STATE_SIGMA_RATIO: Final = 0.01
"""The same after a rest of half an hour or more at both ends."""

LEAST_SPAN_RATIO: Final = 0.10
"""Below this span of state of charge, usable energy is refused."""

CIRCULAR_RATIO: Final = 0.002
"""A state of charge that follows the counted current closer than this is counted from it."""

SPREAD_REST_AMBER_V: Final = 0.020
SPREAD_LOAD_AMBER_V: Final = 0.100
"""Cell spread from which it is amber (common practice). [V]"""

PERCENT_BAND: Final = 0.1
LEAST_SAMPLES: Final = 10


@result("usable-energy/1")
class FullScaleEnergy:
    """Energy and charge of the full scale, from the part of it that was driven.

    Parameters
    ----------
    energy_wh, charge_ah : Figure
        Per full span of state of charge, 0 to 1. [Wh, Ah]
    window_energy_wh : Figure
        Between the ends of the build's usable window. [Wh]
    start_ratio, end_ratio : float or None
        State of charge at both ends.
    is_circular : bool
        True where state of charge is a count of the same current, so that it cannot check it.
    is_rested : bool
        True where the pack had rested at both ends.
    note : str
        What the figure rests on.
    """

    energy_wh: Figure
    charge_ah: Figure
    window_energy_wh: Figure
    start_ratio: float | None
    end_ratio: float | None
    is_circular: bool
    is_rested: bool
    note: str


@result("energy-per-percent/1")
class EnergyPerPercent:
    """Energy per percent of state of charge in one band of it."""

    low_ratio: float
    high_ratio: float
    wh_per_percent: float
    sigma_wh_per_percent: float


@result("cell-spread/1")
class CellSpread:
    """Highest less lowest cell.

    Parameters
    ----------
    rest_v, load_v : Figure
        Median at rest, and 95 % point under load. [V]
    severity : Severity or None
        Amber above 20 mV at rest or 100 mV under load (common practice).
    temperature_k : Figure
        Hottest less coldest cell, maximum. [K]
    note : str
        In plain words.
    """

    rest_v: Figure
    load_v: Figure
    severity: Severity | None
    temperature_k: Figure
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageRange:
    """Lowest and highest pack voltage of a drive.

    Parameters
    ----------
    lowest_v, highest_v : float
        Of all samples. [V]
    lowest_at_s, highest_at_s : float
        When. [s]
    """

    lowest_v: float
    highest_v: float
    lowest_at_s: float
    highest_at_s: float


@result("pack-summary/2")
class PackSummary:
    """The pack over one drive or charge."""

    voltage: VoltageRange | Refusal
    usable: FullScaleEnergy
    per_percent: tuple[EnergyPerPercent, ...]
    spread: CellSpread
    isolation_ohm_per_v: Figure
    charging: tuple[ChargingSession, ...]


def pack_summary(
    drive: Drive, build: BuildSettings, energy: EnergySummary, *, refusals: Mapping[str, Refusal] | None = None
) -> PackSummary:
    """Usable energy, energy per percent, cell spread, isolation and charging of one drive or charge.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        The drive; usable window and capacity.
    energy : EnergySummary
        Of the same drive.
    refusals : mapping of str to Refusal, optional
        Metrics that a data flag forbids: ``usable_energy``.

    Returns
    -------
    PackSummary
        Figures, or the reason why not.
    """
    return PackSummary(
        voltage=_voltage_range(drive),
        usable=_usable(drive, build, energy, (refusals or {}).get("usable_energy")),
        per_percent=_per_percent(drive, build.instruments.power_gain_sigma_ratio),
        spread=_spread(drive, build),
        isolation_ohm_per_v=_isolation_ohm_per_v(drive),
        charging=charging_sessions(drive, build.instruments.power_gain_sigma_ratio),
    )


def _voltage_range(drive: Drive) -> VoltageRange | Refusal:
    voltage = drive.get("pack_voltage")
    if voltage is None or not np.isfinite(voltage.value).any():
        return Refusal("pack voltage is not logged", "Map pack_voltage")
    low, high = int(np.nanargmin(voltage.value)), int(np.nanargmax(voltage.value))
    return VoltageRange(
        lowest_v=float(voltage.value[low]),
        highest_v=float(voltage.value[high]),
        lowest_at_s=float(voltage.time_s[low]),
        highest_at_s=float(voltage.time_s[high]),
    )


def _isolation_ohm_per_v(drive: Drive) -> Figure:
    """Lowest isolation that lasted, over the highest voltage; zero ohm is the gravest value, not a gap.

    Method: measured (23).
    """
    channel, voltage = drive.get("isolation_resistance"), drive.get("pack_voltage")
    for one, words in ((channel, "isolation resistance"), (voltage, "pack voltage")):
        if one is None or not np.isfinite(one.value).any():
            return Refusal(f"{words} is not logged", "Log it, or measure by UN R100, Annex 5A")
    assert channel is not None
    assert voltage is not None
    rule, ohm, working_v = limit_rule(channel.name), channel.value[np.isfinite(channel.value)], np.nanmax(voltage.value)
    count = max(1, round(rule.least_s / max(nominal_period_s(channel.time_s), 1e-3)))
    per_volt = float(sliding_window_view(ohm, min(count, ohm.size)).max(axis=1).min() / working_v)
    source = f"lowest held {rule.least_s:g} s, over {working_v:.0f} V"
    return Estimate(per_volt, "ohm/V", rule.sigma_ratio * per_volt, source, 1.0)


def _usable(drive: Drive, build: BuildSettings, energy: EnergySummary, refusal: Refusal | None) -> FullScaleEnergy:
    """Energy of the full scale and of the usable window. Method: measured (21)."""
    state = drive.get("state_of_charge")
    known = np.isfinite(state.value) if state is not None else np.zeros(0, dtype=bool)
    if refusal is None and (state is None or int(known.sum()) < 2):
        refusal = Refusal("SOC is not logged", "Map state_of_charge")
    if refusal is None and isinstance(energy.net_wh, Refusal):
        refusal = energy.net_wh
    if refusal is None and energy.charging_s > 0.0:
        refusal = Refusal("the drive holds a charge too", "Cut the drive at the plug")
    start = float(state.value[known][0]) if state is not None and known.any() else None
    end = float(state.value[known][-1]) if state is not None and known.any() else None
    if refusal is None and start is not None and end is not None and start - end < LEAST_SPAN_RATIO:
        text = f"SOC moved by {100 * (start - end):.1f} points; {100 * LEAST_SPAN_RATIO:.0f} are the least"
        refusal = Refusal(text, "Drive further, best from nearly full to nearly empty")
    found: dict[str, Any] = {
        "start_ratio": start, "end_ratio": end, "is_circular": start is not None and _is_circular(drive),
        "is_rested": start is not None and _is_rested(drive),
    }  # fmt: skip
    if refusal is not None or start is None or end is None or not isinstance(energy.net_wh, Estimate):
        refused = refusal or Refusal("SOC is not logged", "Map state_of_charge")
        return all_refused(FullScaleEnergy, refused, note=refused.reason, **found)
    span = start - end
    state_sigma = REST_STATE_SIGMA_RATIO if found["is_rested"] else STATE_SIGMA_RATIO
    relative = float(np.hypot(energy.net_wh.spread / energy.net_wh.value, np.sqrt(2.0) * state_sigma / span))
    whole_wh = energy.net_wh.value / span
    window = build.pack.usable_high_ratio - build.pack.usable_low_ratio
    source = f"measured over {100 * span:.0f} points of SOC"
    note = f"{source}: a run from full to empty" if start > 0.95 and end < 0.15 else source
    if found["is_circular"]:
        note = (
            "SOC is counted from the same current: this repeats the capacity that the BMS was told, it "
            "does not check it. Use the energy of a run from full to empty, or rest voltages at both ends"
        )
    return FullScaleEnergy(
        energy_wh=Estimate(whole_wh, "Wh", whole_wh * relative, source, energy.coverage_ratio),
        charge_ah=_charge_ah(drive, span, state_sigma, build.instruments.current_gain_ratio.sigma, source),
        window_energy_wh=Estimate(whole_wh * window, "Wh", whole_wh * window * relative, source, energy.coverage_ratio),
        note=note,
        **found,
    )


def _charge_ah(drive: Drive, span: float, state_sigma: float, gain: float, source: str) -> Figure:
    current = drive.get("pack_current")
    if current is None:
        return Refusal("pack current is not logged", "Map pack_current")
    whole = integrate(current.time_s, current.value, max_gap_s=current.max_gap_s)
    charge_ah = whole.total / whole.coverage_ratio / SECONDS_PER_HOUR if whole.covered_s > 0.0 else 0.0
    offset_ah = (current.sigma if current.sigma is not None else 0.5) * whole.duration_s / SECONDS_PER_HOUR
    sigma = np.sqrt(
        (offset_ah / span) ** 2 + (charge_ah / span * np.hypot(gain, np.sqrt(2.0) * state_sigma / span)) ** 2
    )
    return Estimate(charge_ah / span, "Ah", float(sigma), source, whole.coverage_ratio)


def _is_rested(drive: Drive) -> bool:
    """Half an hour without current at both ends."""
    current = drive.get("pack_current")
    if current is None:
        return False
    time_s = current.time_s
    quiet = np.abs(np.nan_to_num(current.value, nan=1e9)) < 2.0
    first, last = time_s < time_s[0] + 1800.0, time_s > time_s[-1] - 1800.0
    return bool(time_s[-1] - time_s[0] > 3600.0 and quiet[first].all() and quiet[last].all())


def _is_circular(drive: Drive) -> bool:
    """Whether state of charge is a straight function of the counted current, to its own resolution."""
    state, current = drive.get("state_of_charge"), drive.get("pack_current")
    if state is None or current is None:
        return False
    known = np.isfinite(state.value)
    at_s, value = state.time_s[known], state.value[known]
    drawn = np.interp(at_s, current.time_s, cumulative(current.time_s, np.nan_to_num(current.value), max_gap_s=5.0))
    if at_s.size < 20 or float(np.ptp(drawn)) <= 0.0 or float(np.ptp(value)) < 0.05:
        return False
    slope, offset = np.polyfit(drawn, value, 1)
    residual = float(np.sqrt(np.mean((value - slope * drawn - offset) ** 2)))
    distinct = np.unique(value)
    step = float(np.min(np.diff(distinct))) if distinct.size > 1 else 0.0
    return residual < max(CIRCULAR_RATIO, 0.45 * step)


def _per_percent(drive: Drive, gain: float) -> tuple[EnergyPerPercent, ...]:
    """Energy per percent in tenths of state of charge that were crossed."""
    state, current, voltage = drive.get("state_of_charge"), drive.get("pack_current"), drive.get("pack_voltage")
    if state is None or current is None or voltage is None or is_charging_at(drive, state.time_s).any():
        return ()
    # A state of charge in another unit than the channel's says nothing of percents.
    known = np.isfinite(state.value) & (np.abs(state.value - 0.5) < 0.6)
    at_s, value = state.time_s[known], state.value[known]
    if at_s.size < LEAST_SAMPLES:
        return ()
    watts = current.value * voltage.at(current.time_s)
    drawn_wh = np.interp(
        at_s, current.time_s, cumulative(current.time_s, np.nan_to_num(watts), max_gap_s=current.max_gap_s) / 3600.0
    )
    found = []
    low = np.floor(value.min() / PERCENT_BAND) * PERCENT_BAND
    for edge in np.arange(low, value.max(), PERCENT_BAND).tolist():
        inside = (value >= edge) & (value < edge + PERCENT_BAND)
        if int(inside.sum()) < LEAST_SAMPLES or float(np.ptp(value[inside])) < 0.3 * PERCENT_BAND:
            continue
        # The state of charge steps; a straight line through energy against it is not fooled by that.
        slope, variance = _slope(value[inside], drawn_wh[inside])
        found.append(
            EnergyPerPercent(
                low_ratio=round(edge, 3),
                high_ratio=round(edge + PERCENT_BAND, 3),
                wh_per_percent=-slope / 100.0,
                sigma_wh_per_percent=float(np.hypot(np.sqrt(variance), gain * slope)) / 100.0,
            )
        )
    return tuple(reversed(found))


def _slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope of a straight line and its variance, one independent point per distinct x."""
    centred = x - x.mean()
    square = float(np.sum(centred**2))
    slope = float(np.sum(centred * (y - y.mean())) / square)
    residual = y - y.mean() - slope * centred
    independent = max(np.unique(x).size, 3)
    variance = float(np.mean(residual**2)) / (square / x.size) / (independent - 2)
    return slope, variance


def _spread(drive: Drive, build: BuildSettings) -> CellSpread:
    """Spread of the cells at rest and under load. Method: measured (22)."""
    highest, lowest = drive.get("cell_voltage_max"), drive.get("cell_voltage_min")
    temperature = _temperature_spread(drive)
    if highest is None or lowest is None:
        refusal = Refusal("highest and lowest cell are not both logged", "Map cell_voltage_max and cell_voltage_min")
        return CellSpread(rest_v=refusal, load_v=refusal, severity=None, temperature_k=temperature, note=refusal.reason)
    spread = highest.at(lowest.time_s, max_gap_s=5.0) - lowest.value
    current = drive.get("pack_current")
    amperes = np.full(spread.shape, np.nan) if current is None else np.abs(current.at(lowest.time_s))
    capacity_ah = build.pack.cell_capacity_ah.value * build.pack.cells_in_parallel
    known = np.isfinite(spread) & np.isfinite(amperes)
    resting, loaded = known & (amperes < 0.03 * capacity_ah), known & (amperes > 0.5 * capacity_ah)
    rest = _point(spread[resting], 50.0, "Let the vehicle stand for a minute while logging")
    load = _point(spread[loaded], 95.0, "Accelerate at more than half the capacity per hour")
    is_amber = (isinstance(rest, Estimate) and rest.value > SPREAD_REST_AMBER_V) or (
        isinstance(load, Estimate) and load.value > SPREAD_LOAD_AMBER_V
    )
    return CellSpread(
        rest_v=rest,
        load_v=load,
        severity=Severity.AMBER if is_amber else None,
        temperature_k=temperature,
        note="amber above 20 mV at rest or 100 mV under load (common practice, not your datasheet)",
    )


def _point(values: FloatArray, percent: float, remedy: str) -> Figure:
    if values.size < 5:
        return Refusal("too few samples in this state of load", remedy)
    error = 1.4826 * float(np.median(np.abs(values - np.median(values)))) / np.sqrt(values.size)
    return Estimate(float(np.percentile(values, percent)), "V", max(error, 0.001), f"{percent:.0f} % point")


def _temperature_spread(drive: Drive) -> Figure:
    hottest, coldest = drive.get("cell_temperature_max"), drive.get("cell_temperature_min")
    if hottest is None or coldest is None:
        return Refusal("hottest and coldest cell are not both logged", "Map cell_temperature_max and _min")
    spread = hottest.at(coldest.time_s, max_gap_s=30.0) - coldest.value
    known = spread[np.isfinite(spread)]
    if known.size == 0:
        return Refusal("hottest and coldest cell are never known together", "Log both all the way")
    return Estimate(float(known.max()), "K", 1.0, "maximum")


METRIC: Final = Metric(
    "pack",
    PackSummary,
    lambda asked: pack_summary(asked.drive, asked.build, asked.results["energy"], refusals=asked.refusals),
    lambda found: {
        "usable_energy_wh": found.usable.energy_wh,
        "isolation_ohm_per_v": found.isolation_ohm_per_v,
        "cell_spread_rest_v": found.spread.rest_v,
        "cell_spread_load_v": found.spread.load_v,
    },
)
