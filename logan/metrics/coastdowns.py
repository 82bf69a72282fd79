"""Coastdowns: found or marked, fitted, paired, and corrected to reference conditions."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.drive import STATION_WIND_FACTOR, Air, Drive, air_of
from logan.drive.wheel_work import effective_mass_kg, vehicle_mass_kg
from logan.metrics.coastdown_fit import (
    MOST_RESIDUAL_M_PER_S,
    NO_THREE_TERMS,
    GroupFit,
    ThreeTermLoad,
    fit_group,
    three_term_load,
)
from logan.metrics.coastdown_runs import CoastdownSpan, coastdown_spans
from logan.metrics.metric import Metric
from logan.metrics.opposite_runs import are_opposite, paired
from logan.numerics import student_quantile
from logan.physics.air import dry_air_density_kg_per_m3
from logan.physics.tyre import temperature_factor
from logan.results import Estimate, Figure, Refusal, all_refused, result
from logan.settings import BuildSettings
from logan.units import (
    METRES_PER_SECOND_PER_MPH,
    STANDARD_GRAVITY_M_PER_S2,
    US_ROAD_LOAD_PRESSURE_PA,
    US_ROAD_LOAD_TEMPERATURE_DEGC,
    BoolArray,
    FloatArray,
)
from logan.units.sentences import measure

SPEED_65_MPH_M_PER_S: Final = 65.0 * METRES_PER_SECOND_PER_MPH
PRIOR_SCATTER_RATIO: Final = {"rolling": 0.02, "drag": 0.02, "force": 0.012}
"""Scatter of one pair in calm air, from simulation; it counts as much as a few pairs' own scatter."""

PRIOR_PAIRS: Final = 3
LINEAR_SHOWS_SIGMA: Final = 2.0
"""A linear term is spoken of from this many standard uncertainties on."""

SINGLE_RUN_WEIGHT_RATIO: Final = 0.1
SPEED_GAIN_SIGMA_RATIO: Final = 0.002
DENSITY_SIGMA_RATIO: Final = 0.004
ROTATING_SIGMA_RATIO: Final = 0.005
"""Shares of effective mass, air density and speed that no number of runs averages out."""


@result("coastdown-run/1")
class CoastdownRun:
    """One coastdown.

    Parameters
    ----------
    start_s, end_s : float
        When. [s]
    start_speed_m_per_s, end_speed_m_per_s : float
        From which speed to which.
    heading_deg : float or None
        Mean course; None where not logged.
    constant_n, quadratic_n_s2_per_m2 : float
        Force = constant + quadratic x speed squared, as driven. [N, N/(m/s)2]
    residual_m_per_s : float
        RMS of speed less its fit. [m/s]
    mean_grade_ratio : float or None
        Mean slope; None where height is not logged.
    pair : int or None
        Number of the pair that it belongs to; None where it has no opposite run.
    rejected : str
        Why it is left out; empty when it takes part.
    """

    start_s: float
    end_s: float
    start_speed_m_per_s: float
    end_speed_m_per_s: float
    heading_deg: float | None
    constant_n: float
    quadratic_n_s2_per_m2: float
    residual_m_per_s: float
    mean_grade_ratio: float | None
    pair: int | None
    rejected: str = ""


@result("coastdown-summary/1")
class CoastdownSummary:
    """Road load from all coastdowns, at 20 degC and 98.21 kPa (40 CFR 1066.805(c)).

    Parameters
    ----------
    runs : tuple of CoastdownRun
        All that were found.
    pair_count : int
        Pairs of opposite runs.
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : Figure
        A, B (held at zero) and C of the road load at reference conditions.
    three_term : ThreeTermLoad
        The same with B free; only pairs can tell it.
    drag_area_m2, rolling_coefficient : Figure
        Drag area, and rolling coefficient at 25 degrees Celsius.
    force_65_mph_n : Figure
        Force at 65 mph (29.0576 m/s) at reference conditions. [N]
    notes : tuple of str
        What was corrected, and what could not be.
    """

    runs: tuple[CoastdownRun, ...]
    pair_count: int
    constant_n: Figure
    linear_n_s_per_m: Figure
    quadratic_n_s2_per_m2: Figure
    drag_area_m2: Figure
    rolling_coefficient: Figure
    force_65_mph_n: Figure
    notes: tuple[str, ...]
    three_term: ThreeTermLoad = NO_THREE_TERMS


def coastdown_summary(drive: Drive, build: BuildSettings) -> CoastdownSummary:
    """Road load from the coastdowns of one drive, at reference conditions. Method: measured (28).

    Runs are paired with the nearest in the opposite direction; a pair shares wind and
    slope with opposite signs. Without a pair, wind and slope are as uncertain as their
    priors, and the interval says so.

    Parameters
    ----------
    drive : Drive
        The drive; a marker is not needed.
    build : BuildSettings
        Mass and rotating parts.

    Returns
    -------
    CoastdownSummary
        Coefficients with their intervals, or the reason why not.

    References
    ----------
    .. [1] 40 CFR 1066.305 and 1066.310 (coastdown), 1066.805(c) (reference conditions, 20 °C and 98.21 kPa).
    """
    spans = coastdown_spans(drive, build)
    if not spans:
        refusal = Refusal(
            f"no coastdown was found: at least {measure(8, 'm/s')} of falling speed without torque and brake",
            f"Coast from 70 to {measure(15, 'mph')} in neutral or with zero torque, both ways, in calm air",
        )
        return _refused((), refusal)
    air = air_of(drive)
    mass, inertia = vehicle_mass_kg(drive, build), effective_mass_kg(drive, build)

    def fitted(members: tuple[CoastdownSpan, ...], *, has_linear: bool = False) -> GroupFit | None:
        wind = _noted_headwind(drive, members[0])
        return fit_group(members, mass_kg=mass, effective_mass_kg=inertia, headwind_m_per_s=wind, has_linear=has_linear)

    groups = paired(spans, lambda one, other: are_opposite(one.heading_deg, other.heading_deg))
    fits = [(members, fitted(members)) for members in groups]
    runs = _runs(fits)
    usable = [
        (members, fit)
        for members, fit in fits
        if fit is not None and max(fit.residual_m_per_s) <= MOST_RESIDUAL_M_PER_S
    ]
    if not usable:
        return _refused(runs, Refusal("no coastdown follows a road load", "Check brakes, gear and wind; coast longer"))
    scale = _Scale(drive, build, air)
    free = [fitted(members, has_linear=True) for members, _ in usable if len(members) == 2]
    summary = _combined(runs, usable, scale, air)
    return _with_three_terms(summary, [fit for fit in free if fit is not None], scale)


def _with_three_terms(summary: CoastdownSummary, fits: list[GroupFit], scale: _Scale) -> CoastdownSummary:
    """Add A, B and C with B free, and say so where B shows."""
    if not fits:
        return summary
    load = three_term_load(fits, constant_factor=scale.constant, quadratic_factor=scale.quadratic)
    notes, linear = summary.notes, load.linear_n_s_per_m
    if isinstance(linear, Estimate) and abs(linear.value) > LINEAR_SHOWS_SIGMA * linear.spread:
        term = f"{linear.value:+.1f} ± {measure(linear.spread, 'N/(m/s)', '.1f')}"
        notes = (*notes, f"a linear term shows: {term}; CdA and Crr hold it at zero and take their parts of it")
    return replace(summary, three_term=load, notes=notes)


def _refused(runs: tuple[CoastdownRun, ...], refusal: Refusal) -> CoastdownSummary:
    return all_refused(CoastdownSummary, refusal, runs=runs, pair_count=0, notes=(refusal.reason,))


def _noted_headwind(drive: Drive, span: CoastdownSpan) -> float:
    logged, noted = drive.get("headwind"), drive.conditions
    if logged is not None:
        value = logged.between(span.start_s, span.end_s).value
        if value.size:
            return float(value.mean())
    if noted.wind_m_per_s is None or noted.wind_from_deg is None or span.heading_deg is None:
        return 0.0
    along = np.cos(np.radians(noted.wind_from_deg - span.heading_deg))
    return float(noted.wind_m_per_s * along) * STATION_WIND_FACTOR


def _runs(fits: list[tuple[tuple[CoastdownSpan, ...], GroupFit | None]]) -> tuple[CoastdownRun, ...]:
    """Every run in the order of time, with the fit of its group."""
    found: list[CoastdownRun] = []
    pair = 0
    for members, fit in fits:
        pair += len(members) == 2
        rejected = ""
        if fit is None:
            rejected = "no road load fits it"
        elif max(fit.residual_m_per_s) > MOST_RESIDUAL_M_PER_S:
            strays = measure(max(fit.residual_m_per_s), "m/s", ".2f")
            rejected = f"speed strays by {strays} from any road load: wind, slope or brake"
        found += [
            CoastdownRun(
                start_s=span.start_s,
                end_s=span.end_s,
                start_speed_m_per_s=float(span.speed_m_per_s[0]),
                end_speed_m_per_s=float(span.speed_m_per_s[-1]),
                heading_deg=span.heading_deg,
                constant_n=float("nan") if fit is None else fit.constant_n,
                quadratic_n_s2_per_m2=float("nan") if fit is None else fit.quadratic_n_s2_per_m2,
                residual_m_per_s=float("nan") if fit is None else fit.residual_m_per_s[place],
                mean_grade_ratio=span.mean_grade_ratio,
                pair=pair if len(members) == 2 else None,
                rejected=rejected,
            )
            for place, span in enumerate(members)
        ]
    return tuple(sorted(found, key=lambda run: run.start_s))


class _Scale:
    """What turns A and C as driven into other quantities, and how unsure that is; all are linear in the two."""

    def __init__(self, drive: Drive, build: BuildSettings, air: Air) -> None:
        coefficient, mass = build.vehicle.rolling_temperature_coefficient_per_k, build.vehicle.mass_kg
        as_driven, at_reference = (
            float(temperature_factor(degc, coefficient.value))
            for degc in (air.temperature_degc, US_ROAD_LOAD_TEMPERATURE_DEGC)
        )
        reference_density = float(dry_air_density_kg_per_m3(US_ROAD_LOAD_TEMPERATURE_DEGC, US_ROAD_LOAD_PRESSURE_PA))
        self.constant, self.quadratic = at_reference / as_driven, reference_density / air.density_kg_per_m3
        self.rolling = 1.0 / as_driven / (vehicle_mass_kg(drive, build) * STANDARD_GRAVITY_M_PER_S2)
        self.drag_area = 2.0 / air.density_kg_per_m3
        # How far the tyre's temperature law may be wrong, from where it was driven to 25 and to 20 °C.
        self.rolling_sigma_ratio = coefficient.sigma * abs(air.temperature_degc - 25.0)
        self.constant_sigma_ratio = coefficient.sigma * abs(air.temperature_degc - US_ROAD_LOAD_TEMPERATURE_DEGC)
        self.mass_sigma_ratio = float(np.hypot(mass.sigma / mass.value, ROTATING_SIGMA_RATIO))


def _combined(
    runs: tuple[CoastdownRun, ...],
    usable: list[tuple[tuple[CoastdownSpan, ...], GroupFit]],
    scale: _Scale,
    air: Air,
) -> CoastdownSummary:
    fits = [fit for _, fit in usable]
    pairs = np.array([len(members) == 2 for members, _ in usable])
    systematic = float(np.hypot(scale.mass_sigma_ratio, SPEED_GAIN_SIGMA_RATIO))
    drag = float(np.hypot(systematic, np.hypot(DENSITY_SIGMA_RATIO, 2.0 * SPEED_GAIN_SIGMA_RATIO)))
    rotating = float(np.hypot(ROTATING_SIGMA_RATIO, scale.rolling_sigma_ratio))

    def figure(of_a: float, of_c: float, unit: str, kind: str, fixed_ratio: float) -> Estimate:
        value, sigma = _mean(np.array([of_a, of_c]), fits, pairs, PRIOR_SCATTER_RATIO[kind])
        return Estimate(value, unit, float(np.hypot(sigma, fixed_ratio * abs(value))), "coastdown")

    notes = ["rolling part holds tires, bearings, reduction gear and rotor as driven", *air.assumed]
    if not pairs.all():
        notes.append("runs without one in the opposite direction are as unsure as wind and slope")
    if not pairs.any():
        notes.append("no pair: drive the same stretch both ways")
    notes += [
        f"wind along the road fitted: {measure(fit.headwind_m_per_s, 'm/s', '+.1f')}"
        for fit in fits
        if abs(fit.headwind_m_per_s) > 0.5
    ]
    at_65_mph = scale.quadratic * SPEED_65_MPH_M_PER_S**2
    return CoastdownSummary(
        runs=runs,
        pair_count=int(pairs.sum()),
        constant_n=figure(scale.constant, 0.0, "N", "rolling", float(np.hypot(systematic, scale.constant_sigma_ratio))),
        linear_n_s_per_m=Estimate(0.0, "N s/m", None, "held at zero, as in 40 CFR 1066.310"),
        quadratic_n_s2_per_m2=figure(0.0, scale.quadratic, "N s2/m2", "drag", drag),
        drag_area_m2=figure(0.0, scale.drag_area, "m2", "drag", drag),
        # Weighed mass is in both force and weight, so only the rotating parts' share is left.
        rolling_coefficient=figure(scale.rolling, 0.0, "ratio", "rolling", rotating),
        force_65_mph_n=figure(scale.constant, at_65_mph, "N", "force", systematic),
        notes=tuple(notes),
    )


def _mean(parts: FloatArray, fits: list[GroupFit], pairs: BoolArray, prior_ratio: float) -> tuple[float, float]:
    """Weighted mean over groups and its uncertainty, from their scatter and from what one pair is known to scatter.

    Averaged is a quantity that is ``parts`` times A and C.
    """
    values = np.array([(fit.constant_n, fit.quadratic_n_s2_per_m2) for fit in fits]) @ parts
    formal = np.sqrt(np.maximum([parts @ fit.covariance @ parts for fit in fits], 0.0))
    typical = np.where(pairs, prior_ratio * np.abs(values), prior_ratio * np.abs(values) / SINGLE_RUN_WEIGHT_RATIO**0.5)
    weight = 1.0 / (formal**2 + typical**2)
    mean = float(np.sum(weight * values) / np.sum(weight))
    # Chi-square of the groups, with the prior scatter worth a few pairs: a few runs alone scatter by chance.
    chi = float(np.sum(weight * (values - mean) ** 2))
    freedom = PRIOR_PAIRS + values.size - 1
    factor = np.sqrt((PRIOR_PAIRS + chi) / freedom)
    wider = student_quantile(freedom, 0.841344746)
    # Runs in one direction share their unknown wind and slope: that part no number of them averages out.
    shared = float(np.sum((weight / np.sum(weight) * formal)[~pairs]))
    return mean, float(np.hypot(factor * wider / np.sqrt(np.sum(weight)), shared))


METRIC: Final = Metric(
    "coastdowns",
    CoastdownSummary,
    lambda asked: coastdown_summary(asked.drive, asked.build),
    lambda found: {
        "drag_area_m2": found.drag_area_m2,
        "rolling_coefficient_ratio": found.rolling_coefficient,
        "force_65_mph_n": found.force_65_mph_n,
    },
)
