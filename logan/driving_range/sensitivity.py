"""Everything that a prediction rests on, and how much each assumption moves a consumption or a range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from logan.driving_range.other_values import (
    OtherValues,
    environment_by,
    learned_other_values,
    planned_other_values,
    with_regen_limit_w,
)
from logan.driving_range.scenarios import (
    PreparedScenario,
    scenario_breakdown,
    scenario_consumption_wh_per_km,
    wind_slope,
)
from logan.driving_range.uncertainty_budget import BudgetRow
from logan.driving_range.usable_energy import UsableEnergy, available_share_ratio, usable_energy_of
from logan.model.fit_result import DrivenHull, FitResult
from logan.model.parameters import ENVIRONMENT_UNITS, PARAMETER_NAMES, PARAMETER_UNITS, ParameterDistribution
from logan.model.priors import prior_of
from logan.model.unknowns import SHARED_NAMES, At
from logan.settings import BuildSettings
from logan.units import FloatArray

USABLE_ENERGY: Final = "usable_energy_wh"
REGEN_LIMIT: Final = "regen_power_limit_w"

PLAN_LEVEL_SIGMA: Final = 0.05
"""Drive-to-drive spread of road load that a plan assumes: wet roads, tires, driver (common practice)."""

PLAN_WIND_SIGMA_M_PER_S: Final = 1.0
"""And of the wind along a road: a station's 2 m/s is 1.4 at a vehicle's height, from any side (common practice)."""

PLAN_AUXILIARY_SIGMA: Final = 0.2
"""Drive-to-drive spread of auxiliary power that a plan assumes (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standpoint:
    """Everything that a prediction rests on, before or after the drives.

    Parameters
    ----------
    parameters : ParameterDistribution
        Prior or posterior.
    others : OtherValues
        Answers to temperature and drivetrain loss.
    usable : UsableEnergy
        What the pack gives.
    regen_limit_w : float or None
        Most power that regen was seen to put back; None where only the build's own limit is known. [W]
    level_sigma, wind_sigma_m_per_s, auxiliary_sigma : float
        Drive-to-drive spread of road load, of the wind along a road, and of auxiliary power. [ratio, m/s, ratio]
    driven : DrivenHull or None
        What the drives cover; None for a plan.
    drive_count : int
        Drives behind it; zero for a plan.
    """

    parameters: ParameterDistribution
    others: OtherValues
    usable: UsableEnergy
    regen_limit_w: float | None = None
    level_sigma: float = PLAN_LEVEL_SIGMA
    wind_sigma_m_per_s: float = PLAN_WIND_SIGMA_M_PER_S
    auxiliary_sigma: float = PLAN_AUXILIARY_SIGMA
    driven: DrivenHull | None = None
    drive_count: int = 0

    @classmethod
    def of_plan(cls, build: BuildSettings) -> Standpoint:
        """What a build's settings alone say."""
        return cls(parameters=prior_of(build), others=planned_other_values(build), usable=usable_energy_of(build))

    @classmethod
    def of_fit(cls, build: BuildSettings, fit: FitResult) -> Standpoint:
        """What the drives made of it."""
        seen = fit.learned.regen_power_limit
        return cls(
            parameters=fit.posterior,
            others=learned_other_values(build, fit.learned),
            usable=usable_energy_of(build, fit),
            regen_limit_w=None if seen is None else seen.value,
            level_sigma=fit.level_sigma_ratio,
            wind_sigma_m_per_s=fit.wind_sigma_m_per_s,
            auxiliary_sigma=fit.auxiliary_sigma_ratio,
            driven=fit.hull,
            drive_count=fit.drive_count,
        )

    def seen_in(self, build: BuildSettings) -> BuildSettings:
        """The build with the regen limit that was seen, where it is below the build's own."""
        return with_regen_limit_w(build, self.regen_limit_w)

    def day_sigmas(self, build: BuildSettings, prepared: PreparedScenario) -> tuple[float, float, float]:
        """From drive to drive: of road load, of auxiliaries, and of a scenario's consumption by wind. [ratio]"""
        build, median, others = self.seen_in(build), self.parameters.median[np.newaxis, :], self.others.environment
        used = scenario_consumption_wh_per_km(prepared, median, build, environment=others)[0]
        by_wind = abs(wind_slope(prepared, median, build, others) / used)
        return self.level_sigma, self.auxiliary_sigma, self.wind_sigma_m_per_s * float(by_wind)

    @property
    def medians(self) -> dict[str, float]:
        """Median of every assumption, by name; the usable energy last."""
        named = dict(zip(PARAMETER_NAMES, self.parameters.median.tolist(), strict=True))
        named |= {name: value.value for name, value in self.others.items()}
        return named | {USABLE_ENERGY: self.usable.energy_wh}

    def scenario_energy_wh(self, build: BuildSettings, prepared: PreparedScenario) -> float:
        """Usable energy at the medians in a scenario, reserve and ageing taken off. [Wh]"""
        median, zero = self.parameters.median[np.newaxis, :], np.zeros(1)
        breakdown = scenario_breakdown(prepared, median, self.seen_in(build), environment=self.others.environment)
        conditions = prepared.parts[0].conditions
        energy_wh = self.usable.sample(breakdown, conditions, zero, zero, prepared.mean_speed_m_per_s)
        return float(energy_wh[0]) * available_share_ratio(build.target)


USABLE_LOSS = "usable_loss_per_k"
_STEP = 1e-3


def assumption_rows(standpoint: Standpoint, build: BuildSettings, prepared: PreparedScenario) -> tuple[BudgetRow, ...]:
    """What one standard uncertainty of each assumption does to the range, one at a time.

    Parameters
    ----------
    standpoint : Standpoint
        Plan or fit, with everything it rests on.
    build : BuildSettings
        The build.
    prepared : PreparedScenario
        What is driven.

    Returns
    -------
    tuple of BudgetRow
        Six parameters, what was learned besides, usable energy and its loss in the cold. The sensitivity is half the
        range's swing between one standard uncertainty below and above, so it sees what is curved.
    """
    ends, build = _consumption_ends(standpoint), standpoint.seen_in(build)
    consumed = _consumption_wh_per_km(ends, standpoint, build, prepared)
    energy_wh = standpoint.scenario_energy_wh(build, prepared)
    reach_m = 1000.0 * energy_wh / consumed
    rows = [_row(end, *reach_m[1 + 2 * index : 3 + 2 * index]) for index, end in enumerate(ends)]
    shares = _usable_ends(standpoint, prepared)
    rows += [_row(end, low * reach_m[0], high * reach_m[0]) for end, (low, high) in shares]
    return tuple(rows)


def _row(end: _Ends, range_low_m: float, range_high_m: float) -> BudgetRow:
    sigma = 0.5 * (end.high - end.low)
    return BudgetRow(
        source=end.name,
        evaluation="B",
        sigma=sigma,
        unit=end.unit,
        sensitivity=0.5 * float(range_high_m - range_low_m) / sigma if sigma > 0.0 else 0.0,
        basis=end.source,
    )


def consumption_elasticity(
    prepared: PreparedScenario, parameters: FloatArray, build: BuildSettings, others: OtherValues
) -> FloatArray:
    """Change of a scenario's log consumption per unknown of the fit.

    Parameters
    ----------
    prepared : PreparedScenario
        What is driven.
    parameters : ndarray, shape (6,)
        Where it is taken. [PARAMETER_UNITS]
    build : BuildSettings
        The build.
    others : OtherValues
        Answers to temperature, drivetrain loss and drag, as learned.

    Returns
    -------
    ndarray, shape (p,)
        By central differences, in the order of ``logan.model.unknowns.SHARED_NAMES``. [any]
    """
    learned = {name: others.medians[name] for name in SHARED_NAMES[parameters.size :]}
    steps = np.array(
        [_STEP] * parameters.size + [max(_STEP * abs(float(value[0])), 1e-9) for value in learned.values()]
    )
    ends = np.vstack([np.diag(steps), -np.diag(steps)])
    count = steps.size
    values = {name: np.broadcast_to(value, (2 * count,)) for name, value in others.medians.items()}
    values |= {name: value + ends[:, parameters.size + place] for place, (name, value) in enumerate(learned.items())}
    environment = environment_by(values)
    logs = np.log(
        scenario_consumption_wh_per_km(
            prepared, parameters * np.exp(ends[:, : parameters.size]), build, environment=environment
        )
    )
    found = (logs[:count] - logs[count:]) / (2.0 * steps)
    # The fall per kelvin is a logarithm in the fit.
    found[At.TEMPERATURE] *= float(others.medians[SHARED_NAMES[At.TEMPERATURE]][0])
    return np.asarray(found)


class _Ends(NamedTuple):
    """An assumption, one standard uncertainty each way."""

    name: str
    unit: str
    source: str
    low: float
    high: float


def _consumption_ends(standpoint: Standpoint) -> list[_Ends]:
    """Assumptions that move the consumption."""
    distribution = standpoint.parameters
    lows, highs = (distribution.median * np.exp(way * distribution.log_sigma) for way in (-1.0, 1.0))
    columns = (PARAMETER_NAMES, PARAMETER_UNITS, distribution.sources, lows.tolist(), highs.tolist())
    return [
        *map(_Ends, *columns),
        *(
            _Ends(name, ENVIRONMENT_UNITS[name], one.source, max(0.0, one.value - one.sigma), one.value + one.sigma)
            for name, one in standpoint.others.items()
        ),
    ]


def _consumption_wh_per_km(
    ends: list[_Ends], standpoint: Standpoint, build: BuildSettings, prepared: PreparedScenario
) -> FloatArray:
    """Consumption at the medians, then at low and high of each assumption in turn. [Wh/km]"""
    values = {name: np.full(1 + 2 * len(ends), median) for name, median in standpoint.medians.items()}
    for index, end in enumerate(ends):
        values[end.name][1 + 2 * index : 3 + 2 * index] = end.low, end.high
    parameters = np.stack([values[name] for name in PARAMETER_NAMES], axis=1)
    return scenario_consumption_wh_per_km(prepared, parameters, build, environment=environment_by(values))


def _usable_ends(standpoint: Standpoint, prepared: PreparedScenario) -> list[tuple[_Ends, tuple[float, float]]]:
    """Assumptions that move the usable energy, with the energy's share at each end."""
    usable = standpoint.usable
    spread, energy = float(np.exp(usable.log_sigma)), usable.energy_wh
    loss = np.maximum(usable.loss_per_k + usable.loss_sigma_per_k * np.array([-1.0, 0.0, 1.0]), 0.0)
    low, middle, high = usable.temperature_share(prepared.parts[0].conditions.cell_temperature_degc, loss).tolist()
    return [
        (_Ends(USABLE_ENERGY, "Wh", usable.source, energy / spread, energy * spread), (1.0 / spread, spread)),
        (_Ends(USABLE_LOSS, "1/K", usable.loss_source, float(loss[0]), float(loss[2])), (low / middle, high / middle)),
    ]
