"""Every source that makes the range unsure, in metres: sensors, parameters, usable energy, days, conditions."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.driving_range.prediction import ScenarioRange
from logan.driving_range.sensitivity import USABLE_LOSS, Tornado
from logan.driving_range.standpoint import USABLE_ENERGY
from logan.driving_range.uncertainty_budget import BudgetRow, UncertaintyBudget, uncertainty_budget
from logan.instruments.evidence import UNITS, UNKNOWNS, USABLE
from logan.model.fit_result import FitResult
from logan.model.parameters import PARAMETER_NAMES
from logan.model.unknowns import SHARED_NAMES
from logan.units import FloatArray

_ROAD: Final = tuple(PARAMETER_NAMES.index(name) for name in ("drag_area_m2", "rolling_coefficient"))
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


def range_budget(fit: FitResult, tornado: Tornado, elasticity: FloatArray, shown: ScenarioRange) -> UncertaintyBudget:
    """The budget of a scenario's range.

    Parameters
    ----------
    fit : FitResult
        With its sensors' errors.
    tornado : Tornado
        Of the same scenario: what conditions do.
    elasticity : ndarray, shape (p,)
        Of its consumption to the fit's shared vector. [any]
    shown : ScenarioRange
        The range as it is shown, which the budget belongs to.

    Returns
    -------
    UncertaintyBudget
        In metres, each row one standard uncertainty; gain and usable energy may be correlated, and the sum knows.
    """
    reach_m, days = shown.range_m.p50, max(fit.drive_count - 1, 1)
    drives = f"{fit.drive_count} drives"
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
        ),
        _day_row(
            "day to day: wind, traffic, tires",
            fit.between_drive_sigma_ratio,
            elasticity[list(_ROAD)].sum(),
            reach_m,
            days,
            drives,
        ),
        _day_row("day to day: auxiliaries", fit.auxiliary_sigma_ratio, elasticity[_AUXILIARY], reach_m, days, drives),
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
    rows += _condition_rows(tornado)
    joined = np.eye(len(rows))
    joined[: len(correlation), : len(correlation)] = correlation
    return uncertainty_budget(f"range, {tornado.scenario}", "m", reach_m, rows, joined)


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
            )
        )
    scale_of = np.where(known.sigma > 0.0, known.sigma, 1.0)
    correlation = known.covariance / np.outer(scale_of, scale_of)
    np.fill_diagonal(correlation, 1.0)
    return rows, correlation


def _day_row(source: str, sigma: float, elasticity: float, reach_m: float, days: int, drives: str) -> BudgetRow:
    return BudgetRow(
        source=source,
        evaluation="A",
        sigma=100.0 * sigma,
        unit="%",
        sensitivity=-float(elasticity) * reach_m / 100.0,
        degrees_of_freedom=days,
        basis=f"spread of {drives}",
    )


def _condition_rows(tornado: Tornado) -> list[BudgetRow]:
    """Answers to temperature, losses and warm-up: half the range's swing over one standard uncertainty each way."""
    rows = []
    for row in tornado.sensitivities:
        if row.name in SHARED_NAMES or row.name == USABLE_ENERGY:
            continue  # in the fit's own row
        sigma = 0.5 * (row.high - row.low)
        if sigma > 0.0:
            rows.append(
                BudgetRow(
                    source="usable energy in the cold" if row.name == USABLE_LOSS else row.name,
                    evaluation="B",
                    sigma=sigma,
                    unit=row.unit,
                    sensitivity=0.5 * (row.range_high_m - row.range_low_m) / sigma,
                    basis=row.source,
                )
            )
    return rows
