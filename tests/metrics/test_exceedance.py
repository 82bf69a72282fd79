import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.metrics.exceedance import stretches_beyond
from logan.settings import LimitSide


def held_s(time_s, value, level, side):
    return sum(one.held_s for one in stretches_beyond(time_s, value, level, side))


@settings(deadline=None, max_examples=40)
@given(values=st.lists(st.floats(0.0, 100.0), min_size=2, max_size=30), level=st.floats(1.0, 99.0))
def test_time_above_and_time_below_make_up_the_whole(values, level):
    value = np.where(np.array(values) == level, level + 1.0, values)
    time_s = np.arange(value.size, dtype=float)
    above, below = (held_s(time_s, value, level, side) for side in (LimitSide.ABOVE, LimitSide.BELOW))
    assert above + below == pytest.approx(time_s[-1])
    assert above >= np.sum(value[1:-1] > level)


def test_gaps_do_not_count():
    time_s = np.append(np.arange(20.0), np.arange(120.0, 140.0))
    assert held_s(time_s, np.full(40, 10.0), 5.0, LimitSide.ABOVE) < 50.0


def test_stretches_close_together_are_one_and_carry_their_worst():
    time_s = np.arange(0.0, 20.0, 1.0)
    value = np.zeros(20)
    value[[3, 4, 6, 15]] = [6.0, 9.0, 7.0, 8.0]
    first, second = stretches_beyond(time_s, value, 5.0, LimitSide.ABOVE)
    assert (first.start_s, first.end_s, first.worst_value, first.worst_at_s) == (3.0, 6.0, 9.0, 4.0)
    assert (second.start_s, second.end_s) == (15.0, 15.0)


def test_a_lower_limit_looks_down():
    (stretch,) = stretches_beyond(np.arange(4.0), np.array([5.0, 2.0, 1.0, 5.0]), 3.0, LimitSide.BELOW)
    assert stretch.worst_value == 1.0
    assert stretches_beyond(np.arange(4.0), np.full(4, 5.0), 3.0, LimitSide.BELOW) == ()
