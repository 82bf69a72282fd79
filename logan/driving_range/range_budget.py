"""Every source that makes the range unsure, in metres: sensors, parameters, usable energy, days, conditions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from logan.driving_range.prediction import ScenarioRange
from logan.driving_range.sensitivity import USABLE_ENERGY, Standpoint
from logan.driving_range.uncertainty_budget import BudgetRow, UncertaintyBudget, uncertainty_budget
from logan.instruments.drive_evidence import (
    CURRENT_GAIN,
    CURRENT_ZERO,
    SPEED_GAIN,
    UNITS,
    UNKNOWNS,
    USABLE,
    VOLTAGE_GAIN,
)
from logan.model.fit_result import FitResult
from logan.model.parameters import PARAMETER_NAMES
from logan.model.unknowns import SHARED_NAMES
from logan.units import FloatArray

_ROAD: Final = tuple(PARAMETER_NAMES.index(name) for name in ("drag_area_m2", "rolling_coefficient"))
TOLD_BY: Final = {
    CURRENT_GAIN: "a clamp meter or a wall meter",
    VOLTAGE_GAIN: "a multimeter at the pack",
    SPEED_GAIN: "GPS",
    CURRENT_ZERO: "current logged with the contactors open",
    USABLE: "a run from full to empty",
}
"""What no number of drives tells, and what would."""
VEHICLE_TOLD_BY: Final = "a truck scale, driven wheels in the air at three speeds"
"""Mass, CdA and efficiency together; Crr against driveline drag; CdA against what rises with speed."""
DAY_ROAD: Final = "day to day: wind, traffic, tires"
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
    found[UNKNOWNS.index(USABLE)] += 1.0
    return np.asarray(found)


def plan_budget(
    standpoint: Standpoint, rows: Sequence[BudgetRow], shown: ScenarioRange, day_sigmas: tuple[float, float]
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
        From drive to drive: of road load, and of the auxiliaries. [ratio]

    Returns
    -------
    UncertaintyBudget
        In metres.
    """
    reach_m, size, parameters = shown.range_m.p50, len(PARAMETER_NAMES), standpoint.parameters
    joined = np.eye(len(rows) + 2)
    scale = np.where(parameters.log_sigma > 0.0, parameters.log_sigma, 1.0)
    joined[:size, :size] = parameters.log_covariance / np.outer(scale, scale)
    np.fill_diagonal(joined, 1.0)
    moved_m = np.array([row.sensitivity for row in rows[:size]]) * parameters.median
    days = [
        _day_row(name, sigma, float(moved), None, "common practice, before any drive")
        for name, sigma, moved in zip(
            (DAY_ROAD, DAY_AUXILIARY), day_sigmas, (moved_m[list(_ROAD)].sum(), moved_m[_AUXILIARY]), strict=True
        )
    ]
    return uncertainty_budget(f"range, {shown.name}", "m", reach_m, [*rows, *days], joined)


def range_budget(
    fit: FitResult, assumptions: Sequence[BudgetRow], elasticity: FloatArray, shown: ScenarioRange
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

    Returns
    -------
    UncertaintyBudget
        In metres, each row one standard uncertainty; gain and usable energy may be correlated, and the sum knows.
    """
    reach_m, count = shown.range_m.p50, fit.drive_count
    drives = f"{count} drives"
    spread = f"spread of {drives}"
    rows, correlation = _sensor_rows(fit, elasticity, reach_m)
    inner = float(elasticity @ _inner_covariance(fit) @ elasticity)
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
        _day_row(DAY_ROAD, fit.between_drive_sigma_ratio, -reach_m * elasticity[list(_ROAD)].sum(), count, spread),
        _day_row(DAY_AUXILIARY, fit.auxiliary_sigma_ratio, -reach_m * elasticity[_AUXILIARY], count, spread),
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
    joined = np.eye(len(rows))
    joined[: len(correlation), : len(correlation)] = correlation
    return uncertainty_budget(f"range, {shown.name}", "m", reach_m, rows, joined)


def _inner_covariance(fit: FitResult) -> FloatArray:
    """Of the shared vector, were the sensors exact."""
    return fit.shared_covariance if fit.sensors is None else fit.sensors.conditional_covariance


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
                sigma=scale * (found.sigma or 0.0),
                unit="%" if is_ratio else found.unit,
                sensitivity=float(moved[index]) / scale,
                basis=found.source,
                told_by=TOLD_BY.get(name, ""),
            )
        )
    scale_of = np.where(known.sigma > 0.0, known.sigma, 1.0)
    correlation = known.covariance / np.outer(scale_of, scale_of)
    np.fill_diagonal(correlation, 1.0)
    return rows, correlation


def _day_row(source: str, sigma: float, moved_m: float, drives: int | None, basis: str) -> BudgetRow:
    return BudgetRow(
        source=source,
        evaluation="B" if drives is None else "A",
        sigma=100.0 * sigma,
        unit="%",
        sensitivity=float(moved_m) / 100.0,
        degrees_of_freedom=np.inf if drives is None else max(drives - 1, 1),
        basis=basis,
    )
