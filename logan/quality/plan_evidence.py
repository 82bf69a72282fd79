"""Physics and the plan as evidence: does the pack's energy fit the work done, and what this vehicle can take?"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.drive.logged_loads import robust_slopes
from logan.numerics import integrate, lasting
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, centred_mean, spans_of, within
from logan.results import DataFlag, Severity, Span
from logan.units import FloatArray

_RISES: Final = ((5.0, 0.35), (3.0, 0.2))
"""Least rise of speed [m/s] and mean acceleration [m/s2]; the gentler ones where too few are brisk (mph for km/h)."""
_FALLS_BACK_M_PER_S: Final = 0.7
_LONGEST_RISE_S: Final = 60.0
_FEWEST_RISES: Final = 4
_PLAN_SIGMA: Final = 0.05
"""Of pack energy over planned work in accelerations, beside the mass: slopes, losses, spin (common practice)."""
_WRONG_RATIO: Final = 1.35
_WRONG_SIGMAS: Final = 3.5
_ODD_RATIO: Final = 1.15
_ODD_SIGMAS: Final = 2.5
_ODD_RATIO_OF_BOTH: Final = 1.1
_GEAR_EFFICIENCY: Final = 0.97
"""From the motor's shaft to the wheels (common practice)."""
_TORQUE_SIGMA: Final = 0.05
"""Of the scale of a logged torque (common practice)."""
_MOST_OF_PLAN: Final = 2.0
_FAR_FROM_PLAN: Final = 1.5
_REFUSES: Final = ("net_energy", "consumption", "distance", "regen", "efficiency", "fit")


def _accelerations(survey: DriveSurvey, least_m_per_s: float, least_m_per_s2: float) -> list[Span]:
    """Stretches in which the speed rises without falling back."""
    known = np.isfinite(survey.speed_m_per_s)
    time_s, speed = survey.time_s[known], survey.smooth(survey.speed_m_per_s)[known]
    found: list[Span] = []
    low = high = 0
    for k in range(1, speed.size):
        if speed[k] > speed[high]:
            high = k
        if speed[k] < speed[high] - _FALLS_BACK_M_PER_S or k == speed.size - 1:
            rise, lasting = float(speed[high] - speed[low]), float(time_s[high] - time_s[low])
            if rise >= least_m_per_s and least_m_per_s2 * lasting <= rise and lasting <= _LONGEST_RISE_S:
                found.append(Span(float(time_s[low]), float(time_s[high])))
            low = high = k
        if speed[k] < speed[low]:
            low = high = k
    return found


def acceleration_ratio(survey: DriveSurvey) -> tuple[float, float, int] | None:
    """Pack energy over what the plan asks for in accelerations, its relative uncertainty and their number.

    Method: admission (2).
    """
    found = (_acceleration_ratio(survey, *least) for least in _RISES) if survey.is_drive else ()
    return next((ratio for ratio in found if ratio is not None), None)


def _acceleration_ratio(survey: DriveSurvey, *least: float) -> tuple[float, float, int] | None:
    vehicle, train = survey.build.vehicle, survey.build.powertrain
    wanted = survey.wheel_power_w / train.drive_efficiency.value + survey.unlogged_base_w[0] + survey.logged_load_w
    given = survey.power_w
    both = np.isfinite(wanted) & np.isfinite(given)
    pairs = []
    for span in _accelerations(survey, *least):
        inside = within(survey.time_s, (span,))
        if inside.sum() >= 4 and both[inside].all():
            pairs.append((float(np.sum(given[inside])), float(np.sum(wanted[inside]))))
    if len(pairs) < _FEWEST_RISES:
        return None
    given_sum, wanted_sum = np.sum(pairs, axis=0)
    if wanted_sum <= 0.0 or given_sum <= 0.0:
        return float(given_sum / max(wanted_sum, 1.0)), 0.0, len(pairs)
    ratio = given_sum / wanted_sum
    scatter = float(np.sqrt(np.sum([(g - ratio * w) ** 2 for g, w in pairs]))) / given_sum
    mass = vehicle.mass_kg.sigma / vehicle.mass_kg.value
    efficiency = train.drive_efficiency.sigma / train.drive_efficiency.value
    sigma = float(np.sqrt(scatter**2 + mass**2 + efficiency**2 + _PLAN_SIGMA**2))
    return float(ratio), sigma, len(pairs)


def plan_ratio(survey: DriveSurvey) -> float | None:
    """Net pack energy over what the plan asks for on this very drive, loads that are logged among it."""
    if not survey.is_drive:
        return None
    train = survey.build.powertrain
    wheel = survey.wheel_power_w
    limit_w = np.inf if train.regen_power_limit_w is None else train.regen_power_limit_w
    returned = np.maximum(wheel, -limit_w) * train.regen_efficiency.value
    wanted = np.where(wheel > 0.0, wheel / train.drive_efficiency.value, returned)
    wanted = wanted + survey.unlogged_base_w[0] + survey.logged_load_w
    known = np.isfinite(wanted) & np.isfinite(survey.power_w) & ~survey.is_charging
    planned_j = integrate(survey.time_s, np.where(known, wanted, np.nan)).total
    given_j = integrate(survey.time_s, np.where(known, survey.power_w, np.nan)).total
    return given_j / planned_j if planned_j > 0.0 else None


def _traction_ratio(survey: DriveSurvey, spare_w: float) -> float:
    """Pack energy beyond all that auxiliaries could draw, over what the plan asks for at the wheels."""
    beyond_w = survey.power_w - survey.logged_load_w - survey.unlogged_base_w[0] - spare_w
    wheel_w = survey.wheel_power_w / survey.build.powertrain.drive_efficiency.value
    known = np.isfinite(beyond_w) & np.isfinite(wheel_w)
    return float(np.sum(np.maximum(beyond_w[known], 0.0)) / max(np.sum(np.maximum(wheel_w[known], 0.0)), 1.0))


@detector("acceleration_energy")
def _find_wrong_scale(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Accelerations cost what this mass can not cost: speed, current or voltage is scaled wrongly or late."""
    found = acceleration_ratio(survey)
    if found is None:
        return
    ratio, sigma, count = found
    off, sigma = abs(float(np.log(max(ratio, 1e-3)))), max(sigma, 1e-3)
    most = _WRONG_RATIO * (1.3 if ratio > 1.0 and survey.has_unlogged_climate else 1.0)
    is_red = off > float(np.log(most)) and off > _WRONG_SIGMAS * sigma
    words = (
        f"in {count} accelerations the pack gives {ratio:.2f} times what weight, road load and efficiency of the plan "
    )
    words += f"ask for (±{sigma:.2f})"
    least, shaft = _ODD_RATIO, _shaft_ratio(survey)
    if not is_red and shaft is not None and (ratio > 1.0) is (shaft[0] > 1.0):
        # Mass and slopes are no part of it: what both say is the pack's scale, or a poor drivetrain.
        weights = np.array([sigma**-2, shaft[1] ** -2])
        ratio = float(np.exp(np.average(np.log([max(ratio, 1e-3), shaft[0]]), weights=weights)))
        off, sigma, least = abs(float(np.log(ratio))), float(weights.sum()) ** -0.5, _ODD_RATIO_OF_BOTH
        words += f", and {shaft[0]:.2f} times what torque times motor speed asks for (±{shaft[1]:.2f})"
    if not is_red and (off < float(np.log(least)) or off < _ODD_SIGMAS * sigma or survey.has_unlogged_climate):
        return
    yield DataFlag(
        severity=Severity.RED if is_red else Severity.AMBER,
        channels=("pack_current", "speed"),
        evidence=words,
        effect_wh_per_km=None if is_red else survey.net_times(1.0 / ratio - 1.0),
        refuses=_REFUSES if is_red else (),
    )


def _shaft_ratio(survey: DriveSurvey) -> tuple[float, float] | None:
    """Pack energy over what torque times motor speed asks for, and its relative uncertainty; None where not logged."""
    found = shaft_efficiency(survey)
    if found is None or found[0] <= 0.0:
        return None
    planned = survey.build.powertrain.drive_efficiency
    sigma = float(np.hypot(planned.sigma / planned.value, _TORQUE_SIGMA))
    return min(planned.value / _GEAR_EFFICIENCY, 1.0) / found[0], sigma


@detector("far_from_plan")
def _find_far_from_plan(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Whole drives that use what no vehicle of that mass and drag can use, or a multiple of the plan.

    Method: admission (3).
    """
    ratio = plan_ratio(survey)
    if ratio is None:
        return
    auxiliary = survey.build.auxiliary
    spare_w = max(auxiliary.heater_limit_w, auxiliary.air_conditioning_limit_w) if survey.has_unlogged_climate else 0.0
    hours = survey.time_s.size * survey.period_s / 3600.0
    spare = spare_w * hours / max(abs(survey.net_wh), 1.0) * max(ratio, 0.0)
    is_red = ratio <= 1.0 / _MOST_OF_PLAN or _traction_ratio(survey, spare_w) > _MOST_OF_PLAN
    if not is_red and 1.0 / _FAR_FROM_PLAN < ratio < _FAR_FROM_PLAN + spare:
        return
    yield DataFlag(
        severity=Severity.RED if is_red else Severity.AMBER,
        channels=("pack_current", "speed"),
        evidence=f"{survey.net_wh:.0f} Wh, {ratio:.2f} times what the plan asks for on these speeds and hills",
        effect_wh_per_km=survey.net_times(1.0 / ratio - 1.0) if is_red and ratio > 0.0 else None,
        refuses=_REFUSES if is_red else (),
    )


_LEAST_W: Final = 1500.0
_LEAST_S: Final = 60.0
_SMOOTH_S: Final = 45.0
_TIMES_SPREAD: Final = 5.0
_LEAST_KNOWN_S: Final = 180.0
_LEAST_WH: Final = 40.0
_LEAST_SHARE: Final = 0.01


def unexplained_w(survey: DriveSurvey) -> tuple[FloatArray, str] | None:
    """Pack power beside drive, logged loads and base, smoothed over three quarters of a minute, and by what.

    Method: admission (4).

    Returns
    -------
    tuple of ndarray, shape (n,), and str, or None
        On the survey's grid, NaN where unknown [W]; and the words for what drives. None where too little is known.
    """
    if not survey.is_drive:
        return None
    shaft, words = survey.shaft_power_w, "torque times motor speed"
    if survey.has("motor_torque") and not survey.has("motor_speed"):
        turning = survey.speed_m_per_s / survey.metres_per_motor_radian
        shaft, words = survey.on_grid("motor_torque") * turning, "torque times road speed and gearing"
    if not survey.has("motor_torque"):
        shaft, words = survey.wheel_power_w, "the plan's road load"
    drive, pack = survey.smooth(shaft), survey.smooth(survey.power_w) - survey.logged_load_w
    known = np.isfinite(drive) & np.isfinite(pack) & ~survey.is_charging
    if known.sum() * survey.period_s < _LEAST_KNOWN_S:
        return None
    index = np.flatnonzero(known)[:: max(round(1.0 / survey.period_s), 1)]
    columns = np.column_stack([np.ones(index.shape), np.maximum(drive[index], 0.0), np.minimum(drive[index], 0.0)])
    slope, _ = robust_slopes(pack[index], columns, survey.time_s[index])
    base_w, sigma_w = survey.unlogged_base_w
    # A load that runs nearly all the time stands in the constant: no more than the base is taken for the base.
    level_w = float(np.clip(slope[0], base_w - 3.0 * sigma_w, base_w + 3.0 * sigma_w))
    left = pack - level_w - slope[1] * np.maximum(drive, 0.0) - slope[2] * np.minimum(drive, 0.0)
    left = np.where(known, left, np.nan)
    return centred_mean(left, max(round(0.5 * _SMOOTH_S / survey.period_s), 1)), words


def _find(survey: DriveSurvey, sign: float) -> Iterator[DataFlag]:
    found = unexplained_w(survey)
    if found is None:
        return
    left, words = found
    known = left[np.isfinite(left)]
    spread_w = 1.4826 * float(np.median(np.abs(known - np.median(known))))
    condition = np.nan_to_num(sign * left) > max(_LEAST_W, _TIMES_SPREAD * spread_w)
    spans = spans_of(survey.time_s, lasting(condition, _LEAST_S, each=survey.period_s))
    energy_wh = sum(_energy_wh(survey, left, span) for span in spans)
    if abs(energy_wh) < max(_LEAST_WH, _LEAST_SHARE * abs(survey.net_wh)):
        return
    total_s = sum(span.duration_s for span in spans)
    yield DataFlag(
        channels=("pack_current",),
        evidence=f"{3.6 * energy_wh / total_s:+.1f} kW for {total_s / 60.0:.0f} min, {energy_wh:+.0f} Wh beside "
        f"{words}",
        spans=spans,
        effect_wh_per_km=survey.per_km(-energy_wh),
    )


_LOAD: Final = detector("load_nobody_logged", Severity.AMBER)(lambda survey: _find(survey, 1.0))
_SOURCE: Final = detector("energy_from_nowhere", Severity.AMBER)(lambda survey: _find(survey, -1.0))


def _energy_wh(survey: DriveSurvey, left: FloatArray, span: Span) -> float:
    return float(np.nansum(left[within(survey.time_s, (span,))])) * survey.period_s / 3600.0


_HIGHEST_EFFICIENCY: Final = 0.97
_LOWEST_EFFICIENCY: Final = 0.6
_MORE_THAN_PACK: Final = 1.25
"""Charging on the way may put some back that is counted as regenerated."""


def shaft_efficiency(survey: DriveSurvey) -> tuple[float, float] | None:
    """Return mechanical over electrical energy while driving, and the electrical energy [Wh]; None where not logged."""
    if not survey.has("motor_torque", "motor_speed") or not survey.is_drive:
        return None
    mechanical, base_w = survey.shaft_power_w, survey.unlogged_base_w[0]
    electrical = survey.power_w - survey.logged_load_w - base_w
    driving = np.isfinite(mechanical) & np.isfinite(electrical) & (np.nan_to_num(mechanical) > 3000.0)
    if driving.sum() * survey.period_s < 20.0:
        return None
    taken_w = float(np.sum(electrical[driving]))
    if taken_w <= 0.0:
        return None
    return float(np.sum(mechanical[driving])) / taken_w, taken_w * survey.period_s / 3600.0


@detector("efficiency_above_one", Severity.RED, refuses=("efficiency", "fit"))
def _find_above_one(survey: DriveSurvey) -> Iterator[DataFlag]:
    shaft = shaft_efficiency(survey)
    if shaft is None or shaft[0] <= 1.02:
        return
    ratio = shaft[0]
    evidence = f"torque times motor speed is {100 * ratio:.0f} % of the electrical energy ({shaft[1]:.0f} Wh)"
    planned = survey.build.powertrain.drive_efficiency.value
    yield DataFlag(
        channels=("pack_current", "pack_voltage", "motor_torque"),
        evidence=evidence,
        effect_wh_per_km=survey.net_times(ratio / planned - 1.0),
    )


@detector("implied_efficiency", Severity.AMBER)
def _find_odd_efficiency(survey: DriveSurvey) -> Iterator[DataFlag]:
    shaft = shaft_efficiency(survey)
    if shaft is None or shaft[0] > 1.02 or _LOWEST_EFFICIENCY <= shaft[0] <= _HIGHEST_EFFICIENCY:
        return
    ratio = shaft[0]
    words = "too good" if ratio > _HIGHEST_EFFICIENCY else "poor"
    planned = survey.build.powertrain.drive_efficiency.value
    yield DataFlag(
        channels=("pack_current", "motor_torque"),
        title=f"The drivetrain seems {words}",
        evidence=f"torque times motor speed over electrical power is {100 * ratio:.0f} % while driving; "
        f"{100 * _LOWEST_EFFICIENCY:.0f} to {100 * _HIGHEST_EFFICIENCY:.0f} % is usual",
        effect_wh_per_km=survey.net_times(ratio / planned - 1.0),
    )


@detector("friction_braking_unlogged", Severity.AMBER, effect_wh_per_km=0.0)
def _find_friction(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Braking work that does not come back, in a drive that logs no brake."""
    if survey.has("brake_switch") or survey.has("brake_pressure") or not survey.is_drive:
        return
    needed = survey.wheel_power_w
    drawn = survey.smooth(survey.power_w) - survey.logged_load_w - survey.unlogged_base_w[0]
    braking = np.isfinite(needed) & np.isfinite(drawn) & (np.nan_to_num(needed) < -3000.0)
    if braking.sum() * survey.period_s < 5.0:
        return
    wanted = survey.build.powertrain.regen_efficiency.value * -needed[braking]
    missing_wh = float(np.sum(np.maximum(wanted + np.minimum(drawn[braking], 0.0), 0.0))) * survey.period_s / 3600.0
    wanted_wh = float(np.sum(wanted)) * survey.period_s / 3600.0
    if missing_wh < max(0.25 * wanted_wh, 10.0):
        return
    yield DataFlag(
        channels=("speed",),
        evidence=f"braking would give back {wanted_wh:.0f} Wh, {missing_wh:.0f} Wh of it never arrive",
        spans=spans_of(survey.time_s, braking, min_samples=2),
    )


@detector("energy_above_pack", Severity.RED, refuses=("net_energy", "consumption", "regen", "fit"))
def _find_above_pack(survey: DriveSurvey) -> Iterator[DataFlag]:
    pack = survey.build.pack
    cells = pack.cells_in_series * pack.cells_in_parallel
    held_wh = cells * pack.cell_capacity_ah.value * pack.cell_nominal_voltage_v
    if survey.net_wh <= _MORE_THAN_PACK * held_wh:
        return
    times = 1000 ** max(round(np.log10(survey.net_wh / held_wh) / 3.0), 1)
    yield DataFlag(
        channels=("pack_current", "pack_voltage"),
        evidence=f"{survey.net_wh / 1000:,.1f} kWh net in {survey.time_s[-1] / 60:,.0f} min; the pack of the plan "
        f"holds {held_wh / 1000:.1f} kWh when new",
        remedy=f"Likely the times are {times:,} times too long (ms taken for s?): import again with --columns time=ms "
        "(or us); else check the scale of current and voltage, and the pack in build.toml",
    )
