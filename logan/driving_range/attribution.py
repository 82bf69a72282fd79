"""Why the refined prediction differs from the plan: each assumption's share, adding up exactly."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from math import factorial
from typing import Final

import numpy as np

from logan.driving_range.other_values import OTHER_UNITS, environment_by
from logan.driving_range.prediction import ScenarioRange, available_share_ratio
from logan.driving_range.scenarios import PreparedScenario, scenario_consumption_wh_per_km
from logan.driving_range.sensitivity import REGEN_LIMIT, USABLE_ENERGY, Standpoint
from logan.model.parameters import PARAMETER_NAMES, PARAMETER_UNITS
from logan.results import result
from logan.settings import BuildSettings
from logan.units import FloatArray, IntArray

AIR: Final = "air_pressure"
"""Step from the air that the plan was in to that of the drives."""

SPREAD: Final = "spread"
"""Step from the medians' own prediction to the middle of all samples; it has no value of its own."""


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
    unit: str
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
        rest = AttributionStep(
            name=SPREAD, unit="", before=0.0, after=0.0, consumption_change_wh_per_km=moved, range_change_m=rest_m
        )
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
    limits_w = [_regen_limit_w(standpoint.seen_in(build)) for standpoint in (before, after)]
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
    consumption_shares, range_shares_m = _shapley(consumed, count), _shapley(ranges_m, count + 1)
    share = available_share_ratio(build.target)
    old[USABLE_ENERGY], new[USABLE_ENERGY] = (energy / share for energy in energies_wh)
    units = dict(zip(PARAMETER_NAMES, PARAMETER_UNITS, strict=True)) | dict(OTHER_UNITS)
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


def _regen_limit_w(build: BuildSettings) -> float:
    limit_w = build.powertrain.regen_power_limit_w
    return float("inf") if limit_w is None else limit_w


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
    environment = environment_by(values)
    return scenario_consumption_wh_per_km(prepared, parameters, build, environment=environment)


def _shapley(values: FloatArray, players: int) -> FloatArray:
    """Shapley value of each player, shape (players,), from the value of every subset, shape (2**players,)."""
    subsets = np.arange(2**players)
    sizes = np.array([int(subset).bit_count() for subset in subsets])
    weight = np.array([factorial(size) * factorial(players - size - 1) for size in range(players)]) / factorial(players)
    shares = np.empty(players)
    for player in range(players):
        without = subsets[(subsets >> player) & 1 == 0]
        gain = values[without | (1 << player)] - values[without]
        shares[player] = float(weight[sizes[without]] @ gain)
    return shares
