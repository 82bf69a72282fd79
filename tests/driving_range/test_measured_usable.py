import dataclasses

import pytest

from logan.driving_range.measured_usable import GAUGE_SIGMA_RATIO, UsableObservation, joined_usable_energy
from logan.metrics.pack import UsableEnergy
from logan.results import Estimate, Refusal
from tests.builds import example_build

BUILD = example_build()  # 57.0 kWh, 2.0 kWh


def observation(wh, sigma_wh=600.0, *, cells_degc=25.0, is_circular=False):
    energy = Estimate(wh, "Wh", sigma_wh) if wh else Refusal("too short")
    return UsableObservation(
        measured=UsableEnergy(
            energy_wh=energy,
            charge_ah=energy,
            window_energy_wh=energy,
            start_ratio=0.9,
            end_ratio=0.2,
            is_circular=is_circular,
            note="",
        ),
        cell_temperature_degc=cells_degc,
    )


def test_drives_pull_the_plan_towards_what_they_show():
    found = joined_usable_energy(BUILD, [observation(53_000.0)])
    assert 53_000.0 < found.value < 55_000.0
    assert found.sigma < 2_000.0
    assert "1 drive" in found.source


def test_many_drives_do_not_average_the_gauge_away():
    found = joined_usable_energy(BUILD, [observation(53_000.0)] * 200)
    assert found.sigma / found.value == pytest.approx(GAUGE_SIGMA_RATIO, rel=0.15)
    assert found.value < joined_usable_energy(BUILD, [observation(53_000.0)]).value


def test_a_cold_drive_is_carried_to_25_degrees():
    warm = joined_usable_energy(BUILD, [observation(55_000.0)])
    cold = joined_usable_energy(BUILD, [observation(55_000.0 * (1 - 0.004 * 25), cells_degc=0.0)])
    assert cold.value == pytest.approx(warm.value, rel=0.02)
    assert cold.sigma > warm.sigma


def test_circular_and_refused_drives_say_nothing():
    assert joined_usable_energy(BUILD, []) is None
    assert joined_usable_energy(BUILD, [observation(53_000.0, is_circular=True), observation(0.0)]) is None


def test_a_plan_taken_as_exact_stays():
    exact = dataclasses.replace(BUILD.pack.usable_energy_wh, sigma=0.0)
    build = dataclasses.replace(BUILD, pack=dataclasses.replace(BUILD.pack, usable_energy_wh=exact))
    assert joined_usable_energy(build, [observation(53_000.0)]).value == pytest.approx(57_000.0)
