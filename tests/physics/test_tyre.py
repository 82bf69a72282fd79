import numpy as np
import pytest

from logan.physics.tyre import (
    force_at_reference_temperature_n,
    regression_force_n,
    rotating_mass_kg,
    temperature_factor,
    warm_up_share,
)

POLYNOMIAL = (0.0434, 5.4e-5, 5.53e-7)


@pytest.mark.published("40 CFR 1037.528(h)(5), SAE J2452 steer axle: 365.6 and 297.8 N")
@pytest.mark.parametrize(("speed", "force"), [(103.896, 365.6), (21.024, 297.8)])
def test_tyre_regression_matches_the_regulation(speed, force):
    found = regression_force_n(
        speed,
        tyre_count=2,
        pressure_kpa=758.4,
        load_n=51_421.2,
        pressure_exponent=-0.2435,
        load_exponent=0.9576,
        polynomial=POLYNOMIAL,
    )
    assert found == pytest.approx(force, abs=0.1)


@pytest.mark.published("UN R117 Annex 6, 6.2: F25 = F [1 + K (t - 25)], K = 0.008 for car tyres")
def test_rolling_resistance_is_corrected_to_25_degrees_as_the_regulation_says():
    assert force_at_reference_temperature_n(100.0, 30.0, 0.008) == pytest.approx(104.0)
    assert force_at_reference_temperature_n(100.0, 20.0, 0.008) == pytest.approx(96.0)


def test_factor_and_correction_undo_each_other_within_the_regulated_range():
    for temperature in (20.0, 25.0, 30.0):
        on_road = 100.0 * temperature_factor(temperature, 0.008)
        assert force_at_reference_temperature_n(on_road, temperature, 0.008) == pytest.approx(100.0, rel=2e-3)


def test_factor_is_held_beyond_its_range():
    assert temperature_factor(-30.0, 0.008) == temperature_factor(-10.0, 0.008)
    assert temperature_factor(55.0, 0.008) == temperature_factor(40.0, 0.008)


def test_a_cold_tyre_warms_within_the_hour():
    share = warm_up_share(np.array([0.0, 600.0, 3600.0]))
    assert share[:2] == pytest.approx([1.0, 1.0 / np.e])
    assert share[2] < 0.003


def test_a_rotor_through_its_gearing_counts_as_mass():
    added = rotating_mass_kg(
        wheel_inertia_kg_m2=0.0, rotor_inertia_kg_m2=0.05, total_ratio=9.0, rolling_circumference_m=2 * np.pi * 0.33
    )
    assert added == pytest.approx(37.0, abs=0.3)
