import numpy as np
import pytest

from logan.physics.tyre import (
    rotating_mass_kg,
    temperature_factor,
    warm_up_share,
)


@pytest.mark.published("UN R117, Annex 6, 6.2: F25 = F [1 + K (t - 25)], K = 0.008 for car tyres")
@pytest.mark.parametrize("temperature", [20.0, 25.0, 30.0])
def test_the_factor_undoes_the_correction_of_the_regulation(temperature):
    corrected = 100.0 * temperature_factor(temperature, 0.008) * (1.0 + 0.008 * (temperature - 25.0))
    assert corrected == pytest.approx(100.0, rel=2e-3)


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
