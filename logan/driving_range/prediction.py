"""The driving range of each scenario as a distribution, from a plan or from a fit alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.driving_range.other_values import OtherValues, environment_by, planned_other_values
from logan.driving_range.scenarios import (
    ROAD_COLUMNS,
    Extrapolation,
    PreparedScenario,
    extrapolation_of,
    scenario_breakdown,
    scenario_consumption_wh_per_km,
    wind_slope,
)
from logan.driving_range.sensitivity import PLAN_LEVEL_SIGMA, PLAN_WIND_SIGMA_M_PER_S, Standpoint
from logan.driving_range.usable_energy import UsableEnergy, available_share_ratio
from logan.model.breakdown import ConsumptionBreakdown
from logan.model.parameters import EFFICIENCIES, PARAMETER_NAMES, ParameterDistribution
from logan.results import Quantiles, result
from logan.settings import BuildSettings, Target
from logan.units import FloatArray
from logan.wording import percent

PRIOR_DOMINATED: Final = "mostly your plan: fewer than two drives, so the plan's assumptions decide"

MOST_EFFICIENCY_RATIO: Final = 0.995
LEAST_MASS_RATIO: Final = 0.3
EFFICIENCY_COLUMNS: Final = [PARAMETER_NAMES.index(name) for name in EFFICIENCIES]
"""Columns of the parameters that no sample has above it."""


@result("scenario-range/1", eq=False)
class ScenarioRange:
    """Consumption and driving range in one scenario.

    Parameters
    ----------
    name, kind : str
        Of the scenario.
    consumption : Quantiles
        Net, at the pack terminals. [Wh/km]
    range_m : Quantiles
        Reserve and ageing taken off. [m]
    usable_energy : Quantiles
        At this scenario's temperature and load, before reserve and ageing. [Wh]
    probability_of_target : float
        Chance that the range reaches the build's target range, counted over the samples. [ratio]
    consumption_log_sigma, usable_log_sigma : float
        Relative standard uncertainties. [ratio]
    breakdown : ConsumptionBreakdown
        By cause as at the median parameters, brought to the middle of the consumption, shape (1,).
    mean_speed_m_per_s, ambient_temperature_degc, payload_kg : float
        Of the scenario; a mix shows those of its first part. [m/s, degC, kg]
    is_extrapolated : bool
        True when it lies beyond the speeds or temperatures driven.
    speed_beyond_m_per_s, temperature_beyond_k : float
        How far beyond; positive above, negative below, zero inside. [m/s, K]
    note : str
        In plain words; empty where there is nothing to say.
    beyond_log_sigma : float
        Relative uncertainty added for what lies beyond. [ratio]
    way : str
        "round trip", or for how much of the way; empty where it is driven one way.
    """

    name: str
    kind: str
    consumption: Quantiles
    range_m: Quantiles
    usable_energy: Quantiles
    probability_of_target: float
    consumption_log_sigma: float
    usable_log_sigma: float
    breakdown: ConsumptionBreakdown
    mean_speed_m_per_s: float
    ambient_temperature_degc: float
    payload_kg: float
    is_extrapolated: bool
    speed_beyond_m_per_s: float
    temperature_beyond_k: float
    note: str
    beyond_log_sigma: float = 0.0
    way: str = ""

    @property
    def expanded_range_m(self) -> float:
        """Expanded uncertainty of the range, k = 2 (JCGM 100, 6.2.1), from its two relative uncertainties. [m]"""
        return 2.0 * self.range_m.p50 * float(np.hypot(self.consumption_log_sigma, self.usable_log_sigma))


@result("range-prediction/1", eq=False)
class RangePrediction:
    """Driving range in every scenario.

    Parameters
    ----------
    scenarios : tuple of ScenarioRange
        In the build's order.
    basis : str
        "plan" or "fit".
    target_range_m, reserve_ratio, ageing_ratio : float
        As the build asks. [m, ratio, ratio]
    target_scenario : str
        Scenario in which the target must be reached.
    auxiliary_sigma : float
        Drive-to-drive spread of auxiliary power. [ratio]
    drive_count : int
        Drives behind it; zero for a plan.
    is_prior_dominated : bool
        True when fewer than two drives stand behind it.
    note : str
        In plain words.
    level_sigma, wind_sigma_m_per_s : float
        Drive-to-drive spread of road load without wind, and of the wind along a road. [ratio, m/s]
    """

    scenarios: tuple[ScenarioRange, ...]
    basis: str
    target_range_m: float
    reserve_ratio: float
    ageing_ratio: float
    target_scenario: str
    auxiliary_sigma: float
    drive_count: int
    is_prior_dominated: bool
    note: str
    level_sigma: float = PLAN_LEVEL_SIGMA
    wind_sigma_m_per_s: float = PLAN_WIND_SIGMA_M_PER_S

    def scenario(self, name: str) -> ScenarioRange:
        """Return one scenario by name; raises KeyError where there is none."""
        for found in self.scenarios:
            if found.name == name:
                return found
        raise KeyError(name)

    @property
    def target(self) -> ScenarioRange:
        """The scenario in which the target must be reached."""
        return self.scenario(self.target_scenario)


def predict_range(
    known: Standpoint,
    build: BuildSettings,
    scenarios: Sequence[PreparedScenario],
    *,
    rng: np.random.Generator,
    samples: int = 10_000,
) -> RangePrediction:
    """Driving range of each scenario, from the joint distribution of the parameters.

    Parameters
    ----------
    known : Standpoint
        What the prediction rests on: a plan, or a fit.
    build : BuildSettings
        The build.
    scenarios : sequence of PreparedScenario
        What is driven.
    rng : numpy.random.Generator
        Source of the samples.
    samples : int
        Number of samples.

    Returns
    -------
    RangePrediction
        One entry per scenario.
    """
    build = known.seen_in(build)
    draws = draws_of(known, build, samples, rng)
    ranges = tuple(_scenario_range(prepared, draws, build, known, rng) for prepared in scenarios)
    return RangePrediction(
        scenarios=ranges,
        basis="fit" if known.drive_count else "plan",
        target_range_m=build.target.range_m,
        reserve_ratio=build.target.reserve_ratio,
        ageing_ratio=build.target.ageing_ratio,
        target_scenario=build.target.scenario,
        auxiliary_sigma=known.auxiliary_sigma,
        level_sigma=known.level_sigma,
        wind_sigma_m_per_s=known.wind_sigma_m_per_s,
        drive_count=known.drive_count,
        is_prior_dominated=known.drive_count < 2,
        note=PRIOR_DOMINATED if known.drive_count == 1 else "",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Samples shared by all scenarios, so that scenarios differ by what is driven and not by chance.

    Parameters
    ----------
    parameters : ndarray, shape (n, 6)
        In ``PARAMETER_NAMES`` order, each for one drive of its own.
    median : ndarray, shape (1, 6)
        Medians.
    others, median_others : mapping of str to ndarray, shape (n,) and (1,)
        Answers to temperature and drivetrain loss, by name.
    usable, usable_loss : ndarray, shape (n,)
        Standard normal deviations: usable energy, usable loss per kelvin.
    wind_m_per_s : ndarray, shape (n,)
        Each sample's day's wind along a road driven one way. [m/s]
    """

    parameters: FloatArray
    median: FloatArray
    others: Mapping[str, FloatArray]
    median_others: Mapping[str, FloatArray]
    usable: FloatArray
    usable_loss: FloatArray
    wind_m_per_s: FloatArray

    def first(self, count: int) -> Draws:
        """So many of the samples."""
        return replace(
            self,
            parameters=self.parameters[:count],
            others={name: values[:count] for name, values in self.others.items()},
            usable=self.usable[:count],
            usable_loss=self.usable_loss[:count],
            wind_m_per_s=self.wind_m_per_s[:count],
        )

    def heavier_by(self, mass_kg: float) -> Draws:
        """The same vehicles with so much more on board; a much smaller pack cannot make one weightless."""
        moved = self.parameters.copy(), self.median.copy()
        for values in moved:
            column = values[:, PARAMETER_NAMES.index("mass_kg")]
            column[:] = np.maximum(column + mass_kg, LEAST_MASS_RATIO * column)
        return replace(self, parameters=moved[0], median=moved[1])

    def consumption_wh_per_km(self, prepared: PreparedScenario, build: BuildSettings) -> FloatArray:
        """Consumption of a scenario for each sample, shape (n,). [Wh/km]"""
        each, middle = environment_by(self.others), environment_by(self.median_others)
        still = scenario_consumption_wh_per_km(prepared, self.parameters, build, environment=each)
        return still + self.wind_m_per_s * wind_slope(prepared, self.median, build, middle)

    def median_breakdown(self, prepared: PreparedScenario, build: BuildSettings) -> ConsumptionBreakdown:
        """Consumption of a scenario by cause at the medians, shape (1,)."""
        return scenario_breakdown(prepared, self.median, build, environment=environment_by(self.median_others))


def draws_of(known: Standpoint, build: BuildSettings, samples: int, rng: np.random.Generator) -> Draws:
    """Draw everything that a range from a standpoint hangs on, the spread from drive to drive among it."""
    return draw_samples(
        known.parameters,
        build,
        samples,
        rng,
        level_sigma=known.level_sigma,
        wind_sigma_m_per_s=known.wind_sigma_m_per_s,
        auxiliary_sigma=known.auxiliary_sigma,
        others=known.others,
        usable=known.usable,
    )


def draw_samples(
    distribution: ParameterDistribution,
    build: BuildSettings,
    samples: int,
    rng: np.random.Generator,
    *,
    level_sigma: float = 0.0,
    wind_sigma_m_per_s: float = 0.0,
    auxiliary_sigma: float = 0.0,
    others: OtherValues | None = None,
    usable: UsableEnergy | None = None,
) -> Draws:
    """Draw parameters and everything else that a range hangs on.

    Parameters
    ----------
    distribution : ParameterDistribution
        Prior or posterior.
    build : BuildSettings
        Holds what the parameters do not: answers to temperature.
    samples : int
        Number of samples.
    rng : numpy.random.Generator
        Source of the samples.
    level_sigma, wind_sigma_m_per_s, auxiliary_sigma : float
        Drive-to-drive spread of road load (drag area and rolling together), of the wind along a road, and of auxiliary
        power. [ratio, m/s, ratio]
    others : OtherValues, optional
        Answers to temperature and drivetrain loss; those of the build where left out.
    usable : UsableEnergy, optional
        Usable energy that goes with the parameters, where one sensor read both.

    Returns
    -------
    Draws
        Efficiencies held below one.
    """
    parameters = distribution.sample(samples, rng)
    deviations = np.log(parameters) - distribution.log_mean
    parameters[:, EFFICIENCY_COLUMNS] = np.minimum(parameters[:, EFFICIENCY_COLUMNS], MOST_EFFICIENCY_RATIO)
    road, auxiliary, own, usable_loss = rng.standard_normal((4, samples))
    parameters[:, ROAD_COLUMNS] *= np.exp(level_sigma * road)[:, None]
    parameters[:, PARAMETER_NAMES.index("auxiliary_power_w")] *= np.exp(auxiliary_sigma * auxiliary)

    chosen = others or planned_other_values(build)
    drawn = chosen.sample(samples, rng, deviations)
    return Draws(
        parameters=parameters,
        median=distribution.median[np.newaxis, :],
        others=drawn,
        median_others=chosen.medians,
        usable=own if usable is None else usable.deviation(chosen.shared_deviations(deviations, drawn), own),
        usable_loss=usable_loss,
        wind_m_per_s=rng.normal(0.0, wind_sigma_m_per_s, samples) if wind_sigma_m_per_s else np.zeros(samples),
    )


def range_of_m(usable_wh: FloatArray, consumed_wh_per_km: FloatArray, target: Target) -> FloatArray:
    """Range of each sample, reserve and ageing taken off, shape (n,); endless where energy is gained. [m]"""
    whole_m = 1000.0 * usable_wh / np.maximum(consumed_wh_per_km, 1e-9)
    return np.where(consumed_wh_per_km > 0, available_share_ratio(target) * whole_m, np.inf)


def _scenario_range(
    prepared: PreparedScenario,
    draws: Draws,
    build: BuildSettings,
    known: Standpoint,
    rng: np.random.Generator,
) -> ScenarioRange:
    conditions = prepared.parts[0].conditions
    outside = extrapolation_of(known.driven, prepared.speed_span_m_per_s, conditions.ambient_temperature_degc)
    consumed = draws.consumption_wh_per_km(prepared, build)
    if outside.is_extrapolated:
        consumed = consumed * np.exp(outside.log_sigma * rng.standard_normal(consumed.shape))
    breakdown = draws.median_breakdown(prepared, build)
    energy_wh = known.usable.sample(breakdown, conditions, draws.usable, draws.usable_loss, prepared.mean_speed_m_per_s)
    range_m = range_of_m(energy_wh, consumed, build.target)
    consumption = Quantiles.of_samples(consumed, "Wh/km")
    return ScenarioRange(
        name=prepared.name,
        kind=prepared.scenario.kind.value,
        consumption=consumption,
        range_m=Quantiles.of_samples(range_m, "m"),
        usable_energy=Quantiles.of_samples(energy_wh, "Wh"),
        probability_of_target=float(np.mean(range_m >= build.target.range_m)),
        consumption_log_sigma=float(np.log(np.maximum(consumed, 1e-9)).std()),
        usable_log_sigma=float(np.log(energy_wh).std()),
        breakdown=breakdown.adding_up_to(consumption.p50),
        mean_speed_m_per_s=prepared.mean_speed_m_per_s,
        ambient_temperature_degc=conditions.ambient_temperature_degc,
        payload_kg=conditions.payload_kg,
        is_extrapolated=outside.is_extrapolated,
        speed_beyond_m_per_s=outside.speed_beyond_m_per_s,
        temperature_beyond_k=outside.temperature_beyond_k,
        note=_note(outside, prepared.way),
        beyond_log_sigma=outside.log_sigma,
        way=prepared.way,
    )


def _note(outside: Extrapolation, way: str) -> str:
    """Say in which way a scenario lies outside what was driven, and whether it comes back."""
    parts = []
    if outside.speed_beyond_m_per_s:
        parts.append("faster than was driven" if outside.speed_beyond_m_per_s > 0 else "slower than was driven")
    if outside.temperature_beyond_k:
        parts.append("hotter than was driven" if outside.temperature_beyond_k > 0 else "colder than was driven")
    notes = [f"{' and '.join(parts)}: interval widened by {percent(outside.log_sigma)}"] if parts else []
    return "; ".join([*notes, *([f"{way}, so a day's wind all but cancels"] if way else [])])
