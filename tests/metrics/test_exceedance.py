import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logan.metrics.exceedance import stretches_beyond, time_beyond_s
from logan.settings import LimitSide


@settings(deadline=None, max_examples=40)
@given(values=st.lists(st.floats(0.0, 100.0), min_size=2, max_size=30), level=st.floats(1.0, 99.0))
def test_time_above_and_time_below_make_up_the_whole(values, level):
    time_s = np.arange(len(values), dtype=float)
    above = time_beyond_s(time_s, np.array(values), level, LimitSide.ABOVE)
    below = time_beyond_s(time_s, np.array(values), level, LimitSide.BELOW)
    fine = np.linspace(0.0, time_s[-1], 20_001)
    share = np.mean(np.interp(fine, time_s, values) > level)
    assert above == pytest.approx(share * time_s[-1], abs=0.02 * time_s[-1])
    assert above + below <= time_s[-1] + 1e-9


def test_gaps_do_not_count():
    time_s = np.array([0.0, 1.0, 100.0, 101.0])
    assert time_beyond_s(time_s, np.full(4, 10.0), 5.0, LimitSide.ABOVE, 2.0) == pytest.approx(2.0)


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
