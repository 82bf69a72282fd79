"""Why the refined prediction differs from the plan: each parameter's share, adding up exactly."""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial
from typing import ClassVar, Final

import numpy as np

from logan.driving_range.prediction import available_share_ratio
from logan.driving_range.scenarios import PreparedScenario, scenario_breakdown, scenario_consumption_wh_per_km
from logan.driving_range.usable_energy import UsableEnergy
from logan.model.parameters import PARAMETER_NAMES, PARAMETER_UNITS, ParameterDistribution
from logan.settings import BuildSettings
from logan.units import FloatArray

USABLE_ENERGY: Final = "usable_energy_wh"


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributionStep:
    """What one assumption's change did.

    Parameters
    ----------
    name, unit : str
        Of the assumption.
    before, after : float
        Its median in the plan and refined.
    consumption_change_wh_per_km : float
        Its share of the change in consumption. [Wh/km]
    range_change_m : float
        Its share of the change in range. [m]
    """

    name: str
    unit: str
    before: float
    after: float
    consumption_change_wh_per_km: float
    range_change_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribution:
    """Plan to refined prediction in one scenario, step by step; the steps add up to the difference exactly.

    Parameters
    ----------
    scenario : str
        Of the prediction.
    consumption_before_wh_per_km, consumption_after_wh_per_km : float
        At the median parameters. [Wh/km]
    range_before_m, range_after_m : float
        At the median parameters, reserve and ageing taken off. [m]
    steps : tuple of AttributionStep
        Shapley values: the mean effect over every order of changing one after the other. Largest first.
    """

    schema: ClassVar[str] = "attribution/1"

    scenario: str
    consumption_before_wh_per_km: float
    consumption_after_wh_per_km: float
    range_before_m: float
    range_after_m: float
    steps: tuple[AttributionStep, ...]


def attribute_change(
    before: ParameterDistribution,
    after: ParameterDistribution,
    build: BuildSettings,
    prepared: PreparedScenario,
    *,
    usable_before: UsableEnergy,
    usable_after: UsableEnergy,
) -> Attribution:
    """Share the change of a prediction among the assumptions that changed.

    Parameters
    ----------
    before, after : ParameterDistribution
        Plan and fit.
    build : BuildSettings
        The build.
    prepared : PreparedScenario
        Scenario of the prediction.
    usable_before, usable_after : UsableEnergy
        What the pack was thought to give, and gives.

    Returns
    -------
    Attribution
        One step per parameter, and one for the usable energy.

    References
    ----------
    .. [1] L. S. Shapley, A value for n-person games, 1953: the only split that adds up, treats
       equals alike and gives nothing to what changes nothing.
    """
    count = len(PARAMETER_NAMES)
    chosen = (np.arange(2**count)[:, np.newaxis] >> np.arange(count)) & 1 == 1
    parameters = np.where(chosen, after.median, before.median)
    consumed = scenario_consumption_wh_per_km(prepared, parameters, build)
    energies_wh = [
        _energy_wh(usable, end, build, prepared) for usable, end in ((usable_before, before), (usable_after, after))
    ]
    # The usable energy is one more player: the range of every subset, without and with its change.
    # A scenario that gains energy has no range, so nothing can be said of its change.
    spent = np.where(consumed > 0, consumed, np.nan)
    ranges_m = np.concatenate([1000.0 * energy / spent for energy in energies_wh])
    consumption_shares = _shapley(consumed, count)
    range_shares_m = _shapley(ranges_m, count + 1)
    names, units = (*PARAMETER_NAMES, USABLE_ENERGY), (*PARAMETER_UNITS, "Wh")
    values_before = (*before.median, usable_before.energy_wh)
    values_after = (*after.median, usable_after.energy_wh)
    steps = [
        AttributionStep(
            name=names[index],
            unit=units[index],
            before=float(values_before[index]),
            after=float(values_after[index]),
            consumption_change_wh_per_km=float(consumption_shares[index]) if index < count else 0.0,
            range_change_m=float(range_shares_m[index]),
        )
        for index in range(count + 1)
    ]
    return Attribution(
        scenario=prepared.name,
        consumption_before_wh_per_km=float(consumed[0]),
        consumption_after_wh_per_km=float(consumed[-1]),
        range_before_m=float(ranges_m[0]),
        range_after_m=float(ranges_m[-1]),
        steps=tuple(sorted(steps, key=lambda step: -abs(step.range_change_m))),
    )


def _energy_wh(
    usable: UsableEnergy, distribution: ParameterDistribution, build: BuildSettings, prepared: PreparedScenario
) -> float:
    """Usable energy in the scenario, reserve and ageing taken off. [Wh]"""
    breakdown = scenario_breakdown(prepared, distribution.median[np.newaxis, :], build)
    zero = np.zeros(1)
    energy_wh = float(usable.sample(breakdown, prepared.parts[0].conditions, zero, zero)[0])
    return energy_wh * available_share_ratio(build.target)


def _shapley(values: FloatArray, players: int) -> FloatArray:
    """Shapley value of each player, shape (players,), from the value of every subset, shape (2**players,)."""
    subsets = np.arange(2**players)
    sizes = np.array([bin(subset).count("1") for subset in subsets])
    weight = np.array([factorial(size) * factorial(players - size - 1) for size in range(players)]) / factorial(players)
    shares = np.empty(players)
    for player in range(players):
        without = subsets[(subsets >> player) & 1 == 0]
        gain = values[without | (1 << player)] - values[without]
        shares[player] = float(weight[sizes[without]] @ gain)
    return shares
