"""What a drive says about its own instruments: tyre, ratio, odometer, zeros, standing load."""

from itertools import combinations
from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive, is_charging_at, pack_power, road_speed
from logan.metrics.metric import Metric
from logan.metrics.steady_runs import SteadyRun, steady_runs
from logan.numerics import integrate, joined_spans, spans_where
from logan.results import Estimate, Figure, Refusal, Severity, all_refused, result
from logan.settings import BuildSettings
from logan.units import BoolArray, FloatArray
from logan.units.sentences import measure
from logan.wording import percent

TYRE_DEVIATION_RATIO: Final = 0.03
GEAR_DEVIATION_RATIO: Final = 0.06
"""From 3 % on the tyre is another, from 6 % on the gear or the DBC is (common practice)."""

GNSS_SIGMA_RATIO: Final = 0.002
LEAST_SPEED_M_PER_S: Final = 8.0
LEAST_DISTANCE_M: Final = 1500.0
STANDING_M_PER_S: Final = 0.1
LOAD_ON_W: Final = 100.0
LEAST_STANDING_S: Final = 10.0
OPEN_CONTACTOR_S: Final = 5.0


@result("wheel-calibration/1")
class WheelCalibration:
    """Motor speed against satellite speed.

    Parameters
    ----------
    circumference_m : Figure
        Rolling circumference, taking the build's ratio as exact. [m]
    total_ratio : Figure
        Motor turns per wheel turn, taking the build's circumference as exact.
    verdict : str
        What a deviation of this size points to.
    severity : Severity or None
        Amber from 3 % (tyre), red from 6 % (gear or DBC); common practice.
    """

    circumference_m: Figure
    total_ratio: Figure
    verdict: str
    severity: Severity | None


@result("standstill-load/1")
class StandstillLoad:
    """Pack power at standstill in one state of load.

    Parameters
    ----------
    state : str
        "base", or the loads on, such as "heater", "air conditioning".
    power_w : Figure
        Median with its uncertainty. [W]
    observed_s : float
        Time standing in that state. [s]
    """

    state: str
    power_w: Figure
    observed_s: float


@result("calibration-summary/1")
class CalibrationSummary:
    """Calibrations that one drive allows.

    Parameters
    ----------
    wheel : WheelCalibration
        Tyre and ratio.
    odometer_error_ratio, speed_error_ratio : Figure
        Odometer and speed signal against satellite distance, less one.
    current_zero_a : Figure
        Current with the contactors open, or why it is not known. [A]
    standstill : tuple of StandstillLoad
        By state of load.
    steady_runs : tuple of SteadyRun
        Steady speeds found.
    """

    wheel: WheelCalibration
    odometer_error_ratio: Figure
    speed_error_ratio: Figure
    current_zero_a: Figure
    standstill: tuple[StandstillLoad, ...]
    steady_runs: tuple[SteadyRun, ...]


def calibration_summary(drive: Drive, build: BuildSettings) -> CalibrationSummary:
    """Calibrations that one drive allows.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Circumference and total ratio to compare with.

    Returns
    -------
    CalibrationSummary
        Figures, or the reason why not.
    """
    return CalibrationSummary(
        wheel=_wheel(drive, build),
        odometer_error_ratio=_odometer_error(drive),
        speed_error_ratio=speed_error(drive),
        current_zero_a=current_zero(drive),
        standstill=_standstill(drive, build.instruments.power_gain_sigma_ratio),
        steady_runs=steady_runs(drive, build),
    )


def _wheel(drive: Drive, build: BuildSettings) -> WheelCalibration:
    motor, satellite = drive.get("motor_speed"), drive.get("gnss_speed")
    if motor is None or satellite is None:
        missing = "motor speed" if motor is None else "satellite speed"
        per_turn: Figure = Refusal(f"{missing} is not logged", "Log motor_speed and gnss_speed")
    else:
        per_turn = _metres_per_motor_turn(motor, satellite)
    if isinstance(per_turn, Refusal):
        return all_refused(WheelCalibration, per_turn, verdict=per_turn.reason)
    planned = build.vehicle.tyre_rolling_circumference_m
    circumference, ratio = per_turn.value * build.powertrain.gearing.total_ratio, planned.value / per_turn.value
    relative = per_turn.spread / per_turn.value
    of_ratio = float(np.hypot(relative, planned.sigma / planned.value))
    severity, verdict = _verdict(circumference / planned.value - 1.0)
    return WheelCalibration(
        circumference_m=Estimate(circumference, "m", circumference * relative, per_turn.source),
        total_ratio=Estimate(ratio, "ratio", ratio * of_ratio, per_turn.source),
        verdict=verdict,
        severity=severity,
    )


def _verdict(deviation: float) -> tuple[Severity | None, str]:
    if abs(deviation) < TYRE_DEVIATION_RATIO:
        return None, "circumference and ratio fit the build"
    if abs(deviation) < GEAR_DEVIATION_RATIO:
        return Severity.AMBER, f"{100.0 * deviation:+.1f} %: another tire size, wear or pressure than the build says"
    return Severity.RED, f"{100 * deviation:+.1f} %: another gear ratio than the build says, or a wrong DBC scale"


def _metres_per_motor_turn(motor: Channel, satellite: Channel) -> Figure:
    """Median over stretches of steady, brisk driving, ten seconds each. Method: measured (24)."""
    time_s, speed = satellite.time_s, satellite.value
    turns_per_s = motor.at(time_s) / (2.0 * np.pi)
    known = np.isfinite(turns_per_s) & np.isfinite(speed) & (speed > LEAST_SPEED_M_PER_S) & (turns_per_s > 1.0)
    brisk, remedy = measure(LEAST_SPEED_M_PER_S, "m/s"), "Drive some minutes at a steady speed"
    if int(known.sum()) < 20:
        return Refusal(f"fewer than twenty samples above {brisk} with both speeds", remedy)
    slope = np.abs(np.gradient(np.where(known, speed, 0.0), time_s))
    steady = known & (slope < 0.5)
    block = np.floor(time_s / 10.0)
    ratios = []
    for number in np.unique(block[steady]):
        inside = steady & (block == number)
        if int(inside.sum()) >= 5:
            ratios.append(float(speed[inside].sum() / turns_per_s[inside].sum()))
    if len(ratios) < 3:
        return Refusal(f"fewer than half a minute of steady driving above {brisk}", remedy)
    values = np.array(ratios)
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle))) / np.sqrt(values.size)
    return Estimate(middle, "m", float(np.hypot(spread * 1.25, GNSS_SIGMA_RATIO * middle)), "motor against satellite")


def _odometer_error(drive: Drive) -> Figure:
    odometer, satellite = drive.get("odometer"), drive.get("gnss_speed")
    if odometer is None or satellite is None:
        return Refusal("odometer and satellite speed are not both logged", "Log odometer and gnss_speed")
    low, high = max(odometer.time_s[0], satellite.time_s[0]), min(odometer.time_s[-1], satellite.time_s[-1])
    whole = _distance(satellite, low, high)
    if isinstance(whole, Refusal):
        return whole
    ends = np.interp([low, high], odometer.time_s, odometer.value)
    steps = np.unique(odometer.value[np.isfinite(odometer.value)])
    step_m = float(np.min(np.diff(steps))) if steps.size > 1 else 100.0
    value = float(ends[1] - ends[0]) / whole.value - 1.0
    sigma = float(np.hypot(GNSS_SIGMA_RATIO, step_m * 0.41 / whole.value))
    return Estimate(value, "ratio", sigma, "odometer over satellite distance", whole.coverage_ratio)


def _distance(satellite: Channel, low: float, high: float) -> Figure:
    inside = (satellite.time_s >= low) & (satellite.time_s <= high)
    whole = integrate(satellite.time_s[inside], np.abs(satellite.value[inside]), max_gap_s=satellite.max_gap_s)
    if whole.total < LEAST_DISTANCE_M:
        too_short = f"{measure(whole.total, 'm')} are too short; {measure(LEAST_DISTANCE_M, 'm')} are the least"
        return Refusal(too_short, "Drive further")
    if whole.coverage_ratio < 0.98:
        reason = f"satellite speed covers {percent(whole.coverage_ratio)}; 98 % is the least"
        return Refusal(reason, "Drive under open sky")
    return Estimate(whole.total / whole.coverage_ratio, "m", None, "satellite", whole.coverage_ratio)


def speed_error(drive: Drive) -> Figure:
    """The vehicle's own speed over the satellites', less one. [ratio]"""
    speed, satellite = drive.get("speed"), drive.get("gnss_speed")
    if speed is None or satellite is None:
        return Refusal("the vehicle's own and the satellites' speed are not both logged", "Log speed and gnss_speed")
    own = speed.at(satellite.time_s)
    known = np.isfinite(own) & np.isfinite(satellite.value) & (satellite.value > 2.0)
    if (
        satellite.time_s.size < 2
        or float(satellite.value[known].sum()) * float(np.median(np.diff(satellite.time_s))) < LEAST_DISTANCE_M
    ):
        return Refusal("too short a distance with both speeds", "Drive further")
    value = float(own[known].sum() / satellite.value[known].sum()) - 1.0
    return Estimate(value, "ratio", GNSS_SIGMA_RATIO, "speed over satellite speed", float(known.mean()))


def current_zero(drive: Drive) -> Figure:
    """Current while the contactors are open, which is nothing but the sensor's error. Method: measured (25)."""
    contactor, current = drive.get("contactor_closed"), drive.get("pack_current")
    if contactor is None or current is None:
        missing = "the contactor's state" if contactor is None else "pack current"
        return Refusal(f"{missing} is not logged", "Log two minutes with the key on and the contactors open")
    is_open = contactor.at(current.time_s, max_gap_s=30.0) < 0.5
    values = [
        current.value[(current.time_s >= start_s + 1.0) & (current.time_s <= end_s - 1.0)]
        for start_s, end_s in spans_where(current.time_s, is_open, min_duration_s=OPEN_CONTACTOR_S)
    ]
    seen = np.concatenate(values) if values else np.empty(0)
    seen = seen[np.isfinite(seen)]
    if seen.size < 5:
        return Refusal("the contactors were never open while logging", "Log two minutes with the contactors open")
    # Half a step of the sensor is left even when every sample reads the same.
    distinct = np.unique(current.value[np.isfinite(current.value)])
    step_a = float(np.min(np.diff(distinct))) if distinct.size > 1 else 0.0
    sigma = float(np.hypot(np.std(seen) / np.sqrt(seen.size), step_a / np.sqrt(12.0)))
    return Estimate(float(np.mean(seen)), "A", sigma, "contactors open")


def _standstill(drive: Drive, gain: float) -> tuple[StandstillLoad, ...]:
    """Pack power while standing, apart for each set of loads that is on. Method: measured (26)."""
    power, speed = pack_power(drive), road_speed(drive)
    if power is None or speed is None:
        return ()
    time_s = power.time_s
    still = np.nan_to_num(np.abs(speed.at(time_s)), nan=1.0) < STANDING_M_PER_S
    still &= ~is_charging_at(drive, time_s) & np.isfinite(power.power_w)
    contactor = drive.get("contactor_closed")
    if contactor is not None:
        still &= np.nan_to_num(contactor.at(time_s, max_gap_s=30.0), nan=1.0) > 0.5
    loads = {"heater": "heater_power", "air conditioning": "air_conditioning_power"}
    on = {
        word: np.nan_to_num(drive[name].at(time_s, max_gap_s=30.0)) > LOAD_ON_W
        for word, name in loads.items()
        if name in drive
    }
    found = []
    for words in (words for count in range(len(on) + 1) for words in combinations(on, count)):
        chosen = still.copy()
        for word, is_on in on.items():
            chosen &= is_on if word in words else ~is_on
        load = _standing_load(time_s, power.power_w, chosen, gain, " and ".join(words) or "base")
        if load is not None:
            found.append(load)
    return tuple(found)


def _standing_load(
    time_s: FloatArray, watts: FloatArray, chosen: BoolArray, gain: float, state: str
) -> StandstillLoad | None:
    spans = joined_spans(spans_where(time_s, chosen), gap_s=1.0)
    observed_s = sum(end_s - start_s for start_s, end_s in spans)
    if observed_s < LEAST_STANDING_S:
        return None
    values = watts[chosen]
    middle = float(np.median(values))
    # Each stop is one look at the load; samples within it are alike.
    spread = 1.4826 * float(np.median(np.abs(values - middle))) / np.sqrt(len(spans))
    figure = Estimate(middle, "W", float(np.hypot(spread, gain * middle)), "median at standstill")
    return StandstillLoad(state=state, power_w=figure, observed_s=observed_s)


def _figures(found: CalibrationSummary) -> dict[str, Figure]:
    base = [load.power_w for load in found.standstill if load.state == "base"]
    figures = {"rolling_circumference_m": found.wheel.circumference_m, "current_zero_a": found.current_zero_a}
    return figures | ({"standstill_power_w": base[-1]} if base else {})


METRIC: Final = Metric(
    "calibration",
    CalibrationSummary,
    lambda asked: calibration_summary(asked.drive, asked.build),
    _figures,
    {"current_zero": "charge", "standstill_power": "net_energy"},
)
