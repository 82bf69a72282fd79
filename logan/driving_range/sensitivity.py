"""Which assumption the answer hangs on most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logan.driving_range.other_values import OTHER_UNITS, OtherValues, environment_and_losses
from logan.driving_range.scenarios import PreparedScenario, scenario_consumption_wh_per_km
from logan.driving_range.standpoint import USABLE_ENERGY, Standpoint
from logan.model.parameters import PARAMETER_NAMES, PARAMETER_UNITS
from logan.model.unknowns import SHARED_NAMES, TEMPERATURE
from logan.results import result
from logan.settings import BuildSettings
from logan.units import FloatArray

USABLE_LOSS = "usable_loss_per_k"
_STEP = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """What one standard uncertainty of one assumption does to the prediction.

    Parameters
    ----------
    name, unit, source : str
        Of the assumption.
    low, value, high : float
        One standard uncertainty below, median, one above.
    consumption_low_wh_per_km, consumption_high_wh_per_km : float
        Consumption with the assumption at ``low`` and at ``high``. [Wh/km]
    range_low_m, range_high_m : float
        Range with the assumption at ``low`` and at ``high``. [m]
    """

    name: str
    unit: str
    source: str
    low: float
    value: float
    high: float
    consumption_low_wh_per_km: float
    consumption_high_wh_per_km: float
    range_low_m: float
    range_high_m: float

    @property
    def swing_m(self) -> float:
        """Range between the two ends. [m]"""
        return abs(self.range_high_m - self.range_low_m)


@result("tornado/1")
class Tornado:
    """Every assumption behind a prediction, the most important first.

    Parameters
    ----------
    scenario : str
        Of the prediction.
    consumption_wh_per_km, range_m : float
        At the medians; reserve and ageing taken off. [Wh/km, m]
    sensitivities : tuple of Sensitivity
        Largest swing first.
    """

    scenario: str
    consumption_wh_per_km: float
    range_m: float
    sensitivities: tuple[Sensitivity, ...]


def tornado(standpoint: Standpoint, build: BuildSettings, prepared: PreparedScenario) -> Tornado:
    """Move every assumption by one standard uncertainty, one at a time.

    Parameters
    ----------
    standpoint : Standpoint
        Plan or fit, with everything it rests on.
    build : BuildSettings
        The build.
    prepared : PreparedScenario
        Scenario of the prediction.

    Returns
    -------
    Tornado
        Assumptions that change nothing in this scenario are left out.
    """
    ends, build = _consumption_ends(standpoint), standpoint.seen_in(build)
    consumed = _consumption_wh_per_km(ends, standpoint, build, prepared)
    base_wh_per_km = float(consumed[0])
    shares = _usable_ends(standpoint, prepared)
    energy_wh = standpoint.scenario_energy_wh(build, prepared)
    rows = [
        _row(end, (float(consumed[1 + 2 * index]), float(consumed[2 + 2 * index])), (energy_wh, energy_wh))
        for index, end in enumerate(ends)
    ]
    rows += [
        _row(end, (base_wh_per_km, base_wh_per_km), (energy_wh * low, energy_wh * high)) for end, (low, high) in shares
    ]
    telling = [row for row in rows if row.swing_m > 1e-6 * abs(1000.0 * energy_wh / base_wh_per_km)]
    return Tornado(
        scenario=prepared.name,
        consumption_wh_per_km=base_wh_per_km,
        range_m=1000.0 * energy_wh / base_wh_per_km,
        sensitivities=tuple(sorted(telling, key=lambda row: -row.swing_m)),
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
    environment, losses = environment_and_losses(values)
    logs = np.log(
        scenario_consumption_wh_per_km(
            prepared, parameters * np.exp(ends[:, : parameters.size]), build, environment=environment, loss_terms=losses
        )
    )
    found = (logs[:count] - logs[count:]) / (2.0 * steps)
    # The fall per kelvin is a logarithm in the fit.
    found[TEMPERATURE] *= float(others.medians[SHARED_NAMES[TEMPERATURE]][0])
    return np.asarray(found)


@dataclass(frozen=True, slots=True)
class _Ends:
    """An assumption, one standard uncertainty each way."""

    name: str
    unit: str
    source: str
    low: float
    value: float
    high: float


def _consumption_ends(standpoint: Standpoint) -> list[_Ends]:
    """Assumptions that move the consumption."""
    distribution = standpoint.parameters
    step = np.exp(distribution.log_sigma)
    ends = [
        _Ends(name, unit, source, float(median / factor), float(median), float(median * factor))
        for name, unit, source, median, factor in zip(
            PARAMETER_NAMES, PARAMETER_UNITS, distribution.sources, distribution.median, step, strict=True
        )
    ]
    for name, value in standpoint.others.items():
        low = max(0.0, value.value - value.sigma)
        ends.append(_Ends(name, OTHER_UNITS[name], value.source, low, value.value, value.value + value.sigma))
    return ends


def _consumption_wh_per_km(
    ends: list[_Ends], standpoint: Standpoint, build: BuildSettings, prepared: PreparedScenario
) -> FloatArray:
    """Consumption at the medians, then at low and high of each assumption in turn. [Wh/km]"""
    values = {name: np.full(1 + 2 * len(ends), median) for name, median in standpoint.medians.items()}
    for index, end in enumerate(ends):
        values[end.name][1 + 2 * index : 3 + 2 * index] = end.low, end.high
    parameters = np.stack([values[name] for name in PARAMETER_NAMES], axis=1)
    environment, losses = environment_and_losses(values)
    return scenario_consumption_wh_per_km(prepared, parameters, build, environment=environment, loss_terms=losses)


def _usable_ends(standpoint: Standpoint, prepared: PreparedScenario) -> list[tuple[_Ends, tuple[float, float]]]:
    """Assumptions that move the usable energy, with the energy's share at each end."""
    usable = standpoint.usable
    spread = float(np.exp(usable.log_sigma))
    energy = usable.energy_wh
    loss = np.maximum(usable.loss_per_k + usable.loss_sigma_per_k * np.array([-1.0, 0.0, 1.0]), 0.0)
    shares = usable.temperature_share(prepared.parts[0].conditions.cell_temperature_degc, loss)
    low, middle, high = (float(value) for value in loss)
    return [
        (
            _Ends(USABLE_ENERGY, "Wh", usable.source, energy / spread, energy, energy * spread),
            (1.0 / spread, spread),
        ),
        (
            _Ends(USABLE_LOSS, "1/K", usable.loss_source, low, middle, high),
            (float(shares[0] / shares[1]), float(shares[2] / shares[1])),
        ),
    ]


def _row(ends: _Ends, consumed_wh_per_km: tuple[float, float], energies_wh: tuple[float, float]) -> Sensitivity:
    return Sensitivity(
        name=ends.name,
        unit=ends.unit,
        source=ends.source,
        low=ends.low,
        value=ends.value,
        high=ends.high,
        consumption_low_wh_per_km=consumed_wh_per_km[0],
        consumption_high_wh_per_km=consumed_wh_per_km[1],
        range_low_m=1000.0 * energies_wh[0] / consumed_wh_per_km[0],
        range_high_m=1000.0 * energies_wh[1] / consumed_wh_per_km[1],
    )
