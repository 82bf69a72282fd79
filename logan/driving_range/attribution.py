"""Why the refined prediction differs from the plan, and every source that makes the range unsure, in metres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.driving_range.other_values import environment_by
from logan.driving_range.prediction import ScenarioRange
from logan.driving_range.scenarios import ROAD_COLUMNS, PreparedScenario, scenario_consumption_wh_per_km
from logan.driving_range.sensitivity import REGEN_LIMIT, USABLE_ENERGY, Standpoint
from logan.driving_range.uncertainty_budget import BudgetRow, UncertaintyBudget, correlation_of, uncertainty_budget
from logan.driving_range.usable_energy import available_share_ratio
from logan.instruments.drive_evidence import UNITS, UNKNOWNS, Sensor
from logan.model.fit_result import FitResult
from logan.model.parameters import ENVIRONMENT_UNITS, PARAMETER_NAMES, PARAMETER_UNITS
from logan.model.unknowns import SHARED_NAMES
from logan.numerics import shapley
from logan.results import result
from logan.settings import BuildSettings
from logan.units import FloatArray, IntArray

AIR: Final = "air_pressure"
"""Step from the air that the plan was in to that of the drives."""

SPREAD: Final = "spread"
"""Step from the medians' own prediction to the middle of all samples; it has no value of its own."""


OTHERS: Final = "others"
"""All steps that a short table leaves out, as one; it has no value of its own either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributionStep:
    """What one assumption's change did.

    Parameters
    ----------
    name, unit : str
        Of the assumption.
    before, after : float
        Its median in the plan and refined; of the usable energy, what the scenario's cold and load leave;
        of the regen limit, infinity where there is none.
    consumption_change_wh_per_km : float
        Its share of the change in consumption. [Wh/km]
    range_change_m : float
        Its share of the change in range. [m]
    """

    name: str
    unit: str = ""
    before: float = math.inf
    after: float = math.inf
    consumption_change_wh_per_km: float
    range_change_m: float


@result("attribution/1")
class Attribution:
    """Plan to refined prediction in one scenario, step by step; the steps add up to the difference exactly.

    Parameters
    ----------
    scenario : str
        Of the prediction.
    consumption_before_wh_per_km, consumption_after_wh_per_km : float
        At the median assumptions, or the middle of the samples where it was laid between two predictions. [Wh/km]
    range_before_m, range_after_m : float
        Likewise, reserve and ageing taken off. [m]
    steps : tuple of AttributionStep
        Shapley values: the mean effect over every order of changing one after the other. Largest first.
    """

    scenario: str
    consumption_before_wh_per_km: float
    consumption_after_wh_per_km: float
    range_before_m: float
    range_after_m: float
    steps: tuple[AttributionStep, ...]

    def from_the_air_of(
        self, before: Standpoint, build: BuildSettings, planned: PreparedScenario, driven: PreparedScenario
    ) -> Attribution:
        """The same from the air that the plan was in, with a step to that of the drives; itself where they are one."""
        was_pa, is_pa = (found.parts[0].conditions.pressure_pa for found in (planned, driven))
        if was_pa == is_pa:
            return self
        used = float(_consumption_of_subsets([], before.medians, {}, before.seen_in(build), planned)[0])
        reach_m = 1000.0 * before.scenario_energy_wh(build, planned) / used
        step = AttributionStep(
            name=AIR,
            unit="Pa",
            before=was_pa,
            after=is_pa,
            consumption_change_wh_per_km=self.consumption_before_wh_per_km - used,
            range_change_m=self.range_before_m - reach_m,
        )
        steps = sorted((*self.steps, step), key=lambda one: -abs(one.range_change_m))
        return replace(self, consumption_before_wh_per_km=used, range_before_m=reach_m, steps=tuple(steps))

    def between(self, planned: ScenarioRange, refined: ScenarioRange) -> Attribution:
        """The same between two predictions as they are shown: what their spread adds to the medians is a last step."""
        used = planned.consumption.p50, refined.consumption.p50
        reach = planned.range_m.p50, refined.range_m.p50
        if not np.isfinite(reach).all():
            return self
        moved = (used[1] - used[0]) - (self.consumption_after_wh_per_km - self.consumption_before_wh_per_km)
        rest_m = (reach[1] - reach[0]) - (self.range_after_m - self.range_before_m)
        rest = AttributionStep(name=SPREAD, consumption_change_wh_per_km=moved, range_change_m=rest_m)
        return replace(
            self,
            consumption_before_wh_per_km=used[0],
            consumption_after_wh_per_km=used[1],
            range_before_m=reach[0],
            range_after_m=reach[1],
            steps=(*self.steps, rest),
        )


def attribute_change(
    before: Standpoint, after: Standpoint, build: BuildSettings, prepared: PreparedScenario
) -> Attribution:
    """Share the change of a prediction among the assumptions that changed.

    Parameters
    ----------
    before, after : Standpoint
        Plan and fit.
    build : BuildSettings
        The build.
    prepared : PreparedScenario
        Scenario of the prediction.

    Returns
    -------
    Attribution
        One step per assumption that changed.

    References
    ----------
    .. [1] L. S. Shapley, A value for n-person games, 1953: the only split that adds up, treats
       equals alike and gives nothing to what changes nothing.
    """
    old, new = before.medians, after.medians
    changed = [name for name in old if name != USABLE_ENERGY and old[name] != new[name]]
    changed = _that_matter(changed, old, new, before.seen_in(build), prepared)
    consumed = _consumption_of_subsets(changed, old, new, before.seen_in(build), prepared)
    limits_w = [
        math.inf if (limit_w := one.seen_in(build).powertrain.regen_power_limit_w) is None else limit_w
        for one in (before, after)
    ]
    if limits_w[0] != limits_w[1]:
        limited = _consumption_of_subsets(changed, old, new, after.seen_in(build), prepared)
        consumed = np.concatenate((consumed, limited))
        changed.append(REGEN_LIMIT)
        old[REGEN_LIMIT], new[REGEN_LIMIT] = limits_w
    energies_wh = [standpoint.scenario_energy_wh(build, prepared) for standpoint in (before, after)]
    # A scenario that gains energy has no range, so nothing can be said of its change.
    spent = np.where(consumed > 0, consumed, np.nan)
    ranges_m = np.concatenate([1000.0 * energy / spent for energy in energies_wh])
    count = len(changed)
    consumption_shares, range_shares_m = shapley(consumed, count), shapley(ranges_m, count + 1)
    share = available_share_ratio(build.target)
    old[USABLE_ENERGY], new[USABLE_ENERGY] = (energy / share for energy in energies_wh)
    units = dict(zip(PARAMETER_NAMES, PARAMETER_UNITS, strict=True)) | dict(ENVIRONMENT_UNITS)
    units |= {USABLE_ENERGY: "Wh", REGEN_LIMIT: "W"}
    steps = [
        AttributionStep(
            name=name,
            unit=units[name],
            before=old[name],
            after=new[name],
            consumption_change_wh_per_km=float(consumption_shares[index]) if index < count else 0.0,
            range_change_m=float(range_shares_m[index]),
        )
        for index, name in enumerate([*changed, USABLE_ENERGY])
    ]
    return Attribution(
        scenario=prepared.name,
        consumption_before_wh_per_km=float(consumed[0]),
        consumption_after_wh_per_km=float(consumed[-1]),
        range_before_m=float(ranges_m[0]),
        range_after_m=float(ranges_m[-1]),
        steps=tuple(sorted(steps, key=lambda step: -abs(step.range_change_m))),
    )


def _that_matter(
    changed: list[str], old: dict[str, float], new: dict[str, float], build: BuildSettings, prepared: PreparedScenario
) -> list[str]:
    """The changes without those that alone change nothing, nor do where all others are made: cabin heat in summer."""
    alone = 1 << np.arange(len(changed))
    every = 2 ** len(changed) - 1
    subsets = np.concatenate(([0, every], alone, every - alone))
    none, whole, *used = _consumption_of_subsets(changed, old, new, build, prepared, subsets)
    single, others = used[: len(changed)], used[len(changed) :]
    return [name for name, one, rest in zip(changed, single, others, strict=True) if one != none or rest != whole]


def _consumption_of_subsets(
    changed: list[str],
    old: dict[str, float],
    new: dict[str, float],
    build: BuildSettings,
    prepared: PreparedScenario,
    subsets: IntArray | None = None,
) -> FloatArray:
    """Consumption with subsets of the changes made, every one by default; bit k stands for change k. [Wh/km]"""
    subsets = np.arange(2 ** len(changed)) if subsets is None else subsets
    values = {name: np.full(subsets.size, value) for name, value in old.items()}
    for bit, name in enumerate(changed):
        values[name] = np.where(subsets >> bit & 1 == 1, new[name], old[name])
    parameters = np.stack([values[name] for name in PARAMETER_NAMES], axis=1)
    return scenario_consumption_wh_per_km(prepared, parameters, build, environment=environment_by(values))


TOLD_BY: Final = {
    Sensor.CURRENT_GAIN: "a clamp meter or a wall meter",
    Sensor.VOLTAGE_GAIN: "a multimeter at the pack",
    Sensor.SPEED_GAIN: "GPS",
    Sensor.CURRENT_ZERO: "current logged with the contactors open",
    Sensor.USABLE: "a run from full to empty",
}
"""What no number of drives tells, and what would."""
VEHICLE_TOLD_BY: Final = "a truck scale, driven wheels in the air at three speeds"
"""Mass, CdA and efficiency together; Crr against driveline drag; CdA against what rises with speed."""
DAY_ROAD: Final = "day to day: traffic, tires"
DAY_WIND: Final = "day to day: wind"
DAY_AUXILIARY: Final = "day to day: auxiliaries"
_AUXILIARY: Final = PARAMETER_NAMES.index("auxiliary_power_w")


def sensor_elasticity(fit: FitResult, elasticity: FloatArray) -> FloatArray:
    """Change of the log range per error of each sensor, and per log usable energy, in closed form.

    Parameters
    ----------
    fit : FitResult
        With its sensors' errors.
    elasticity : ndarray, shape (p,)
        Of the consumption to the fit's shared vector. [any]

    Returns
    -------
    ndarray, shape (6,)
        In the order of ``UNKNOWNS``: the usable energy's own is one, the others' is minus the gradient times G.
    """
    found = np.zeros(len(UNKNOWNS))
    if fit.sensors is not None:
        found = -elasticity @ fit.sensors.cross_covariance @ np.linalg.pinv(fit.sensors.instruments.covariance)
    found[UNKNOWNS.index(Sensor.USABLE)] += 1.0
    return np.asarray(found)


def plan_budget(
    standpoint: Standpoint, rows: Sequence[BudgetRow], shown: ScenarioRange, day_sigmas: tuple[float, float, float]
) -> UncertaintyBudget:
    """The budget of a range before any drive: every assumption, and the days.

    Parameters
    ----------
    standpoint : Standpoint
        The plan.
    rows : sequence of BudgetRow
        ``assumption_rows`` of the target's scenario, the six parameters first.
    shown : ScenarioRange
        The range as it is shown, which the budget belongs to.
    day_sigmas : tuple of float
        ``Standpoint.day_sigmas`` of the same scenario. [ratio]

    Returns
    -------
    UncertaintyBudget
        In metres.
    """
    reach_m, size, parameters = shown.range_m.p50, len(PARAMETER_NAMES), standpoint.parameters
    used = -np.array([row.sensitivity for row in rows[:size]]) * parameters.median / reach_m
    common = "common practice, before any drive"
    days = _day_rows(day_sigmas, reach_m, used[ROAD_COLUMNS].sum(), used[_AUXILIARY], None, common)
    return uncertainty_budget(
        f"range, {shown.name}", "m", reach_m, [*rows, *days], correlation_of(parameters.log_covariance)
    )


def range_budget(
    fit: FitResult,
    assumptions: Sequence[BudgetRow],
    elasticity: FloatArray,
    shown: ScenarioRange,
    day_sigmas: tuple[float, float, float],
) -> UncertaintyBudget:
    """The budget of a scenario's range.

    Parameters
    ----------
    fit : FitResult
        With its sensors' errors.
    assumptions : sequence of BudgetRow
        ``assumption_rows`` of the same scenario: what conditions do.
    elasticity : ndarray, shape (p,)
        Of its consumption to the fit's shared vector. [any]
    shown : ScenarioRange
        The range as it is shown, which the budget belongs to.
    day_sigmas : tuple of float
        ``Standpoint.day_sigmas`` of the same scenario. [ratio]

    Returns
    -------
    UncertaintyBudget
        In metres, each row one standard uncertainty; gain and usable energy may be correlated, and the sum knows.
    """
    reach_m, count = shown.range_m.p50, fit.drive_count
    drives = f"{count} drives"
    rows, correlation = _sensor_rows(fit, elasticity, reach_m)
    # Were the sensors exact.
    covariance = fit.shared_covariance if fit.sensors is None else fit.sensors.conditional_covariance
    inner = float(elasticity @ covariance @ elasticity)
    rows += [
        BudgetRow(
            source="vehicle, as the fit leaves it",
            evaluation="A",
            sigma=100.0 * max(inner, 0.0) ** 0.5,
            unit="%",
            sensitivity=-reach_m / 100.0,
            degrees_of_freedom=max(fit.segment_count - len(PARAMETER_NAMES), 1),
            basis=f"plan, {drives}, {len(fit.measurements)} measurements",
            told_by=VEHICLE_TOLD_BY,
        ),
        *_day_rows(
            day_sigmas, reach_m, elasticity[ROAD_COLUMNS].sum(), elasticity[_AUXILIARY], count, f"spread of {drives}"
        ),
    ]
    if shown.beyond_log_sigma:
        rows.append(
            BudgetRow(
                source="beyond what was driven",
                evaluation="B",
                sigma=100.0 * shown.beyond_log_sigma,
                unit="%",
                sensitivity=-reach_m / 100.0,
                basis="common practice",
            )
        )
    in_the_fits_own_row = (*SHARED_NAMES, USABLE_ENERGY)
    rows += [row for row in assumptions if row.source not in in_the_fits_own_row]
    return uncertainty_budget(f"range, {shown.name}", "m", reach_m, rows, correlation)


def _sensor_rows(fit: FitResult, elasticity: FloatArray, reach_m: float) -> tuple[list[BudgetRow], FloatArray]:
    if fit.sensors is None:
        return [], np.zeros((0, 0))
    known = fit.sensors.instruments
    moved = sensor_elasticity(fit, elasticity) * reach_m
    rows = []
    for index, name in enumerate(UNKNOWNS):
        found, is_ratio = known.of(name), UNITS[index] == "ratio"
        scale = 100.0 if is_ratio else 1.0
        rows.append(
            BudgetRow(
                source=name.replace("_", " "),
                evaluation="B",
                sigma=scale * found.spread,
                unit="%" if is_ratio else found.unit,
                sensitivity=float(moved[index]) / scale,
                basis=found.source,
                told_by=TOLD_BY.get(name, ""),
            )
        )
    return rows, correlation_of(known.covariance)


def _day_rows(
    sigmas: Sequence[float], reach_m: float, by_road: float, by_auxiliary: float, drives: int | None, basis: str
) -> list[BudgetRow]:
    """What days differ by, and how the log consumption goes with it; out and back there is no wind."""
    sources = (DAY_ROAD, by_road), (DAY_AUXILIARY, by_auxiliary), (DAY_WIND, 1.0)
    return [
        BudgetRow(
            source=source,
            evaluation="B" if drives is None else "A",
            sigma=100.0 * sigma,
            unit="%",
            sensitivity=-reach_m * float(used) / 100.0,
            degrees_of_freedom=np.inf if drives is None else max(drives - 1, 1),
            basis=basis,
        )
        for (source, used), sigma in zip(sources, sigmas, strict=True)
        if source != DAY_WIND or sigma > 1e-6
    ]
