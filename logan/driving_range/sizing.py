"""The pack that a target needs, with the mass that more cells add fed back."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.driving_range.prediction import Draws, ScenarioRange, draws_of, range_of_m
from logan.driving_range.scenarios import PreparedScenario
from logan.driving_range.sensitivity import Standpoint
from logan.driving_range.usable_energy import UsableEnergy, available_share_ratio, usable_energy_of
from logan.results import Quantiles, result
from logan.settings import BuildSettings, PackSettings

CONFIDENCES_RATIO: Final = (0.5, 0.8, 0.9)

_MAX_ROUNDS: Final = 200
_RUNAWAY_FACTOR: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSize:
    """The pack that reaches the target with one confidence.

    Parameters
    ----------
    confidence_ratio : float
        Chance of reaching the target. [ratio]
    usable_energy_wh : float
        At 25 degC and moderate load, reserve and ageing included; not finite where no pack reaches it. [Wh]
    added_mass_kg : float
        Against the pack in the build; negative where a smaller one does. [kg]
    consumption_wh_per_km : float
        Median with that mass. [Wh/km]
    """

    confidence_ratio: float
    usable_energy_wh: float
    added_mass_kg: float
    consumption_wh_per_km: float

    @property
    def is_reachable(self) -> bool:
        """True when some pack reaches the target, its own mass carried."""
        return math.isfinite(self.usable_energy_wh)


@result("pack-sizing/2")
class PackSizing:
    """The packs that a target needs, from even chance to the confidence wanted.

    Parameters
    ----------
    scenario : str
        In which the target must be reached.
    target_range_m : float
        As the build asks. [m]
    sizes : tuple of PackSize
        Rising confidence.
    saved_by_halving_uncertainty_wh : float
        Usable energy that the highest confidence would need less, if consumption were known twice as well. [Wh]
    choices : tuple of PackChoice
        Packs that can be built.
    """

    scenario: str
    target_range_m: float
    sizes: tuple[PackSize, ...]
    saved_by_halving_uncertainty_wh: float
    choices: tuple[PackChoice, ...]


def size_pack(
    known: Standpoint,
    build: BuildSettings,
    prepared: PreparedScenario,
    *,
    rng: np.random.Generator,
    confidences_ratio: Sequence[float] = CONFIDENCES_RATIO,
    samples: int = 10_000,
) -> PackSizing:
    """Find the pack that reaches the build's target with each confidence.

    Parameters
    ----------
    known : Standpoint
        What the prediction rests on: a plan, or a fit.
    build : BuildSettings
        The build and its target.
    prepared : PreparedScenario
        Scenario in which the target must be reached.
    rng : numpy.random.Generator
        Source of the samples.
    confidences_ratio : sequence of float
        Wanted chances, rising. [ratio]
    samples : int
        Number of samples.

    Returns
    -------
    PackSizing
        One size per confidence.
    """
    build, usable = known.seen_in(build), known.usable
    draws = draws_of(known, build, samples, rng)
    consumed = draws.consumption_wh_per_km(prepared, build)
    breakdown = draws.median_breakdown(prepared, build)
    conditions, speed = prepared.parts[0].conditions, prepared.mean_speed_m_per_s
    given = usable.sample(breakdown, conditions, draws.usable, draws.usable_loss, speed) / usable.energy_wh
    kilometres = build.target.range_m / 1000.0
    needed_wh = kilometres * consumed / (given * available_share_ratio(build.target))
    choices = pack_choices(draws, build, prepared, usable, confidences_ratio[-1])
    feedback = _MassFeedback(prepared, draws, build, usable.energy_wh)
    sizes = tuple(feedback.size(level, float(np.quantile(needed_wh, level))) for level in confidences_ratio)
    median_wh = float(np.median(consumed))
    surer_wh = needed_wh / consumed * median_wh * (consumed / median_wh) ** 0.5
    surer = feedback.size(confidences_ratio[-1], float(np.quantile(surer_wh, confidences_ratio[-1])))
    return PackSizing(
        scenario=prepared.name,
        target_range_m=build.target.range_m,
        sizes=sizes,
        saved_by_halving_uncertainty_wh=sizes[-1].usable_energy_wh - surer.usable_energy_wh,
        choices=choices,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _MassFeedback:
    """How consumption follows the mass of the pack."""

    prepared: PreparedScenario
    draws: Draws
    build: BuildSettings
    usable_wh: float

    def added_mass_kg(self, usable_wh: float) -> float:
        """What a pack of another usable energy weighs more than the one in the build. [kg]"""
        pack = self.build.pack
        return pack.cell_mass_kg_per_wh * pack_energy_wh(pack) * (usable_wh / self.usable_wh - 1.0)

    def consumption_wh_per_km(self, added_mass_kg: float) -> float:
        """At the medians, with so much more on board. [Wh/km]"""
        found = self.draws.heavier_by(added_mass_kg).median_breakdown(self.prepared, self.build)
        return float(found.total_wh_per_km[0])

    def size(self, confidence_ratio: float, needed_wh: float) -> PackSize:
        """Iterate the energy needed at the present mass until the mass it brings is carried too."""
        usable_wh, present = needed_wh, self.consumption_wh_per_km(0.0)
        for _ in range(_MAX_ROUNDS):
            following_wh = needed_wh * self.consumption_wh_per_km(self.added_mass_kg(usable_wh)) / present
            is_settled = abs(following_wh - usable_wh) <= 1e-6 * usable_wh
            usable_wh = following_wh if following_wh <= _RUNAWAY_FACTOR * needed_wh else math.inf
            if is_settled or usable_wh == math.inf:
                break
        added_kg = self.added_mass_kg(usable_wh)
        return PackSize(
            confidence_ratio=confidence_ratio,
            usable_energy_wh=usable_wh,
            added_mass_kg=added_kg,
            consumption_wh_per_km=self.consumption_wh_per_km(added_kg) if math.isfinite(added_kg) else math.inf,
        )


def agreed_with(sizing: PackSizing, target: ScenarioRange) -> PackSizing:
    """The pack in the build shows what the prediction of the target's scenario says, not a second draw of it."""
    choices = tuple(
        replace(
            choice,
            consumption_wh_per_km=target.consumption.p50,
            range_m=target.range_m,
            probability_of_target=target.probability_of_target,
        )
        if choice.is_in_the_build
        else choice
        for choice in sizing.choices
    )
    return replace(sizing, choices=choices)


_SAMPLES: Final = 2_000
_MOST_ROWS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class PackChoice:
    """One pack of whole strings.

    Parameters
    ----------
    name : str
        The user's name for it.
    cells_in_series, cells_in_parallel, modules : int
        Arrangement; modules is zero where the cells come singly.
    is_in_the_build : bool
        True for the pack that the build has.
    nominal_energy_wh, usable_energy_wh : float
        Usable at 25 degC and moderate load. [Wh]
    mass_kg : float
        By its specific energy. [kg]
    cost : float or None
        In the user's currency; None where no price is given.
    consumption_wh_per_km : float
        Median in the target's scenario, its own mass carried. [Wh/km]
    range_m : Quantiles
        Reserve and aging taken off. [m]
    probability_of_target : float
        Chance of the target. [ratio]
    """

    name: str
    cells_in_series: int
    cells_in_parallel: int
    modules: int
    is_in_the_build: bool
    nominal_energy_wh: float
    usable_energy_wh: float
    mass_kg: float
    cost: float | None
    consumption_wh_per_km: float
    range_m: Quantiles
    probability_of_target: float


def pack_energy_wh(pack: PackSettings) -> float:
    """Nominal energy: cells times capacity times nominal voltage. [Wh]"""
    return pack.cells_in_series * pack.cells_in_parallel * pack.cell_capacity_ah.value * pack.cell_nominal_voltage_v


def with_strings(pack: PackSettings, strings: int) -> PackSettings:
    """The same cells with another number in parallel: energy grows with it, resistance falls."""
    ratio = strings / pack.cells_in_parallel
    energy, resistance = pack.usable_energy_wh, pack.resistance_ohm
    return replace(
        pack,
        cells_in_parallel=strings,
        usable_energy_wh=replace(energy, value=energy.value * ratio, sigma=energy.sigma * ratio),
        resistance_ohm=replace(resistance, value=resistance.value / ratio, sigma=resistance.sigma / ratio),
    )


def pack_choices(
    draws: Draws, build: BuildSettings, prepared: PreparedScenario, usable: UsableEnergy, confidence_ratio: float
) -> tuple[PackChoice, ...]:
    """Whole strings of the build's own cells up to those that reach the target, then its alternatives.

    Method: plan (15).

    Parameters
    ----------
    draws : Draws
        Samples of everything that a range hangs on.
    build : BuildSettings
        The build, with ``pack.alternatives``.
    prepared : PreparedScenario
        Scenario in which the target must be reached.
    usable : UsableEnergy
        What the pack in the build gives, measured or planned.
    confidence_ratio : float
        Chance from which no larger pack of the same cells is listed. [ratio]
    """
    few = draws.first(_SAMPLES)
    found: list[PackChoice] = []
    for pack in _own_strings(build.pack):
        found.append(_choice(pack, few, build, prepared, usable))
        if len(found) >= _MOST_ROWS or (
            found[-1].probability_of_target >= confidence_ratio
            and pack.cells_in_parallel >= build.pack.cells_in_parallel
        ):
            break
    found += [_choice(pack, few, build, prepared, usable) for pack in build.pack.alternatives]
    return tuple(found)


def _own_strings(pack: PackSettings) -> Iterator[PackSettings]:
    step = pack.module_cells[1] if pack.module_cells else 1
    first = pack.cells_in_parallel - step if pack.cells_in_parallel > step else pack.cells_in_parallel
    for index in range(_MOST_ROWS):
        yield with_strings(pack, first + index * step)


def _choice(
    pack: PackSettings, draws: Draws, build: BuildSettings, prepared: PreparedScenario, usable: UsableEnergy
) -> PackChoice:
    own, nominal_wh = build.pack, pack_energy_wh(pack)
    gives = usable_energy_of(replace(build, pack=pack))
    if pack.name == own.name:
        ratio = pack.cells_in_parallel / own.cells_in_parallel
        gives = replace(
            usable,
            energy_wh=usable.energy_wh * ratio,
            sigma_wh=usable.sigma_wh * ratio,
            resistance_ohm=usable.resistance_ohm / ratio,
        )
    mass_kg = nominal_wh * pack.cell_mass_kg_per_wh
    moved = draws.heavier_by(mass_kg - pack_energy_wh(own) * own.cell_mass_kg_per_wh)
    consumed = moved.consumption_wh_per_km(prepared, build)
    breakdown = moved.median_breakdown(prepared, build)
    energy_wh = gives.sample(breakdown, prepared.parts[0].conditions, draws.usable, draws.usable_loss)
    range_m = range_of_m(energy_wh, consumed, build.target)
    cells = pack.cells_in_series * pack.cells_in_parallel
    return PackChoice(
        name=pack.name,
        cells_in_series=pack.cells_in_series,
        cells_in_parallel=pack.cells_in_parallel,
        modules=cells // (pack.module_cells[0] * pack.module_cells[1]) if pack.module_cells else 0,
        is_in_the_build=pack.name == own.name and pack.cells_in_parallel == own.cells_in_parallel,
        nominal_energy_wh=nominal_wh,
        usable_energy_wh=gives.energy_wh,
        mass_kg=mass_kg,
        cost=None if pack.cost_per_kwh is None else pack.cost_per_kwh * nominal_wh / 1000.0,
        consumption_wh_per_km=float(np.median(consumed)),
        range_m=Quantiles.of_samples(range_m, "m"),
        probability_of_target=float(np.mean(range_m >= build.target.range_m)),
    )
