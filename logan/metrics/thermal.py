"""What temperatures tell besides their limits: spikes, rise, soak-back, coolant; and whether it is the heater's."""

from dataclasses import replace
from typing import Final

import numpy as np

from logan.channels.vocabulary import CHANNEL_KINDS
from logan.drive.drive import Channel, Drive, pack_power, road_speed
from logan.metrics.metric import Metric
from logan.numerics import cumulative, spans_where
from logan.physics.thermal import coolant_heat_w, lagged
from logan.results import Estimate, Figure, Refusal, all_refused, result
from logan.settings import TYPICAL_SOURCE, BuildSettings
from logan.units import FloatArray
from logan.units.sentences import measure

TEMPERATURE_KINDS: Final = tuple(
    kind.name
    for kind in CHANNEL_KINDS
    if kind.unit == "degC" and kind.group in ("pack", "motor", "cooling", "auxiliary")
)
"""Temperatures of components; outside and cabin air have no margin."""

SENSOR_SIGMA_K: Final = 1.0
"""One standard uncertainty of a temperature sensor whose own is not known (common practice)."""

LOAD_WINDOW_S: Final = 120.0
"""The coolant feels the mean load of this long. [s]"""

LEAST_HEAT_W: Final = 500.0
"""With less heat than this, the coolant's rise is too small to judge. [W]"""

SHORTFALL_RATIO: Final = 1.5
"""A difference larger than the logged flow explains by this much is air, a lost pump, or a wrong flow."""


@result("soak-back/1")
class SoakBack:
    """Rise of a temperature after the vehicle stopped."""

    channel: str
    stopped_at_s: float
    at_stop_degc: float
    peak_degc: float
    rise_k: float
    peak_after_s: float


@result("coolant-flow/2")
class CoolantFlow:
    """What the coolant's temperature difference says about its flow.

    Parameters
    ----------
    difference_k : Figure
        Outlet less inlet under load, mean. [K]
    heat_w : Figure
        Carried away: needs the flow. [W]
    k_per_kw : Figure
        Difference over the heat that the drivetrain's losses put in: compared with the vehicle's own past. [K/kW]
    is_low : bool or None
        True where the difference is more than the logged flow explains; None where no flow is logged.
    note : str
        In plain words.
    """

    difference_k: Figure
    heat_w: Figure
    k_per_kw: Figure
    is_low: bool | None
    note: str


@result("thermal-summary/3")
class ThermalSummary:
    """Soak-back and coolant of one drive; the temperatures themselves are held against their limits in ``limits``."""

    soak_backs: tuple[SoakBack, ...]
    coolant: CoolantFlow


def thermal_summary(drive: Drive, build: BuildSettings) -> ThermalSummary:
    """Soak-back and coolant difference of one drive. Method: measured (18).

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        The drive, and its planned losses.

    Returns
    -------
    ThermalSummary
        What the limits do not tell.
    """
    channels = (without_spikes(channel) for kind in TEMPERATURE_KINDS for channel in drive.of_kind(kind))
    temperatures = {one.name: one for one in channels if int(np.isfinite(one.value).sum()) > 1}
    return ThermalSummary(
        soak_backs=_soak_backs(drive, temperatures), coolant=_coolant_flow(drive, build, temperatures)
    )


def without_spikes(channel: Channel, *, most_k_per_s: float = 5.0) -> Channel:
    """Mask lone samples that jump away and back faster than anything warms.

    Parameters
    ----------
    channel : Channel
        A temperature.
    most_k_per_s : float
        Fastest change that is believed. [K/s]

    Returns
    -------
    Channel
        With the spikes as NaN.
    """
    value = channel.value
    known = np.flatnonzero(np.isfinite(value))
    if known.size < 3:
        return channel
    series, step_s = value[known], np.maximum(np.diff(channel.time_s[known]), 1.0)
    rate = np.diff(series) / step_s
    middle = (np.abs(rate[:-1]) > most_k_per_s) & (np.abs(rate[1:]) > most_k_per_s) & (rate[:-1] * rate[1:] < 0.0)
    if not middle.any():
        return channel
    masked = value.copy()
    masked[known[1:-1][middle]] = np.nan
    return replace(channel, value=masked)


def _soak_backs(drive: Drive, temperatures: dict[str, Channel]) -> tuple[SoakBack, ...]:
    """Rise after each stop of two minutes or more."""
    speed = road_speed(drive)
    if speed is None:
        return ()
    found = []
    for start_s, end_s in spans_where(speed.time_s, np.abs(speed.value) < 0.3, min_duration_s=120.0):
        if start_s - float(speed.time_s[0]) < 60.0:
            continue
        for name, channel in temperatures.items():
            stopped = channel.between(start_s, end_s)
            time_s, value = stopped.time_s, stopped.value
            if value.size < 5:
                continue
            peak = int(np.argmax(value))
            rise_k = float(value[peak] - value[0])
            if rise_k >= 1.0:
                found.append(
                    SoakBack(
                        channel=name,
                        stopped_at_s=start_s,
                        at_stop_degc=float(value[0]),
                        peak_degc=float(value[peak]),
                        rise_k=rise_k,
                        peak_after_s=float(time_s[peak] - start_s),
                    )
                )
    return tuple(found)


def _coolant_flow(drive: Drive, build: BuildSettings, temperatures: dict[str, Channel]) -> CoolantFlow:
    """What the coolant carries, where its flow is logged. Method: measured (19)."""
    inlet, outlet = temperatures.get("coolant_temperature"), temperatures.get("coolant_temperature_outlet")
    if inlet is None or outlet is None:
        missing = Refusal("coolant inlet and outlet are not both logged", "Log both sides of the drive unit")
        return all_refused(CoolantFlow, missing, note=missing.reason)
    difference = outlet.value - inlet.at(outlet.time_s, max_gap_s=30.0)
    known = np.isfinite(difference)
    if int(known.sum()) < 30:
        missing = Refusal("coolant inlet and outlet overlap for too few samples", "Log both all the way")
        return all_refused(CoolantFlow, missing, note=missing.reason)
    share = float(known.mean())
    heat_w = _drivetrain_heat_w(drive, build, outlet.time_s)
    if heat_w is None:
        mean_k, what, mean_w = float(difference[known].mean()), "over the whole drive", None
    else:
        loaded = known & (heat_w >= np.percentile(heat_w[known], 90.0))
        mean_k, what, mean_w = float(difference[loaded].mean()), "under load", float(heat_w[loaded].mean())
    sigma_k = SENSOR_SIGMA_K * float(np.sqrt(2.0))
    per_kw: Figure = Refusal("too little heat to judge the coolant by", "Drive harder, with the pack's power logged")
    if mean_w is not None and mean_w >= LEAST_HEAT_W:
        source = "difference under load over the planned drivetrain loss"
        per_kw = Estimate(1000.0 * mean_k / mean_w, "K/kW", 1000.0 * sigma_k / mean_w, source, share)
    flow = drive.get("coolant_flow")
    rate = float(np.nanmedian(flow.value)) if flow is not None and np.isfinite(flow.value).any() else None
    carried: Figure = Refusal("coolant flow is not logged", "Log the flow, or take it from the pump's datasheet")
    is_low, note = None, f"{measure(mean_k, 'K', '.1f')} {what}"
    if rate is not None:
        carried = Estimate(coolant_heat_w(rate, mean_k), "W", abs(coolant_heat_w(rate, sigma_k)), "flow x difference")
    if rate is not None and mean_w is not None and rate > 0.0:
        expected_k = mean_w / coolant_heat_w(rate, 1.0)
        is_low = mean_k > SHORTFALL_RATIO * expected_k + 2.0 * sigma_k
        note += (
            f"; {mean_w / 1000.0:.1f} kW of loss at {60_000.0 * rate:.1f} L/min "
            f"explain {measure(expected_k, 'K', '.1f')}"
        )
        note += ": less flows than is logged, or air is in the circuit" if is_low else ""
    elif rate is None:
        note += "; alone it says nothing of the flow: log the flow, or compare the rise per kW with earlier drives"
    estimate = Estimate(mean_k, "K", sigma_k, f"mean {what}", share)
    return CoolantFlow(difference_k=estimate, heat_w=carried, k_per_kw=per_kw, is_low=is_low, note=note)


def _drivetrain_heat_w(drive: Drive, build: BuildSettings, time_s: FloatArray) -> FloatArray | None:
    """Planned loss of the drivetrain, mean over the time that the coolant feels. [W]"""
    power = pack_power(drive)
    if power is None:
        return None
    watts, chain = np.nan_to_num(power.power_w), build.powertrain
    out, back = 1.0 - chain.drive_efficiency.value, 1.0 / chain.regen_efficiency.value - 1.0
    loss_j = cumulative(power.time_s, np.where(watts > 0.0, out * watts, -back * watts), max_gap_s=power.max_gap_s)
    before, after = (np.interp(time_s - back_s, power.time_s, loss_j) for back_s in (LOAD_WINDOW_S, 0.0))
    return np.asarray((after - before) / LOAD_WINDOW_S)


METRIC: Final = Metric("thermal", ThermalSummary, lambda asked: thermal_summary(asked.drive, asked.build))


COOLANTS: Final = ("coolant_temperature", "coolant_temperature_outlet")
LEAST_HEATER_SHARE_RATIO: Final = 0.6
"""From this share of its rise on, a coolant is the heater's."""

BLOCK_S: Final = 5.0
LEAST_BLOCKS: Final = 24
LEAST_MOVE_K: Final = 4.0
TIME_CONSTANTS_S: Final = (60.0, 120.0, 240.0, 480.0, 960.0, 1920.0)
"""Blocks, the least that tells anything, and what a coolant's time constant may be. [s, 1, K, s]"""

LEAST_HEATER_W: Final = 300.0
"""A heater that took less on average warms nothing that matters. [W]"""


def is_heating_circuit(drive: Drive, channel: str) -> bool:
    """Whether a coolant's rise follows the cabin heater rather than the drive's load.

    Parameters
    ----------
    drive : Drive
        The drive.
    channel : str
        Coolant temperature.

    Returns
    -------
    bool
        False where the heater is not logged or hardly ran, or where no law fits.
    """
    coolant, heater, power = drive.get(channel), drive.get("heater_power"), pack_power(drive)
    if coolant is None or heater is None or power is None:
        return False
    edges_s = np.arange(float(power.time_s[0]), float(power.time_s[-1]), BLOCK_S)
    if edges_s.size < 2:
        return False
    middle_s = 0.5 * (edges_s[1:] + edges_s[:-1])
    heating_w = np.nan_to_num(heater.at(middle_s, max_gap_s=30.0))
    if float(heating_w.mean()) < LEAST_HEATER_W:
        return False
    traction_w = np.maximum(_block_means(power.time_s, np.abs(power.power_w), edges_s) - heating_w, 0.0)
    inputs = np.column_stack([heating_w, traction_w])
    rises_k = _rises_k(coolant.at(middle_s, max_gap_s=30.0), inputs)
    return bool(rises_k[0] > LEAST_HEATER_SHARE_RATIO * rises_k.sum() > 0.0)


def _rises_k(observed_degc: FloatArray, inputs_w: FloatArray) -> FloatArray:
    """Mean rise by each input, by the time constant that leaves least; zero where nothing moved. [K]"""
    from scipy.optimize import nnls

    known, best, rises = np.isfinite(observed_degc), np.inf, np.zeros(inputs_w.shape[1])
    if int(known.sum()) < LEAST_BLOCKS or float(np.ptp(observed_degc[known])) < LEAST_MOVE_K:
        return rises
    scale = np.maximum(inputs_w.mean(axis=0), 1.0)
    ones = np.ones((inputs_w.shape[0], 1))
    for tau_s in TIME_CONSTANTS_S:
        fade = np.exp(-np.arange(ones.size) * BLOCK_S / tau_s)[:, np.newaxis]
        late = lagged(inputs_w / scale, step_s=BLOCK_S, time_constant_s=tau_s, is_settled=False)
        columns = np.hstack([late, fade, -fade, ones, -ones])[known]
        gains, left = nnls(columns, observed_degc[known])
        if left < best:
            best, rises = float(left), np.asarray(gains[: rises.size])
    return rises


def _block_means(time_s: FloatArray, value: FloatArray, edges_s: FloatArray) -> FloatArray:
    running = np.interp(edges_s, time_s, cumulative(time_s, np.nan_to_num(value), max_gap_s=np.inf))
    return np.asarray(np.diff(running) / np.diff(edges_s))


def limits_that_apply(drive: Drive, build: BuildSettings) -> tuple[BuildSettings, tuple[str, ...]]:
    """Leave typical limits out that do not belong to what was logged; a limit of the user's own always stands.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        With its limit sheet.

    Returns
    -------
    build : BuildSettings
        The same, or with a shorter sheet.
    notes : tuple of str
        What was left out, and why.
    """
    typical = [one.channel for one in build.limits.limits if one.source == TYPICAL_SOURCE and one.channel in COOLANTS]
    heated = [channel for channel in typical if is_heating_circuit(drive, channel)]
    if not heated:
        return build, ()
    kept = tuple(one for one in build.limits.limits if not (one.channel in heated and one.source == TYPICAL_SOURCE))
    notes = tuple(
        f"{channel} follows the cabin heater: the typical limit of a drive unit's coolant is not held against it; "
        "give a limit of its own, or map the drive unit's coolant"
        for channel in heated
    )
    return replace(build, limits=replace(build.limits, limits=kept)), notes
