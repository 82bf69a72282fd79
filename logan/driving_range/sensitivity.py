"""Which assumption the answer hangs on most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from logan.driving_range.prediction import available_share_ratio
from logan.driving_range.scenarios import PreparedScenario, scenario_breakdown, scenario_consumption_wh_per_km
from logan.driving_range.usable_energy import UsableEnergy
from logan.model.forward import Environment, environment_of
from logan.model.parameters import PARAMETER_NAMES, PARAMETER_UNITS, ParameterDistribution
from logan.settings import BuildSettings, PlanningValue
from logan.units import FloatArray


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


@dataclass(frozen=True, slots=True, kw_only=True)
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

    schema: ClassVar[str] = "tornado/1"

    scenario: str
    consumption_wh_per_km: float
    range_m: float
    sensitivities: tuple[Sensitivity, ...]


def tornado(
    distribution: ParameterDistribution,
    build: BuildSettings,
    prepared: PreparedScenario,
    *,
    usable: UsableEnergy,
) -> Tornado:
    """Move every assumption by one standard uncertainty, one at a time.

    Parameters
    ----------
    distribution : ParameterDistribution
        Prior of a plan or posterior of a fit.
    build : BuildSettings
        Holds the assumptions that are no parameters.
    prepared : PreparedScenario
        Scenario of the prediction.
    usable : UsableEnergy
        What the pack gives.

    Returns
    -------
    Tornado
        Assumptions that change nothing in this scenario are left out.
    """
    median = distribution.median
    energy_wh = _scenario_energy_wh(usable, distribution, build, prepared)
    base = float(scenario_consumption_wh_per_km(prepared, median, build)[0])
    rows = [
        *_parameter_rows(distribution, build, prepared, energy_wh),
        *_environment_rows(median, build, prepared, energy_wh),
        *_usable_rows(usable, build, prepared, base, energy_wh),
    ]
    telling = [row for row in rows if row.swing_m > 1e-6 * abs(energy_wh / base * 1000.0)]
    return Tornado(
        scenario=prepared.name,
        consumption_wh_per_km=base,
        range_m=1000.0 * energy_wh / base,
        sensitivities=tuple(sorted(telling, key=lambda row: -row.swing_m)),
    )


def _scenario_energy_wh(
    usable: UsableEnergy, distribution: ParameterDistribution, build: BuildSettings, prepared: PreparedScenario
) -> float:
    breakdown = scenario_breakdown(prepared, distribution.median[np.newaxis, :], build)
    zero = np.zeros(1)
    energy_wh = usable.sample(breakdown, prepared.parts[0].conditions, zero, zero)[0]
    return float(energy_wh) * available_share_ratio(build.target)


def _row(
    name: str,
    unit: str,
    source: str,
    values: tuple[float, float, float],
    consumed_wh_per_km: tuple[float, float],
    energies_wh: tuple[float, float],
) -> Sensitivity:
    low, value, high = values
    return Sensitivity(
        name=name,
        unit=unit,
        source=source,
        low=low,
        value=value,
        high=high,
        consumption_low_wh_per_km=consumed_wh_per_km[0],
        consumption_high_wh_per_km=consumed_wh_per_km[1],
        range_low_m=1000.0 * energies_wh[0] / consumed_wh_per_km[0],
        range_high_m=1000.0 * energies_wh[1] / consumed_wh_per_km[1],
    )


def _parameter_rows(
    distribution: ParameterDistribution, build: BuildSettings, prepared: PreparedScenario, energy_wh: float
) -> list[Sensitivity]:
    median, step = distribution.median, np.exp(distribution.log_sigma)
    count = len(PARAMETER_NAMES)
    factors = np.ones((2 * count, count))
    factors[np.arange(count), np.arange(count)] = 1.0 / step
    factors[count + np.arange(count), np.arange(count)] = step
    consumed = scenario_consumption_wh_per_km(prepared, median * factors, build)
    return [
        _row(
            PARAMETER_NAMES[index],
            PARAMETER_UNITS[index],
            distribution.sources[index],
            (float(median[index] / step[index]), float(median[index]), float(median[index] * step[index])),
            (float(consumed[index]), float(consumed[count + index])),
            (energy_wh, energy_wh),
        )
        for index in range(count)
    ]


def _environment_rows(
    median: FloatArray, build: BuildSettings, prepared: PreparedScenario, energy_wh: float
) -> list[Sensitivity]:
    own = environment_of(build)
    assumed: tuple[tuple[str, str, PlanningValue], ...] = (
        (
            "rolling_temperature_coefficient_per_k",
            "1/K",
            build.vehicle.rolling_temperature_coefficient_per_k,
        ),
        ("heating_w_per_k", "W/K", build.auxiliary.heating_w_per_k),
        ("cooling_w_per_k", "W/K", build.auxiliary.cooling_w_per_k),
    )
    rows = []
    for name, unit, value in assumed:
        ends = np.maximum(np.array([value.value - value.sigma, value.value + value.sigma]), 0.0)
        fields = {
            "rolling_temperature_coefficient_per_k": own.rolling_temperature_coefficient_per_k,
            "heating_w_per_k": own.heating_w_per_k,
            "cooling_w_per_k": own.cooling_w_per_k,
            name: ends,
        }
        consumed = scenario_consumption_wh_per_km(
            prepared, np.tile(median, (2, 1)), build, environment=Environment(**fields)
        )
        rows.append(
            _row(
                name,
                unit,
                value.source,
                (float(ends[0]), value.value, float(ends[1])),
                (float(consumed[0]), float(consumed[1])),
                (energy_wh, energy_wh),
            )
        )
    return rows


def _usable_rows(
    usable: UsableEnergy, build: BuildSettings, prepared: PreparedScenario, base_wh_per_km: float, energy_wh: float
) -> list[Sensitivity]:
    spread = float(np.exp(usable.log_sigma))
    both = (base_wh_per_km, base_wh_per_km)
    values = (usable.energy_wh / spread, usable.energy_wh, usable.energy_wh * spread)
    rows = [_row("usable_energy_wh", "Wh", usable.source, values, both, (energy_wh / spread, energy_wh * spread))]
    ends = np.maximum(usable.loss_per_k + usable.loss_sigma_per_k * np.array([-1.0, 0.0, 1.0]), 0.0)
    shares = usable.temperature_share(prepared.parts[0].conditions.cell_temperature_degc, ends)
    rows.append(
        _row(
            "usable_loss_per_k",
            "1/K",
            build.pack.usable_loss_per_k.source,
            (float(ends[0]), float(ends[1]), float(ends[2])),
            both,
            (energy_wh * float(shares[0] / shares[1]), energy_wh * float(shares[2] / shares[1])),
        )
    )
    return rows
