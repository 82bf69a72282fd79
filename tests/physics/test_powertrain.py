import numpy as np
import pytest

from logan.physics.powertrain import (
    regen_fade_ratio,
    regen_limit_ratio,
    terminal_power_w,
)


def test_constant_efficiencies_divide_on_the_way_out_and_multiply_on_the_way_back():
    power = terminal_power_w(np.array([87.0, 0.0, -100.0]), 0.87, 0.8)
    assert power == pytest.approx([100.0, 0.0, -80.0])


def test_regen_fades_towards_standstill():
    assert regen_fade_ratio(np.array([0.0, 1.25, 2.5, 20.0]), 2.5) == pytest.approx([0.0, 0.5, 1.0, 1.0])
    assert regen_fade_ratio(np.array([0.0]), 0.0) == pytest.approx([1.0])


@pytest.mark.parametrize(
    ("temperature", "charge", "allowed"),
    [(25.0, None, 1.0), (15.0, 0.5, 1.0), (0.0, None, 0.5), (-15.0, None, 0.0), (-30.0, 0.5, 0.0), (25.0, 0.95, 0.5)],
)
def test_cold_and_full_packs_take_less(temperature, charge, allowed):
    assert regen_limit_ratio(temperature, charge) == pytest.approx(allowed)


def test_a_full_pack_takes_nothing():
    assert regen_limit_ratio(25.0, 1.0) == 0.0
