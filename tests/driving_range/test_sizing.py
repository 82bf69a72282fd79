import dataclasses
from itertools import pairwise

import numpy as np
import pytest

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.prediction import predict_range
from logan.driving_range.scenarios import prepare_scenarios
from logan.driving_range.sensitivity import Standpoint
from logan.driving_range.sizing import pack_energy_wh, size_pack
from tests.builds import MILE_M, example_build


def sized(build, seed=1):
    prepared = prepare_scenarios(build.scenarios, lambda scenario: load_cycle(scenario.cycle))[1]
    return size_pack(known(build), build, prepared, rng=np.random.default_rng(seed))


def known(build):
    return dataclasses.replace(Standpoint.of_plan(build), level_sigma=0.05, wind_sigma_m_per_s=0.0, auxiliary_sigma=0.0)


def with_pack(build, usable_wh, added_kg):
    factor = usable_wh / build.pack.usable_energy_wh.value
    pack = dataclasses.replace(
        build.pack,
        usable_energy_wh=dataclasses.replace(
            build.pack.usable_energy_wh, value=usable_wh, sigma=build.pack.usable_energy_wh.sigma * factor
        ),
    )
    mass = dataclasses.replace(build.vehicle.mass_kg, value=build.vehicle.mass_kg.value + added_kg)
    return dataclasses.replace(build, pack=pack, vehicle=dataclasses.replace(build.vehicle, mass_kg=mass))


def test_the_pack_that_is_asked_for_reaches_the_target_with_its_chance():
    build = example_build()
    for size in sized(build).sizes:
        grown = with_pack(build, size.usable_energy_wh, size.added_mass_kg)
        prepared = prepare_scenarios(grown.scenarios, lambda scenario: load_cycle(scenario.cycle))[1]
        found = predict_range(known(grown), grown, [prepared], rng=np.random.default_rng(5))
        assert found.scenarios[0].probability_of_target == pytest.approx(size.confidence_ratio, abs=0.02)


def test_more_confidence_needs_a_larger_and_heavier_pack():
    sizes = sized(example_build()).sizes
    assert [size.confidence_ratio for size in sizes] == [0.5, 0.8, 0.9]
    for smaller, larger in pairwise(sizes):
        assert larger.usable_energy_wh > smaller.usable_energy_wh
        assert larger.added_mass_kg > smaller.added_mass_kg
        assert larger.consumption_wh_per_km > smaller.consumption_wh_per_km


def test_mass_that_cells_bring_is_carried():
    build = example_build()
    light = dataclasses.replace(build, pack=dataclasses.replace(build.pack, cell_mass_kg_per_wh=0.0))
    far = dataclasses.replace(build.target, range_m=250 * MILE_M)
    heavy, weightless = (sized(dataclasses.replace(case, target=far)).sizes[-1] for case in (build, light))
    assert weightless.added_mass_kg == 0.0
    assert heavy.added_mass_kg > 100.0
    assert heavy.usable_energy_wh > 1.02 * weightless.usable_energy_wh


def test_a_target_that_no_pack_reaches_is_said_to_be_out_of_reach():
    build = example_build()
    leaden = dataclasses.replace(
        build,
        pack=dataclasses.replace(build.pack, cell_mass_kg_per_wh=1.0 / 10.0),
        target=dataclasses.replace(build.target, range_m=400 * MILE_M),
    )
    for size in sized(leaden).sizes:
        assert not size.is_reachable


def test_halving_the_doubt_saves_cells():
    found = sized(example_build())
    assert 1000.0 < found.saved_by_halving_uncertainty_wh < 10_000.0


def test_nominal_energy_counts_cells():
    assert pack_energy_wh(example_build().pack) == pytest.approx(96 * 3 * 60.0 * 3.65)


def test_packs_are_whole_strings_up_to_the_chance_wanted_and_carry_their_own_weight():
    build = example_build()
    choices = sized(build).choices
    assert [choice.cells_in_parallel for choice in choices] == list(range(2, 2 + len(choices)))
    assert [choice.is_in_the_build for choice in choices].count(True) == 1
    for smaller, larger in pairwise(choices):
        assert larger.nominal_energy_wh - smaller.nominal_energy_wh == pytest.approx(96 * 60.0 * 3.65)
        assert larger.mass_kg - smaller.mass_kg == pytest.approx(96 * 60.0 * 3.65 / 150.0)
        assert larger.consumption_wh_per_km > smaller.consumption_wh_per_km
        assert larger.probability_of_target >= smaller.probability_of_target
    assert choices[-1].probability_of_target >= 0.9


def test_the_chance_of_a_larger_pack_is_that_of_a_build_with_it():
    build = example_build()
    larger = next(choice for choice in sized(build).choices if choice.cells_in_parallel == 4)
    own = next(choice for choice in sized(build).choices if choice.is_in_the_build)
    grown = with_pack(build, larger.usable_energy_wh, larger.mass_kg - own.mass_kg)
    again = sized(grown, seed=7).choices
    same = next(choice for choice in again if choice.is_in_the_build)
    assert same.probability_of_target == pytest.approx(larger.probability_of_target, abs=0.03)
    assert same.consumption_wh_per_km == pytest.approx(larger.consumption_wh_per_km, rel=0.01)


def test_alternatives_and_whole_modules_stand_beside_the_build_s_own():
    build = example_build()
    phosphate = dataclasses.replace(
        build.pack,
        name="new iron phosphate",
        cells_in_series=112,
        cells_in_parallel=1,
        cell_capacity_ah=dataclasses.replace(build.pack.cell_capacity_ah, value=230.0),
        cell_nominal_voltage_v=3.2,
        cell_mass_kg_per_wh=1.0 / 125.0,
        cost_per_kwh=100.0,
    )
    own = dataclasses.replace(build.pack, cells_in_parallel=4, module_cells=(12, 2), alternatives=(phosphate,))
    choices = sized(dataclasses.replace(build, pack=own)).choices
    assert all(choice.cells_in_parallel % 2 == 0 for choice in choices[:-1])
    assert choices[0].modules == 96 * choices[0].cells_in_parallel // 24
    last = choices[-1]
    assert (last.name, last.cells_in_parallel, last.is_in_the_build) == ("new iron phosphate", 1, False)
    assert last.nominal_energy_wh == pytest.approx(112 * 230.0 * 3.2)
    assert last.cost == pytest.approx(112 * 230.0 * 3.2 / 1000.0 * 100.0)
    assert last.mass_kg == pytest.approx(112 * 230.0 * 3.2 / 125.0)
