"""Arithmetic that an import does itself, so that it need not wait for scipy: against scipy, and against slow twins."""

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import lfilter
from scipy.special import stdtrit

from logan.numerics import decaying_sum, highest_near, interpolate, long_run_factor, running_mean, student_quantile

SERIES = np.random.default_rng(3).normal(size=(700, 2))


@pytest.mark.parametrize("keep", [0.0, 0.3, 0.97, 0.9999, 1.0])
def test_a_decaying_sum_is_scipys_first_order_filter(keep):
    assert decaying_sum(SERIES, keep) == pytest.approx(lfilter([1.0], [1.0, -keep], SERIES, axis=0), abs=1e-11)
    assert decaying_sum(SERIES[:0], keep).size == 0


@pytest.mark.parametrize("count", [1, 3, 31])
@pytest.mark.parametrize("size", [1, 2, 700])
def test_the_highest_nearby_is_scipys_maximum_filter(size, count):
    assert (highest_near(SERIES[:size, 0], count) == maximum_filter1d(SERIES[:size, 0], count)).all()


@pytest.mark.parametrize("count", [1, 2, 5, 10, 400])
def test_a_running_mean_is_scipys_uniform_filter(count):
    expected = uniform_filter1d(SERIES.T, count, axis=-1, mode="nearest")
    assert running_mean(SERIES.T, count) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("probability", [0.55, 0.841344746, 0.95, 0.995])
@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 14, 15, 60, 1001])
def test_a_quantile_of_students_t_is_scipys(freedom, probability):
    assert student_quantile(freedom, probability) == pytest.approx(stdtrit(freedom, probability), rel=1e-10)


def slow_interpolate(at_s: float, time_s: list[float], value: list[float], max_gap_s: float) -> float:
    for t, v in zip(time_s, value, strict=True):
        if t == at_s:
            return v
    for left, right in zip(range(len(time_s)), range(1, len(time_s)), strict=False):
        if time_s[left] < at_s < time_s[right] and time_s[right] - time_s[left] <= max_gap_s:
            share = (at_s - time_s[left]) / (time_s[right] - time_s[left])
            return value[left] + share * (value[right] - value[left])
    return float("nan")


@given(
    st.lists(st.tuples(st.integers(1, 9), st.floats(-5, 5) | st.just(float("nan"))), max_size=12),
    st.lists(st.integers(-3, 130).map(lambda half: 0.5 * half), min_size=1, max_size=30),
    st.integers(1, 9),
)
def test_interpolation_bridges_no_gap_and_knows_every_sample(samples, at_s, max_gap_s):
    time_s = np.cumsum([float(step) for step, _ in samples])
    value = np.array([float(number) for _, number in samples])
    kept = np.isfinite(value)
    expected = [slow_interpolate(at, time_s[kept].tolist(), value[kept].tolist(), max_gap_s) for at in at_s]
    found = interpolate(np.array(at_s), time_s, value, max_gap_s=max_gap_s)
    assert found == pytest.approx(expected, abs=1e-12, nan_ok=True)


@pytest.mark.parametrize("lags", [1, 5, 60])
def test_the_long_run_factor_is_bartletts_sum_over_the_lags(lags):
    walk = np.cumsum(SERIES[:300, 0])
    centred = walk - walk.mean()
    products = [np.sum(centred[lag:] * centred[:-lag]) for lag in range(1, lags + 1)]
    weights = 1.0 - np.arange(1, lags + 1) / (lags + 1.0)
    expected = 1.0 + 2.0 * np.sum(weights * products) / np.sum(centred**2)
    assert long_run_factor(walk, lags=lags) == pytest.approx(expected, rel=1e-12)
