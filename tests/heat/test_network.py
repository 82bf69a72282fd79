import numpy as np
import pytest

from logan.heat.network import PARAMETERS, HeatLoad, losses_of, march, priors_of
from logan.heat.series import CHANNELS
from tests.builds import example_build


def parameters(**changes):
    return {name: np.array([prior.median]) for name, prior in priors_of(example_build()).items()} | {
        name: np.array([value]) for name, value in changes.items()
    }


def load_of(torque, *, step_s=4.0, shaft=0.0, road=0.0, current=0.0, ambient=25.0, coolant=None):
    column = np.asarray(torque, dtype=float)[:, np.newaxis, np.newaxis]
    ones = np.ones_like(column)
    return HeatLoad(
        square=column**2, magnitude=np.abs(column), shaft_rad_per_s=shaft * ones, shaft_square=shaft**2 * ones,
        road_m_per_s=road * ones, current_a2=current**2 * ones, ambient_degc=ambient * ones, step_s=step_s,
        coolant_degc=None if coolant is None else coolant * ones,
    )  # fmt: skip


def start(degc=25.0):
    return {part: np.full((1, 1), degc) for part in CHANNELS}


def inverter_rise(torque, **changes):
    """The inverter over a coolant that is held: one node, so duty types have closed forms."""
    p = parameters(l0=0.0, l1=0.0, l2=0.05, **changes)
    found = march(p, load_of(torque, coolant=25.0), start(), has_coolant=True)
    return found.inverter[:, 0, 0] - 25.0, float(p["c_i"][0] / p["g_i"][0]), float(0.05 / p["g_i"][0])


# Duty types of IEC 60034-1 (from memory: S1 continuous, S2 short-time from cold, S3 intermittent), with the first-order
# body's closed forms, recomputed here.


def test_s1_settles_at_loss_over_conductance():
    rise, _, gain = inverter_rise(np.full(600, 150.0))
    assert rise[-1] == pytest.approx(150.0**2 * gain, rel=1e-6)


def test_s2_of_half_a_time_constant_reaches_39_percent_of_s1():
    _, tau, gain = inverter_rise(np.zeros(10))
    count = round(0.5 * tau / 4.0)
    rise, _, _ = inverter_rise(np.full(count + 1, 150.0))
    told = 0.5 * (rise[count - 1] + rise[count])  # block means on either side of the instant
    assert told == pytest.approx(150.0**2 * gain * (1.0 - np.exp(-count * 4.0 / tau)), rel=2e-3)


def test_s3_of_a_quarter_in_ten_minutes_peaks_where_the_series_says():
    on = np.tile(np.concatenate((np.full(38, 200.0), np.zeros(112))), 8)
    rise, tau, gain = inverter_rise(on, c_i=40_000.0)
    settled = 200.0**2 * gain
    peak = settled * (1 - np.exp(-38 * 4 / tau)) / (1 - np.exp(-600 / tau))
    assert rise[-150:].max() == pytest.approx(peak, rel=0.01)
    assert rise[-150:].max() < settled


def test_the_motor_settles_where_its_heat_balance_closes():
    """Handbook: settled, every node gives what it takes; the copper's loss grows with its temperature."""
    p = parameters()
    found = march(
        p, load_of(np.full(4000, 80.0), shaft=400.0, coolant=50.0, ambient=25.0), start(50.0), has_coolant=True
    )
    v = {name: float(value[0]) for name, value in p.items()}
    losses = losses_of(v)
    winding = float(found.winding[-1, 0, 0])
    housing = (float(found.motor[-1, 0, 0]) - 0.85 * winding) / 0.15
    copper = float(losses.copper_w(np.array(80.0), np.array(400.0), 0.8 * winding + 0.2 * housing))
    assert winding - housing == pytest.approx(copper / v["g_wh"], rel=1e-3)
    out = v["g_hc"] * (housing - 50.0) + v["g_ha"] * 0.4 * (housing - 25.0)
    assert out == pytest.approx(copper + float(losses.core_w(np.array(400.0))), rel=1e-3)


def test_eddy_currents_in_the_winding_fall_as_its_copper_warms():
    """Skin effect far from saturation: loss in a given alternating field goes with conductivity (handbooks)."""
    v = {name: float(value[0]) for name, value in parameters(k_f=1e-9).items()}
    torque, speed = np.array(100.0), np.array(600.0)
    cold, hot = (float(losses_of(v).copper_w(torque, speed, degc)) for degc in (25.0, 25.0 + 1.0 / 0.0039))
    direct = v["k_cu"] * 100.0**2
    assert cold == pytest.approx(direct * (1.0 + v["k_ac"]))
    assert hot == pytest.approx(direct * (2.0 + v["k_ac"] / 2.0))


def test_without_load_everything_cools_to_the_air_and_never_rises():
    p = parameters(l0=0.0)
    found = march(p, load_of(np.zeros(15_000), road=10.0), start(80.0), has_coolant=True)
    for part in CHANNELS:
        series = found.of(part)[:, 0, 0]
        assert np.all(np.diff(series) < 1e-9)
        assert series[-1] == pytest.approx(25.0, abs=1.5)


def test_twice_the_torque_is_four_times_the_copper_loss_whatever_the_speed_on_the_road():
    p = parameters(k_f=0.0, k_ac=0.0, f1=0.0, f2=0.0)
    one, two = (
        march(p, load_of(np.full(30, torque), coolant=25.0), start(), has_coolant=True).winding[3, 0, 0] - 25.0
        for torque in (50.0, 100.0)
    )
    assert two / one == pytest.approx(4.0, rel=0.01)


def test_every_parameter_has_a_prior():
    assert set(priors_of(example_build())) == {name for names in PARAMETERS.values() for name in names}
