import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.physics.battery import (
    max_discharge_power_w,
    open_circuit_voltage_v,
    pack_current_a,
    resistance_at_ohm,
)


@given(st.floats(-80e3, 250e3), st.floats(250.0, 800.0), st.floats(0.01, 0.06))
@settings(deadline=None, max_examples=80)
def test_current_times_terminal_voltage_is_the_power(power, voltage, resistance):
    current = float(pack_current_a(np.array([power]), voltage, resistance)[0])
    assert current * (voltage - current * resistance) == pytest.approx(power, rel=1e-9, abs=1e-6)


def test_current_is_the_smaller_root_of_the_textbook_form():
    power, voltage, resistance = 60e3, 350.0, 0.1
    textbook = (voltage - np.sqrt(voltage**2 - 4 * resistance * power)) / (2 * resistance)
    assert pack_current_a(np.array([power]), voltage, resistance)[0] == pytest.approx(textbook)


def test_beyond_its_greatest_power_a_pack_has_no_current():
    limit = 350.0**2 / (4 * 0.1)
    current = pack_current_a(np.array([0.999 * limit, 1.001 * limit]), 350.0, 0.1)
    assert np.isfinite(current[0])
    assert np.isnan(current[1])


def test_an_ideal_pack_has_no_sag():
    assert pack_current_a(np.array([35e3]), 350.0, 0.0)[0] == pytest.approx(100.0)


def test_greatest_power_obeys_current_limit_voltage_floor_and_matching():
    assert max_discharge_power_w(350.0, 0.1, current_limit_a=500.0) == pytest.approx(500.0 * 300.0)
    assert max_discharge_power_w(350.0, 0.1, floor_v=320.0) == pytest.approx(300.0 * 320.0)
    assert max_discharge_power_w(350.0, 0.1) == pytest.approx(350.0**2 / 0.4)


def test_resistance_rises_in_the_cold_as_arrhenius_says():
    ratio = resistance_at_ohm(0.1, 0.0, 25_000.0) / 0.1
    assert ratio == pytest.approx(np.exp(25_000.0 / 8.314462618 * (1 / 273.15 - 1 / 298.15)))
    assert resistance_at_ohm(0.1, 25.0, 25_000.0) == pytest.approx(0.1)


def test_open_circuit_voltage_runs_straight_between_points():
    found = open_circuit_voltage_v(np.array([0.0, 0.25, 1.0]), (0.0, 0.5, 1.0), (3.0, 3.6, 4.2))
    assert found == pytest.approx([3.0, 3.3, 4.2])
