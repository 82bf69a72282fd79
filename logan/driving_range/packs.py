"""Packs that can be built: whole strings and modules of the cells given, and alternatives side by side; method (15)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.driving_range.prediction import Draws, available_share_ratio
from logan.driving_range.scenarios import PreparedScenario
from logan.driving_range.usable_energy import UsableEnergy, usable_energy_of
from logan.model.parameters import PARAMETER_NAMES
from logan.results import Quantiles
from logan.settings import BuildSettings, PackSettings

_SAMPLES: Final = 2_000
_MOST_ROWS: Final = 5
_LEAST_MASS_SHARE: Final = 0.3


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
    mass_kg, mass_change_kg : float
        By its specific energy, and against the pack in the build. [kg]
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
    mass_change_kg: float
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
    few = replace(
        draws,
        parameters=draws.parameters[:_SAMPLES],
        others={name: values[:_SAMPLES] for name, values in draws.others.items()},
        usable=draws.usable[:_SAMPLES],
        usable_loss=draws.usable_loss[:_SAMPLES],
    )
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
    change_kg = mass_kg - pack_energy_wh(own) * own.cell_mass_kg_per_wh
    column = PARAMETER_NAMES.index("mass_kg")
    parameters, median = draws.parameters.copy(), draws.median.copy()
    for values in (parameters, median):
        # A much smaller pack cannot make the vehicle weightless.
        values[:, column] = np.maximum(values[:, column] + change_kg, _LEAST_MASS_SHARE * values[:, column])
    moved = replace(draws, parameters=parameters, median=median)
    consumed = moved.consumption_wh_per_km(prepared, build)
    breakdown = moved.median_breakdown(prepared, build)
    energy_wh = gives.sample(breakdown, prepared.parts[0].conditions, draws.usable, draws.usable_loss)
    share = available_share_ratio(build.target)
    range_m = np.where(consumed > 0, 1000.0 * share * energy_wh / np.maximum(consumed, 1e-9), np.inf)
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
        mass_change_kg=change_kg,
        cost=None if pack.cost_per_kwh is None else pack.cost_per_kwh * nominal_wh / 1000.0,
        consumption_wh_per_km=float(np.median(consumed)),
        range_m=Quantiles.of_samples(range_m, "m"),
        probability_of_target=float(np.mean(range_m >= build.target.range_m)),
    )
