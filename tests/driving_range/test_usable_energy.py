import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from logan.driving_range.scenarios import prepare_scenarios, scenario_breakdown
from logan.driving_range.usable_energy import usable_energy_of
from logan.instruments.drive_evidence import UNKNOWNS, Sensor
from logan.instruments.posterior import known_instruments
from logan.model.parameters import Conditions
from logan.model.priors import prior_of
from logan.model.unknowns import SHARED_COUNT
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


def cold_pack(**changes):
    """The pack of the test above, whose floor ends a cold run at 26 kW early; 200 kg of cells."""
    usable = dataclasses.replace(
        usable_energy_of(BUILD), floor_v=290.0, state_points=(0.0, 0.1, 0.5, 1.0),
        voltage_points_v=(270.0, 320.0, 350.0, 400.0), resistance_ohm=0.08, activation_j_per_mol=25_000.0,
        heat_j_per_k=200.0 * 1_050.0, leak_w_per_k=10.0, leak_j_per_m_k=2.0,
    )  # fmt: skip
    return dataclasses.replace(usable, **changes)


def test_a_pack_that_warms_itself_meets_its_floor_later():
    """C T' = R(T) I² - (e0 + e1 v)(T - Ta) to where the floor or the window ends the run, by a solver of its own."""
    usable, power_w, speed = cold_pack(), 26_000.0, 29.0
    soaked = Conditions(ambient_temperature_degc=-20.0)
    volt = usable.open_circuit_voltage_v

    def rise(_, degc):
        ohm = 0.08 * np.exp(25_000.0 / 8.314462618 * (1.0 / (degc[0] + 273.15) - 1.0 / 298.15))
        ampere = (volt - np.sqrt(volt**2 - 4.0 * ohm * power_w)) / (2.0 * ohm)
        return [(ohm * ampere**2 - (10.0 + 2.0 * speed) * (degc[0] + 20.0)) / 210_000.0]

    whole_s = usable.energy_wh * 3600.0 / power_w
    path = solve_ivp(rise, (0.0, whole_s), [-20.0], max_step=30.0)
    shares = [usable.floor_share(power_w, degc) for degc in path.y[0]]
    end = next(k for k, share in enumerate(shares) if share <= path.t[k] / whole_s)
    assert usable.warmed_degc(power_w, soaked, speed) == pytest.approx(path.y[0][end], abs=0.6)
    assert path.y[0][end] > -12.0
    late, early = (usable.floor_share(power_w, degc) for degc in (path.y[0][end], -20.0))
    assert late > early + 0.05
    assert cold_pack(heat_j_per_k=0.0).warmed_degc(power_w, soaked, speed) == -20.0
    assert cold_pack(floor_v=None).warmed_degc(power_w, soaked, speed) == -20.0


def test_the_range_in_the_cold_depends_on_where_the_cells_began():
    """Soaked, from a garage, as warm as driving left them: each reaches its floor later than the one before."""
    breakdown, zero = steady(36.0), np.zeros(1)
    began = [Conditions(ambient_temperature_degc=-20.0, pack_temperature_degc=degc) for degc in (None, 0.0, 20.0)]
    reach = [cold_pack(loss_per_k=0.0, floor_v=310.0).sample(breakdown, one, zero, zero, 36.0)[0] for one in began]
    # Within an hour the air on the pack brings them nearer to each other: the order stays, most of the gap does not.
    assert reach[0] < reach[1] < reach[2]
    unheated = cold_pack(loss_per_k=0.0, floor_v=310.0, heat_j_per_k=0.0)
    assert unheated.sample(breakdown, began[0], zero, zero, 36.0)[0] < 0.97 * reach[0]


def test_load_share_by_hand():
    """Terminal energy over terminal energy and heat, against the same at the load that empties the pack in 3 h."""
    usable = usable_energy_of(BUILD)
    ohm, volt, moderate_w = usable.resistance_ohm, usable.open_circuit_voltage_v, usable.energy_wh / 3.0
    ampere = (volt - np.sqrt(volt**2 - 4.0 * ohm * moderate_w)) / (2.0 * ohm)
    expected = 200.0 / 212.0 * (moderate_w + ohm * ampere**2) / moderate_w
    assert usable.share_under_load(200.0, 12.0, 25.0) == pytest.approx(expected)
    assert usable.share_under_load(0.0, 12.0, 25.0) == 1.0
    cold_ohm = ohm * np.exp(usable.activation_j_per_mol / 8.314462618 * (1 / 263.15 - 1 / 298.15))
    cold_a = (volt - np.sqrt(volt**2 - 4.0 * cold_ohm * moderate_w)) / (2.0 * cold_ohm)
    in_the_cold = 200.0 / 212.0 * (moderate_w + cold_ohm * cold_a**2) / moderate_w
    assert usable.share_under_load(200.0, 12.0, -10.0) == pytest.approx(in_the_cold)


def steady(speed_m_per_s):
    (prepared,) = prepare_scenarios((Scenario(name="x", kind=ScenarioKind.STEADY, speed_m_per_s=speed_m_per_s),), None)
    return scenario_breakdown(prepared, prior_of(BUILD).median, BUILD)


def test_a_sample_is_energy_by_deviation_by_temperature_and_load_or_by_the_floor_where_that_ends_it_earlier():
    usable, breakdown, cells = usable_energy_of(BUILD), steady(28.0), Conditions(pack_temperature_degc=-15.0)
    deviation, loss_deviation = np.array([0.0, 1.5, -1.0, 0.0]), np.array([0.0, 0.0, 1.0, -50.0])
    loss = np.maximum(usable.loss_per_k + usable.loss_sigma_per_k * loss_deviation, 0.0)
    share = np.maximum(1.0 - loss * 40.0, 0.2) * usable.load_share(breakdown, cells)
    expected = usable.energy_wh * np.exp(usable.log_sigma * deviation) * share
    assert usable.sample(breakdown, cells, deviation, loss_deviation, 28.0) == pytest.approx(expected)
    assert loss[3] == 0.0
    floored = dataclasses.replace(
        usable,
        floor_v=330.0,
        state_points=(0.0, 0.1, 0.5, 1.0),
        voltage_points_v=(300.0, 330.0, 350.0, 400.0),
        resistance_ohm=0.15,
        heat_j_per_k=0.0,
    )
    power_w = float(breakdown.total_wh_per_km[0]) * 28.0 * 3.6
    limit = floored.floor_share(power_w, -15.0)
    assert limit < share[0]
    assert floored.sample(breakdown, cells, deviation, loss_deviation, 28.0)[0] == pytest.approx(
        usable.energy_wh * limit
    )
    assert floored.floor_share(0.0, -15.0) == 1.0
    assert dataclasses.replace(floored, floor_v=399.0).floor_share(power_w, -40.0) == 0.05


def test_what_goes_with_the_fit_leaves_the_energys_own_spread_whole():
    """Half of the variance follows the first shared unknown: both together are one standard normal again."""
    rng, usable = np.random.default_rng(3), usable_energy_of(BUILD)
    shared, own = 0.1 * rng.standard_normal((200_000, 2)), rng.standard_normal(200_000)
    weight = np.sqrt(0.5) * usable.log_sigma / 0.1
    found = dataclasses.replace(usable, follows=(weight, 0.0)).deviation(shared, own)
    assert found.std() == pytest.approx(1.0, abs=0.01)
    assert np.corrcoef(found, shared[:, 0])[0, 1] == pytest.approx(np.sqrt(0.5), abs=0.01)
    assert np.corrcoef(found, own)[0, 1] == pytest.approx(np.sqrt(0.5), abs=0.01)
    assert usable.deviation(shared, own) is own
    more = dataclasses.replace(usable, follows=(2.0 * weight, 0.0)).deviation(shared, own)
    assert np.corrcoef(more, own)[0, 1] == pytest.approx(0.0, abs=0.01)


def test_what_drives_and_sensors_found_moves_the_energy_and_its_uncertainty():
    """ln(true / planned) of -0.05 +- 0.02, which goes with two shared unknowns of units far apart."""
    covariance = np.zeros((SHARED_COUNT, SHARED_COUNT))
    covariance[0, 0], covariance[9, 9] = 0.01**2, 40.0**2
    known = known_instruments(BUILD)
    mean, errors = known.mean.copy(), known.covariance.copy()
    place = UNKNOWNS.index(Sensor.USABLE)
    mean[place], errors[place, :], errors[:, place] = -0.05, 0.0, 0.0
    errors[place, place] = 0.02**2
    cross = np.zeros((SHARED_COUNT, len(UNKNOWNS)))
    cross[0, place], cross[9, place] = 0.5 * 0.01 * 0.02, -0.3 * 40.0 * 0.02
    sensors = SimpleNamespace(
        instruments=dataclasses.replace(known, mean=mean, covariance=errors), cross_covariance=cross
    )
    found = usable_energy_of(BUILD, SimpleNamespace(sensors=sensors, shared_covariance=covariance))
    planned = usable_energy_of(BUILD)
    assert found.energy_wh == pytest.approx(planned.energy_wh * np.exp(-0.05))
    assert found.log_sigma == pytest.approx(0.02)
    assert found.estimate.sigma == found.sigma_wh
    follows = np.array(found.follows)
    assert follows[0] == pytest.approx(0.5 * 0.02 / 0.01)
    assert follows[9] == pytest.approx(-0.3 * 0.02 / 40.0)
    assert not follows[[1, 2, 3, 4, 5, 6, 7, 8]].any()
