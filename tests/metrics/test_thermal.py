from dataclasses import replace

import numpy as np
import pytest

from logan.metrics.thermal import thermal_summary, without_spikes
from logan.results import Estimate, Refusal
from logan.settings import Limit, LimitSheet, LimitSide
from tests.builds import example_build
from tests.twin_drives import build_of, cut, made_drive, twin_drive

SHEET = LimitSheet(
    limits=(
        Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=60.0, red=70.0, source="datasheet"),
        Limit(channel="inverter_temperature", side=LimitSide.ABOVE, amber=75.0, red=85.0, source="datasheet"),
    ),
    design_ambient_degc=40.0,
)


def ramp_drive():
    """Motor from 20 to 80 °C in ten minutes and back; the coolant has no limit."""
    time_s = np.arange(0.0, 1200.0, 1.0)
    motor = 20.0 + 60.0 * np.minimum(time_s, 1200.0 - time_s) / 600.0
    return made_drive(
        ("motor_temperature", time_s, motor),
        ("coolant_temperature", time_s, np.full(time_s.shape, 30.0)),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
    )


def margin_of(summary, channel):
    return next(margin for margin in summary.margins if margin.channel == channel)


def test_maximum_margin_rate_and_time_beyond():
    margin = margin_of(thermal_summary(ramp_drive(), example_build(limits=SHEET)), "motor_temperature")
    assert margin.maximum_degc == pytest.approx(80.0)
    assert margin.red_margin_k.value == pytest.approx(-10.0)
    assert margin.amber_margin_k.value == pytest.approx(-20.0)
    assert margin.rate_k_per_min == pytest.approx(6.0)
    assert margin.beyond_red_s == pytest.approx(200.0, abs=1e-6)
    assert margin.beyond_amber_s == pytest.approx(400.0, abs=1e-6)
    assert margin.context.at_s == 600.0
    assert margin.context.speed_m_per_s == 20.0


def test_a_temperature_without_a_limit_says_so_and_never_ok():
    margin = margin_of(thermal_summary(ramp_drive(), example_build(limits=SHEET)), "coolant_temperature")
    assert margin.red_margin_k == Refusal("no limit given", "Enter the limit from the datasheet in the limit sheet")
    assert margin.beyond_red_s is None


def test_a_numbered_temperature_takes_its_kinds_limit():
    drive = ramp_drive()
    second = replace(drive["motor_temperature"], name="motor_temperature_2")
    summary = thermal_summary(drive.with_channels(second), example_build(limits=SHEET))
    assert margin_of(summary, "motor_temperature_2").red_margin_k.value == pytest.approx(-10.0)


def test_a_lone_spike_is_no_alarm():
    drive = ramp_drive()
    value = drive["coolant_temperature"].value.copy()
    value[300] = 215.0
    drive = drive.with_channels(replace(drive["coolant_temperature"], value=value))
    margin = margin_of(thermal_summary(drive, example_build(limits=SHEET)), "coolant_temperature")
    assert margin.maximum_degc == 30.0
    assert margin.spikes_ignored == 1


def test_a_real_jump_that_stays_is_kept():
    drive = ramp_drive()
    value = drive["coolant_temperature"].value.copy()
    value[300:] = 90.0
    channel, count = without_spikes(replace(drive["coolant_temperature"], value=value))
    assert count == 0
    assert np.nanmax(channel.value) == 90.0


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_plateau_of_a_climb_within_5_k_from_its_first_8_minutes(seed):
    long = twin_drive("hill", seed, duration_s=7200.0)
    first = cut(long.to_drive(), 0.0, 480.0)
    build = build_of(long.vehicle, limits=SHEET)
    models = {model.channel: model for model in thermal_summary(first, build).models}
    before_turning = int(3550.0 / 0.05)
    for channel in ("motor_temperature", "inverter_temperature", "coolant_temperature"):
        truth = float(long.trace[channel][before_turning])
        plateau = models[channel].plateau_degc
        assert plateau.value == pytest.approx(truth, abs=5.0)
        assert abs(plateau.value - truth) < 3.0 * plateau.sigma + 1.0
    constant = models["motor_temperature"].time_constant_s
    vehicle = long.vehicle
    tau = vehicle.motor_heat_capacity_j_per_k * vehicle.motor_thermal_resistance_k_per_w
    assert constant.value == pytest.approx(tau, rel=0.1)


def coolant_of(first, value):
    """The first minutes of a climb with another coolant."""
    at_s = first["coolant_temperature"].time_s
    return first.with_channels(replace(first["coolant_temperature"], value=value(at_s)))


def model_of(drive, channel="motor_temperature"):
    return next(model for model in thermal_summary(drive, example_build()).models if model.channel == channel)


def test_a_plateau_says_how_far_what_cools_it_may_still_go():
    """The same rise over a coolant that a thermostat holds, that drifts, and that runs away."""
    first = cut(twin_drive("hill", 0, duration_s=7200.0).to_drive(), 0.0, 900.0)
    held = model_of(coolant_of(first, lambda at_s: 40.0 + 1.0 * np.sin(at_s / 20.0))).plateau_degc
    drifting = model_of(coolant_of(first, lambda at_s: 60.0 - at_s / 150.0)).plateau_degc
    away = model_of(coolant_of(first, lambda at_s: at_s / 40.0)).plateau_degc
    assert held.sigma < 2.0
    assert drifting.sigma > 2.0
    assert isinstance(away, Refusal)
    assert "still warms" in away.reason


def test_continuous_power_far_beyond_the_load_seen_is_as_wide_as_the_loss_law_is_unknown():
    first = cut(twin_drive("hill", 0, duration_s=7200.0).to_drive(), 0.0, 900.0)
    high = LimitSheet(limits=(Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=None, red=150.0),))
    near = LimitSheet(limits=(Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=None, red=75.0),))
    beyond, within = (
        next(m for m in thermal_summary(first, example_build(limits=sheet)).models if m.channel == "motor_temperature")
        for sheet in (high, near)
    )
    assert "extrapolated" in beyond.continuous_power_w.source
    assert "extrapolated" not in within.continuous_power_w.source
    assert beyond.continuous_power_w.sigma > 0.1 * beyond.continuous_power_w.value


def test_another_ambient_moves_plateau_and_continuous_power():
    first = cut(twin_drive("hill", 0, duration_s=7200.0).to_drive(), 0.0, 900.0)
    build = build_of(twin_drive("hill", 0, duration_s=7200.0).vehicle, limits=SHEET)
    model = next(m for m in thermal_summary(first, build).models if m.channel == "motor_temperature")
    assert model.plateau_design_degc.value == pytest.approx(model.plateau_degc.value + 20.0, abs=0.6)
    assert model.continuous_power_design_w.value < 0.75 * model.continuous_power_w.value
    load_kw = model.continuous_power_w.value
    # At the continuous power the plateau is the limit: 70 °C lies 50 K above this drive's air.
    scale = (70.0 - 20.0) / (model.plateau_degc.value - 20.0)
    assert load_kw == pytest.approx(scale * float(np.mean(np.abs(first["pack_current"].value * 370.0))), rel=0.25)


def test_time_to_limit_is_given_where_the_plateau_lies_beyond():
    drive = cut(twin_drive("hill", 0, duration_s=7200.0).to_drive(), 0.0, 600.0)
    low = LimitSheet(limits=(Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=None, red=50.0),))
    model = next(
        m for m in thermal_summary(drive, example_build(limits=low)).models if m.channel == "motor_temperature"
    )
    assert isinstance(model.time_to_limit_s, Estimate)
    truth = twin_drive("hill", 0, duration_s=7200.0).trace
    reached_s = float(truth.time_s[np.argmax(truth["motor_temperature"] > 50.0)])
    assert 600.0 + model.time_to_limit_s.value == pytest.approx(reached_s, abs=60.0)


def test_a_limit_above_the_plateau_is_never_reached_and_says_where_it_settles():
    drive = cut(twin_drive("hill", 0, duration_s=7200.0).to_drive(), 0.0, 600.0)
    high = LimitSheet(limits=(Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=None, red=150.0),))
    model = next(
        m for m in thermal_summary(drive, example_build(limits=high)).models if m.channel == "motor_temperature"
    )
    assert "it settles at" in model.time_to_limit_s.reason


def test_without_ambient_no_design_figure_is_given():
    drive = cut(twin_drive("hill", 0, duration_s=7200.0).to_drive(), 0.0, 900.0)
    known = {n: c for n, c in drive.channels.items() if n not in ("ambient_temperature", "coolant_temperature")}
    models = thermal_summary(replace(drive, channels=known), example_build(limits=SHEET)).models
    model = next(m for m in models if m.channel == "inverter_temperature")
    assert model.sink == "fitted constant"
    assert isinstance(model.plateau_design_degc, Refusal)


def test_heat_soaking_back_after_a_stop():
    time_s = np.arange(0.0, 900.0, 1.0)
    since = np.clip(time_s - 600.0, 0.0, None)
    motor = 70.0 + 8.0 * (1 - np.exp(-since / 60.0)) - since / 100.0
    drive = made_drive(("motor_temperature", time_s, motor), ("speed", time_s, np.where(time_s < 600.0, 25.0, 0.0)))
    (soak,) = thermal_summary(drive, example_build()).soak_backs
    assert soak.stopped_at_s == 600.0
    assert soak.rise_k == pytest.approx(float(motor.max() - 70.0))
    assert soak.peak_after_s == pytest.approx(float(np.argmax(motor)) - 600.0)


def coolant_drive(difference_k, *, flow_l_per_min=10.0, power_w=40_000.0, low_w=5_000.0):
    """Twenty minutes; the last five under load: 13 % of 40 kW are 5.2 kW of heat."""
    time_s, rng = np.arange(0.0, 1200.0, 1.0), np.random.default_rng(0)
    loaded = time_s > 600.0
    columns = [
        ("pack_power", time_s, np.where(loaded, power_w, low_w)),
        ("coolant_temperature", time_s, 40.0 + rng.normal(0.0, 0.5, time_s.size)),
        ("coolant_temperature_outlet", time_s, 40.0 + loaded * difference_k + rng.normal(0.0, 0.5, time_s.size)),
    ]
    if flow_l_per_min:
        columns.append(("coolant_flow", time_s, np.full(time_s.shape, flow_l_per_min / 60_000.0)))
    return made_drive(*columns)


@pytest.mark.parametrize(
    ("flow_l_per_min", "difference_k", "is_low"),
    # 5.2 kW warm 10 L/min of water and glycol (3.675 MJ/m3K) by 8.5 K in health, 5 L/min by 17 K: by closed form.
    [(10.0, 8.5, False), (10.0, 17.0, True), (5.0, 17.0, False), (20.0, 4.2, False), (20.0, 12.0, True)],
)
def test_coolant_is_judged_by_its_difference_per_heat_with_the_flow(flow_l_per_min, difference_k, is_low):
    coolant = thermal_summary(coolant_drive(difference_k, flow_l_per_min=flow_l_per_min), example_build()).coolant
    assert coolant.is_low is is_low
    assert coolant.difference_k.value == pytest.approx(difference_k, abs=0.2)
    assert coolant.k_per_kw.value == pytest.approx(difference_k / 5.2, rel=0.05)
    assert coolant.heat_w.value == pytest.approx(flow_l_per_min / 60_000 * 1050 * 3500 * difference_k, rel=0.05)


def test_without_the_flow_a_difference_says_nothing_alone():
    coolant = thermal_summary(coolant_drive(8.0, flow_l_per_min=0.0), example_build()).coolant
    assert coolant.is_low is None
    assert "log the flow" in coolant.note
    assert isinstance(coolant.k_per_kw, Estimate)
    idle = thermal_summary(coolant_drive(0.5, power_w=1_000.0, low_w=500.0), example_build()).coolant
    assert isinstance(idle.k_per_kw, Refusal)


def test_coolant_without_both_sides_is_refused():
    assert isinstance(thermal_summary(ramp_drive(), example_build()).coolant.difference_k, Refusal)
