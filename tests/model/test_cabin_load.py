from dataclasses import replace

import numpy as np
import pytest

from logan.drive.drive import Drive
from logan.model.cabin_load import cabin_load, taught_cabin, unlogged_cabin
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.model.simple_drives import channel

TIME_S = np.arange(0.0, 600.0, 0.5)


def load_of(**channels):
    drive = Drive(channels={name: channel(name, TIME_S, value) for name, value in channels.items()})
    return cabin_load(drive, TIME_S)


def test_heater_and_air_conditioning_add_up():
    found = load_of(heater_power=2_000.0, air_conditioning_power=500.0)
    assert found.is_logged
    assert found.power_w == pytest.approx(np.full(TIME_S.size, 2_500.0))


def test_nothing_logged_is_nothing_known():
    found = load_of()
    assert not found.is_logged
    assert not found.power_w.any()
    assert found.base_power_w is None


def test_base_load_is_what_is_left_of_all_auxiliaries():
    found = load_of(auxiliary_power=1_500.0, heater_power=1_100.0)
    assert found.base_power_w == pytest.approx(400.0)
    assert load_of(dcdc_power=350.0).base_power_w == pytest.approx(350.0)


AUXILIARY = example_build().auxiliary


@pytest.mark.parametrize(
    ("channels", "ambient_degc", "is_doubtful"),
    [
        ({}, -5.0, True),
        ({"heater_power": 2_000.0}, -5.0, False),
        ({"air_conditioning_power": 500.0}, -5.0, True),
        ({}, 20.0, False),
        ({}, 33.0, True),
        ({"air_conditioning_power": 500.0}, 33.0, False),
    ],
)
def test_cabin_power_is_doubtful_where_needed_and_not_logged(channels, ambient_degc, is_doubtful):
    load = load_of(**channels)
    mean, sigma = unlogged_cabin(load, ambient_degc, AUXILIARY, temperature_known=True)
    assert (mean > 0.0, sigma > 0.0) == (is_doubtful, is_doubtful)
    if is_doubtful:  # neither off nor full on would be a surprise
        assert mean - sigma < 0.0 < mean + sigma


def test_unknown_weather_leaves_cabin_power_open_without_leaning():
    mean, sigma = unlogged_cabin(load_of(), 20.0, AUXILIARY, temperature_known=False)
    assert mean == 0.0
    assert sigma > 0.3


def test_what_is_not_fitted_draws_nothing():
    bare = replace(AUXILIARY, heater_limit_w=0.0, air_conditioning_limit_w=0.0)
    assert unlogged_cabin(load_of(), -10.0, bare, temperature_known=True) == (0.0, 0.0)


HEATED = replace(
    AUXILIARY,
    heating_w_per_k=PlanningValue(100.0, 30.0),
    cooling_w_per_k=PlanningValue(0.0, 0.0),
    comfort_low_degc=17.0,
)


def test_a_logged_heater_teaches_what_a_kelvin_takes():
    """Two winter hours of 5.0 kW, 20 K below comfort; a cold start draws 1 + 600/3600 (1 - e^-6) times as much."""
    rise = 1.0 + 600.0 / 3600.0 * (1.0 - np.exp(-6.0))
    heating, cooling = taught_cabin([(-3.0, 5_000.0, 3_600.0)] * 2, HEATED)
    logged = 5_000.0 / (20.0 * rise)
    sigma = np.hypot(0.25 / np.sqrt(2.0), 0.05) * logged
    share = 30.0**2 / (30.0**2 + sigma**2)
    assert heating.value == pytest.approx(share * logged + (1.0 - share) * 100.0)
    assert heating.sigma == pytest.approx(np.sqrt(share) * sigma)
    assert 100.0 < heating.value < logged
    assert "2 drives" in heating.source
    assert cooling is None


def test_mild_weather_teaches_nothing_and_without_a_plan_the_drives_alone_tell():
    assert taught_cabin([(15.0, 5_000.0, 3_600.0), (26.0, 900.0, 3_600.0)], HEATED) == (None, None)
    heating, cooling = taught_cabin([(34.0, 1_000.0, 1e9)], HEATED)
    assert heating is None
    assert cooling.value == pytest.approx(1_000.0 / (34.0 - HEATED.comfort_high_degc))
    assert cooling.sigma == pytest.approx(np.hypot(0.25, 0.05) * cooling.value)
