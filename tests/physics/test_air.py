import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.physics.air import (
    air_density_kg_per_m3,
    dry_air_density_kg_per_m3,
    standard_elevation_m,
    standard_pressure_pa,
    wind_components_m_per_s,
)

ISA = {
    0.0: (1.225, 101_325.0),
    500.0: (1.167273, 95_461.3),
    1609.344: (1.046662, 83_431.8),
    3000.0: (0.909254, 70_121.1),
}


def geopotential_m(geometric_m):
    return geometric_m * 6_356_766.0 / (6_356_766.0 + geometric_m)


@pytest.mark.recomputed("with the package ambiance")
@pytest.mark.parametrize("height_m", ISA)
def test_standard_atmosphere_has_its_pressure(height_m):
    _, pressure = ISA[height_m]
    assert standard_pressure_pa(geopotential_m(height_m)) == pytest.approx(pressure, abs=0.1)


@pytest.mark.recomputed("with the package ambiance")
def test_standard_atmosphere_agrees_with_an_independent_package():
    from ambiance import Atmosphere

    height = np.linspace(0.0, 3000.0, 13)
    geopotential = geopotential_m(height)
    reference = Atmosphere(height)
    np.testing.assert_allclose(standard_pressure_pa(geopotential), reference.pressure, rtol=1e-6)


@given(st.floats(-400.0, 9000.0))
@settings(deadline=None, max_examples=50)
def test_elevation_from_pressure_inverts_pressure_from_elevation(height_m):
    assert standard_elevation_m(standard_pressure_pa(height_m)) == pytest.approx(height_m, abs=1e-6)


@pytest.mark.recomputed("with CIPM-2007, constants from memory")
@pytest.mark.parametrize(
    ("temperature", "pressure", "humidity", "density"),
    [
        (20.0, 101_325.0, 0.5, 1.19931),
        (30.0, 101_325.0, 0.8, 1.15001),
        (20.0, 98_210.0, 0.5, 1.16227),
        (0.0, 101_325.0, 0.5, 1.29158),
    ],
)
def test_moist_air_has_the_cipm_density(temperature, pressure, humidity, density):
    assert air_density_kg_per_m3(temperature, pressure, humidity) == pytest.approx(density, abs=1.5e-5)


@pytest.mark.recomputed("with CoolProp, HAPropsSI")
def test_moist_air_agrees_with_coolprop_over_the_weather_of_the_road():
    from CoolProp.HumidAirProp import HAPropsSI

    for temperature in (-20.0, 0.0, 20.0, 40.0):
        for pressure in (80_000.0, 101_325.0):
            for humidity in (0.0, 0.5, 1.0):
                reference = 1.0 / HAPropsSI("Vha", "T", temperature + 273.15, "P", pressure, "R", humidity)
                density = air_density_kg_per_m3(temperature, pressure, humidity)
                assert density == pytest.approx(reference, rel=1e-3)


@pytest.mark.from_memory("40 CFR 1037.528(h)(10), worked example")
def test_dry_air_has_the_density_of_the_regulation():
    assert dry_air_density_kg_per_m3(285.97 - 273.15, 101_727.0) == pytest.approx(1.23921, abs=5e-6)


def test_moist_air_is_lighter_than_dry_air():
    assert air_density_kg_per_m3(30.0, 101_325.0, 0.8) < air_density_kg_per_m3(30.0, 101_325.0, 0.0)


def test_wind_from_ahead_is_headwind_and_from_behind_is_tailwind():
    headwind, crosswind = wind_components_m_per_s(5.0, 90.0, np.array([90.0, 270.0, 0.0]))
    np.testing.assert_allclose(headwind, [5.0, -5.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(np.abs(crosswind), [0.0, 0.0, 5.0], atol=1e-12)
