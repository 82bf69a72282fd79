import pytest

from logan.physics.battery import pilot_current_limit_a


@pytest.mark.from_memory("SAE J1772, table of duty cycle and current; the formula read second-hand")
@pytest.mark.parametrize(
    ("duty_ratio", "current_a"), [(0.10, 6.0), (0.50, 30.0), (0.85, 51.0), (0.90, 65.0), (0.96, 80.0)]
)
def test_pilot_duty_cycle_gives_the_tabulated_current(duty_ratio, current_a):
    assert pilot_current_limit_a(duty_ratio) == pytest.approx(current_a)


@pytest.mark.parametrize("duty_ratio", [0.0, 0.05, 0.099, 0.97, 1.0])
def test_other_duty_cycles_carry_no_limit(duty_ratio):
    assert pilot_current_limit_a(duty_ratio) is None
