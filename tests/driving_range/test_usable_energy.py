import dataclasses

import numpy as np
import pytest

from logan.driving_range.scenarios import prepare_scenarios, scenario_breakdown
from logan.driving_range.usable_energy import usable_energy_of
from logan.model.environment import Conditions
from logan.model.priors import prior_of
from logan.settings import Scenario, ScenarioKind
from tests.builds import example_build

BUILD = example_build()


def share(speed_m_per_s, cells_degc=25.0):
    scenario = Scenario(name="x", kind=ScenarioKind.STEADY, speed_m_per_s=speed_m_per_s)
    (prepared,) = prepare_scenarios((scenario,), lambda _: None)
    breakdown = scenario_breakdown(prepared, prior_of(BUILD).median, BUILD)
    return usable_energy_of(BUILD).load_share(breakdown, Conditions(pack_temperature_degc=cells_degc))


def test_a_heavier_load_gives_less_and_a_lighter_one_more():
    assert share(12.0) > 1.0 > share(35.0)
    assert share(35.0) > 0.95


def test_at_moderate_load_the_share_is_one():
    speeds = np.linspace(10.0, 40.0, 61)
    shares = np.array([share(speed) for speed in speeds])
    assert np.all(np.diff(shares) < 0)
    assert shares[0] > 1.0 > shares[-1]


def test_cold_cells_give_less_by_the_loss_per_kelvin():
    usable = usable_energy_of(BUILD)
    assert usable.temperature_share(-7.0, 0.004) == pytest.approx(1.0 - 32 * 0.004)
    assert usable.temperature_share(35.0, 0.004) == pytest.approx(1.0)
    assert usable.temperature_share(-200.0, 0.01) == pytest.approx(0.2)


def test_samples_spread_as_the_uncertainty_says():
    usable = usable_energy_of(BUILD)
    scenario = Scenario(name="x", kind=ScenarioKind.STEADY, speed_m_per_s=20.0)
    (prepared,) = prepare_scenarios((scenario,), lambda _: None)
    breakdown = scenario_breakdown(prepared, prior_of(BUILD).median, BUILD)
    rng = np.random.default_rng(2)
    energy = usable.sample(
        breakdown, Conditions(pack_temperature_degc=25.0), rng.standard_normal(100_000), rng.standard_normal(100_000)
    )
    assert energy.std() / energy.mean() == pytest.approx(2_000.0 / 57_000.0, rel=0.02)
    certain = dataclasses.replace(usable, sigma_wh=0.0)
    assert certain.log_sigma == 0.0


def test_a_cold_highway_run_ends_at_the_voltage_floor():
    """26 kW, 360 V open circuit from 270 V at 0 to 400 V at full, floor 290 V: at 25 °C the floor is met below the
    window's end; at -20 °C the cells' resistance is 6.0 times as high, and the window ends at 27 % (by hand)."""
    points, volts = (0.0, 0.1, 0.5, 1.0), (270.0, 320.0, 350.0, 400.0)
    usable = dataclasses.replace(
        usable_energy_of(BUILD),
        floor_v=290.0,
        state_points=points,
        voltage_points_v=volts,
        resistance_ohm=0.08,
        activation_j_per_mol=25_000.0,
    )
    assert usable.floor_share(26_000.0, 25.0) == pytest.approx((0.95 - 0.1 * 27.17 / 50.0) / 0.9, abs=1e-3)
    ohm = 0.08 * np.exp(25_000.0 / 8.314462618 * (1 / 253.15 - 1 / 298.15))
    end = np.interp(290.0 + 26_000.0 / 290.0 * ohm, volts, points)
    assert usable.floor_share(26_000.0, -20.0) == pytest.approx((0.95 - end) / 0.9, rel=1e-6)
    assert end == pytest.approx(0.274, abs=1e-3)
    assert dataclasses.replace(usable, floor_v=None).floor_share(26_000.0, -20.0) == 1.0
