"""Do the speeds agree with each other, with the gearing, and with the place?"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.numerics import METRES_PER_DEGREE, highest_near, in_runs, lasting, true_runs
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, span_range, spans_of
from logan.results import DataFlag, Severity
from logan.units import BoolArray, FloatArray
from logan.units.sentences import measure

UNIT_RATIOS: Final = {
    1.609344: "mph read as km/h",
    3.6: "km/h read as m/s",
    2.236936: "mph read as m/s",
    1.0 / 1.609344: "km/h read as mph",
    1.0 / 3.6: "m/s read as km/h",
    1.0 / 2.236936: "m/s read as mph",
    10.0: "a factor of 10",
    0.1: "a factor of 10",
}
"""Ratios of a wrongly read speed to the true one (NIST SP 811 for the mile)."""


def unit_words(ratio: float, tolerance: float = 0.03) -> str:
    """Which mix-up of units gives this ratio; empty where none does."""
    for known, words in UNIT_RATIOS.items():
        if abs(ratio / known - 1.0) < tolerance:
            return words
    return ""


def speed_ratio(
    survey: DriveSurvey, reference: str, factor: float = 1.0, *, least_s: float = 30.0
) -> tuple[float, float, int] | None:
    """Median of speed over a reference, its spread (1.48 MAD), and the samples it rests on."""
    speed, other = survey.on_grid("speed"), survey.on_grid(reference) * factor
    usable = np.isfinite(speed) & np.isfinite(other) & (other > 2.0) & (speed > 0.5)
    if usable.sum() * survey.period_s < least_s or usable.sum() < 10:
        return None
    ratio = speed[usable] / other[usable]
    middle = float(np.median(ratio))
    return middle, 1.4826 * float(np.median(np.abs(ratio - middle))), int(usable.sum())


@detector("speed_unit", Severity.RED, refuses=("consumption", "distance", "efficiency", "fit"))
def _find_unit(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Speed against satellite, motor and odometer: a ratio of 1.609, 3.6, 2.237 or 10."""
    found = []
    for reference, factor in (("gnss_speed", 1.0), ("motor_speed", survey.metres_per_motor_radian)):
        # A wrong unit is off by 60 % or more, so ten seconds suffice.
        ratio = speed_ratio(survey, reference, factor, least_s=10.0) if survey.has("speed", reference) else None
        if ratio is not None and ratio[1] < 0.1 * ratio[0] and (words := unit_words(ratio[0])):
            found.append((ratio[0], words, reference))
    if not found:
        return
    ratio_value, words, reference = found[0]
    yield DataFlag(
        channels=("speed", reference),
        evidence=f"speed is {ratio_value:.3f} times {reference.replace('_', ' ')}: {words}"
        + (f"; {found[1][2].replace('_', ' ')} says the same" if len(found) > 1 else ""),
        effect_wh_per_km=survey.net_times(ratio_value - 1.0),
    )


@detector("speed_scale", Severity.AMBER)
def _find_scale(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A speedometer that reads high or low against the satellites."""
    ratio = speed_ratio(survey, "gnss_speed") if survey.has("speed", "gnss_speed") else None
    if ratio is None or not 0.03 < abs(ratio[0] - 1.0) < 0.25 or ratio[1] > 0.1:
        return
    yield DataFlag(
        channels=("speed", "gnss_speed"),
        evidence=f"speed reads {100 * (ratio[0] - 1.0):+.1f} % against the satellites (spread {100 * ratio[1]:.1f} %)",
        remedy=f"Calibrate: {measure(2, 'mi')} of straight road at {measure(45, 'mph')} against "
        "satellite speed, then set scale for the speed",
        effect_wh_per_km=survey.net_times(ratio[0] - 1.0),
    )


def _gear_ratios(survey: DriveSurvey) -> tuple[FloatArray, float, bool] | None:
    """Motor speed over what gearing and tyre give, its median, and whether it keeps to that."""
    if not survey.has("motor_speed", "speed"):
        return None
    motor, speed = survey.on_grid("motor_speed"), survey.on_grid("speed")
    usable = np.isfinite(motor) & np.isfinite(speed) & (speed > 3.0)
    if usable.sum() * survey.period_s < 30.0:
        return None
    ratio = np.abs(motor) * survey.metres_per_motor_radian / np.maximum(speed, 3.0)
    middle = float(np.median(ratio[usable]))
    if middle <= 0.0:
        return None
    # Slip and a late sample last a moment; another gear lasts.
    other = lasting(usable & (np.abs(ratio / middle - 1.0) > 0.06), 2.5, each=survey.period_s)
    is_steady = bool(other.sum() < 0.03 * usable.sum())
    if is_steady and (unit_words(middle) or unit_words(1.0 / middle)):
        return None  # a matter of units, which has a detector of its own
    return ratio[usable], middle, is_steady


@detector("gear_ratio_inconsistent")
def _find_gear(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Motor speed over road speed against gearing and tyre of the build."""
    found = _gear_ratios(survey)
    if found is None or not found[2] or abs(found[1] - 1.0) < 0.03:
        return
    middle, wrong = found[1], abs(found[1] - 1.0) > 0.06
    vehicle, gearing = survey.build.vehicle, survey.build.powertrain.gearing
    yield DataFlag(
        severity=Severity.RED if wrong else Severity.AMBER,
        channels=("motor_speed", "speed"),
        evidence=f"motor speed is {middle:.3f} times what total ratio {gearing.total_ratio:.2f} and "
        f"{measure(1000.0 * vehicle.tyre_rolling_circumference_m.value, 'mm')} per wheel turn give",
    )


@detector("gear_ratio_changes", Severity.NOTE, effect_wh_per_km=0.0)
def _find_shift(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Gear shifts, a clutch or neutral: the ratio does not keep to one value."""
    found = _gear_ratios(survey)
    if found is None or found[2]:
        return
    ratio, middle, _ = found
    others = ratio[np.abs(ratio / middle - 1.0) > 0.06]
    idle = float(np.mean(others < 0.3 * middle))
    words = "the motor turns slower than the wheels (neutral or clutch)" if idle > 0.5 else "several ratios occur"
    yield DataFlag(
        channels=("motor_speed", "speed"),
        evidence=f"{100 * others.size / ratio.size:.0f} % of the time it is off {middle:.2f} times the planned "
        f"one; {words}",
    )


@detector("wheel_slip", Severity.NOTE)
def _find_slip(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Driven wheels faster (spin) or slower (lock-up) than the vehicle for a moment."""
    pairs = (
        ("speed", "gnss_speed", 1.0),
        ("motor_speed", "speed", survey.metres_per_motor_radian),
        ("wheel_speed", "speed", 1.0),
    )
    for driven, reference, factor in pairs:
        if not survey.has(driven, reference):
            continue
        fast, true = np.abs(survey.on_grid(driven)) * factor, survey.on_grid(reference)
        both = np.isfinite(fast) & np.isfinite(true)
        rolling = both & (true > 3.0)
        if rolling.sum() < 50:
            continue
        usual = float(np.median(fast[rolling] / true[rolling]))
        if usual <= 0.0:
            continue
        fast = fast / usual
        width = 2 * int(np.ceil(1.5 / survey.period_s)) + 1
        highest = highest_near(np.nan_to_num(true), width)
        lowest = -highest_near(-np.nan_to_num(true), width)
        slipping = both & ((fast > 1.15 * highest + 1.0) | ((fast < 0.75 * lowest - 1.0) & (lowest > 3.0)))
        brief = lasting(slipping, 0.2, 8.0, each=survey.period_s)
        if not brief.any() or slipping.mean() > 0.05:
            continue
        excess = float(np.nanmax(np.abs(fast - true)[brief]))
        yield DataFlag(
            channels=(driven, reference),
            evidence=f"{driven.replace('_', ' ')} is up to {measure(3.6 * excess, 'km/h')} away from "
            f"{reference.replace('_', ' ')}",
            spans=spans_of(survey.time_s, brief),
            effect_wh_per_km=_extra_distance_effect(survey, fast, true, brief) if driven == "speed" else 0.0,
        )
        return


def _extra_distance_effect(survey: DriveSurvey, fast: FloatArray, true: FloatArray, where: BoolArray) -> float | None:
    extra_km = float(np.nansum((fast - true)[where])) * survey.period_s / 1000.0
    left_km = survey.distance_km - extra_km
    return survey.net_times(extra_km / left_km) if left_km > 0.0 else None


@detector("speed_dropout", Severity.AMBER, needs="speed")
def _find_dropout(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Speed reads zero for a moment while the vehicle rolls on."""
    time_s, speed = survey.samples("speed")
    if speed.size < 50:
        return
    zero = np.abs(speed) < 0.05
    starts, lengths = true_runs(zero)
    inner = (starts > 0) & (starts + lengths < speed.size)
    starts, lengths = starts[inner], lengths[inner]
    before, after = speed[starts - 1], speed[starts + lengths]
    step_s = time_s[starts + lengths] - time_s[starts - 1]
    # From the last speed to zero and back within this time would take more than 1.2 g.
    dropped = (np.minimum(before, after) > 1.0) & ((before + after) / np.maximum(step_s, 1e-6) > 12.0)
    if not dropped.any():
        return
    lost_m = float(np.sum(0.5 * (before + after)[dropped] * step_s[dropped]))
    yield DataFlag(
        channels=("speed",),
        evidence=f"{int(dropped.sum())} times, {measure(lost_m, 'm')} of distance lost",
        spans=spans_of(time_s, in_runs(speed.size, starts[dropped], lengths[dropped])),
        effect_wh_per_km=survey.net_times(-lost_m / (1000.0 * survey.distance_km + lost_m)),
    )


@detector("wheels_off_ground", Severity.RED, refuses=("consumption", "distance", "fit", "efficiency"))
def _find_lifted(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Wheels turn and the vehicle stands: jack stands, rollers or a dynamometer."""
    turning = np.nan_to_num(survey.on_grid("speed")) > 3.0
    turning |= np.abs(np.nan_to_num(survey.on_grid("motor_speed"))) * survey.metres_per_motor_radian > 3.0
    if survey.has("gnss_speed"):
        gnss = survey.on_grid("gnss_speed")
        still = np.isfinite(gnss) & (gnss < 0.7)
        witness = "satellite speed"
    elif survey.has("latitude", "longitude"):
        still = _is_at_one_place(survey)
        witness = "position"
    else:
        yield from _lifted_by_energy(survey)
        return
    lifted = lasting(turning & still, 10.0, each=survey.period_s)
    if lifted.any() and (lifted.sum() >= 0.5 * turning.sum() or lifted.sum() * survey.period_s > 30.0):
        turned_s = lifted.sum() * survey.period_s
        yield _lifted_flag(survey, lifted, f"wheels turn for {turned_s:.0f} s while the {witness} stands still")


def _is_at_one_place(survey: DriveSurvey) -> BoolArray:
    """Position moves by less than 5 m in 10 s, but is alive: it is not one frozen value throughout."""
    half = max(round(5.0 / survey.period_s), 1)
    north, east = survey.on_grid("latitude"), survey.on_grid("longitude")
    moved = np.full(north.shape, np.inf)
    if north.size > 2 * half and max(span_range(north[np.isfinite(north)]), span_range(east[np.isfinite(east)])) > 0.0:
        degrees = np.hypot(north[2 * half :] - north[: -2 * half], east[2 * half :] - east[: -2 * half])
        moved[half:-half] = degrees * METRES_PER_DEGREE
    return np.asarray(np.nan_to_num(moved, nan=np.inf) < 5.0)


def _lifted_by_energy(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Accelerations that cost next to nothing: there is no vehicle to accelerate."""
    needed, drawn = survey.wheel_power_w, survey.power_w
    hard = np.isfinite(needed) & np.isfinite(drawn) & (np.nan_to_num(needed) > 5000.0)
    if hard.sum() * survey.period_s < 5.0 or not survey.is_drive:
        return
    share = float(np.sum(drawn[hard]) / np.sum(needed[hard]))
    if abs(share) < 0.3:
        yield _lifted_flag(survey, hard, f"accelerations take {100 * share:.0f} % of what this vehicle's weight needs")


def _lifted_flag(survey: DriveSurvey, where: BoolArray, evidence: str) -> DataFlag:
    return DataFlag(
        channels=("speed", "motor_speed"), evidence=evidence, spans=spans_of(survey.time_s, where, min_samples=2)
    )
