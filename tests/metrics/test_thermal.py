from dataclasses import replace

import numpy as np
import pytest

from logan.metrics.thermal import thermal_summary, without_spikes
from logan.results import Estimate, Refusal
from tests.builds import example_build
from tests.twin_drives import made_drive


def ramp_drive():
    """Motor from 20 to 80 °C in ten minutes and back; the coolant has no limit."""
    time_s = np.arange(0.0, 1200.0, 1.0)
    motor = 20.0 + 60.0 * np.minimum(time_s, 1200.0 - time_s) / 600.0
    return made_drive(
        ("motor_temperature", time_s, motor),
        ("coolant_temperature", time_s, np.full(time_s.shape, 30.0)),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
    )


def test_a_lone_spike_is_no_alarm_and_a_jump_that_stays_is_kept():
    coolant = ramp_drive()["coolant_temperature"]
    spiked, jumped = coolant.value.copy(), coolant.value.copy()
    spiked[300], jumped[300:] = 215.0, 90.0
    assert np.nanmax(without_spikes(replace(coolant, value=spiked)).value) == 30.0
    assert np.nanmax(without_spikes(replace(coolant, value=jumped)).value) == 90.0


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
