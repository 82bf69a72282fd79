import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.metrics.duration_curve import RunningIntegrals, window_maxima, with_zero_crossings


def brute_force(time_s, value, window_s, steps=40_001):
    """Mean and RMS of every window on a fine grid, by plain numpy."""
    fine_s = np.linspace(time_s[0], time_s[-1], steps)
    fine = np.interp(fine_s, time_s, value)
    step_s = fine_s[1] - fine_s[0]
    count = round(window_s / step_s)
    best_mean, best_square = -np.inf, -np.inf
    for start in range(0, steps - count, 7):
        part = fine[start : start + count + 1]
        weights = np.ones(part.size)
        weights[[0, -1]] = 0.5
        best_mean = max(best_mean, float(np.average(part, weights=weights)))
        best_square = max(best_square, float(np.average(part**2, weights=weights)))
    return best_mean, np.sqrt(best_square)


@pytest.mark.parametrize("window_s", [0.5, 2.0, 10.0, 30.0])
def test_maxima_agree_with_brute_force_on_uneven_steps(window_s):
    rng = np.random.default_rng(1)
    time_s = np.cumsum(rng.uniform(0.02, 0.4, 300))
    value = 200.0 * rng.random(300)
    (found,) = window_maxima(time_s, value, (window_s,), max_gap_s=1.0)
    mean, rms = brute_force(time_s, value, window_s)
    assert found.mean_a == pytest.approx(mean, rel=1e-3)
    assert found.rms_a == pytest.approx(rms, rel=1e-3)


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 10_000), low=st.floats(0.0, 0.45), width=st.floats(0.05, 0.5))
def test_integrals_between_any_two_instants_are_those_of_the_straight_lines(seed, low, width):
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.1, 1.0, 25))
    value = rng.normal(0.0, 100.0, 25)
    integrals = RunningIntegrals(time_s, value, max_gap_s=10.0)
    span = time_s[-1] - time_s[0]
    at_s = time_s[0] + span * np.array([low, low + width])
    first, second, known = (np.diff(part)[0] for part in integrals.at(at_s))
    knots = np.unique(np.concatenate((at_s, time_s[(time_s > at_s[0]) & (time_s < at_s[1])])))
    y = np.interp(knots, time_s, value)
    exact_first = np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(knots))
    exact_second = np.sum((y[1:] ** 2 + y[1:] * y[:-1] + y[:-1] ** 2) / 3.0 * np.diff(knots))
    assert first == pytest.approx(exact_first, rel=1e-9, abs=1e-6)
    assert second == pytest.approx(exact_second, rel=1e-9, abs=1e-6)
    assert known == pytest.approx(span * width)


def test_a_rectangular_pulse_has_its_textbook_rms():
    time_s = np.array([0.0, 10.0, 10.001, 20.0, 20.001, 100.0])
    value = np.array([0.0, 0.0, 300.0, 300.0, 0.0, 0.0])
    found = window_maxima(time_s, value, (5.0, 10.0, 40.0), max_gap_s=100.0)
    assert [entry.rms_a for entry in found] == pytest.approx([300.0, 300.0, 150.0], rel=1e-3)
    assert [entry.rms_a**2 * entry.window_s for entry in found] == pytest.approx([4.5e5, 9e5, 9e5], rel=1e-3)
    assert found[2].mean_a == pytest.approx(75.0, rel=1e-3)


def test_windows_longer_than_the_signal_or_mostly_unknown_are_left_out():
    time_s = np.arange(0.0, 30.0, 1.0)
    assert window_maxima(time_s, np.ones(30), (60.0,), max_gap_s=2.0) == ()
    holed = np.where((time_s > 10) & (time_s < 20), np.nan, 1.0)
    assert [entry.window_s for entry in window_maxima(time_s, holed, (5.0, 25.0), max_gap_s=2.0)] == [5.0]


def test_the_coarse_pass_of_a_long_signal_loses_nothing():
    time_s = np.arange(0.0, 3000.0, 0.05)
    value = 100.0 + 50.0 * np.sin(time_s / 200.0)
    (found,) = window_maxima(time_s, value, (600.0,), max_gap_s=1.0)
    exact = 100.0 + 50.0 * np.sin(300.0 / 200.0) / (300.0 / 200.0)
    assert found.mean_a == pytest.approx(exact, rel=1e-6)


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(-300.0, 300.0), min_size=3, max_size=40))
def test_zero_crossings_change_no_energy_and_split_it_exactly(values):
    value = np.array(values)
    time_s = np.arange(value.size, dtype=float)
    fine_s, fine = with_zero_crossings(time_s, value)
    assert np.interp(fine_s, time_s, value) == pytest.approx(fine, abs=1e-9)
    positive = np.trapezoid(np.maximum(fine, 0.0), fine_s)
    negative = np.trapezoid(np.minimum(fine, 0.0), fine_s)
    assert positive + negative == pytest.approx(np.trapezoid(value, time_s), abs=1e-6)
    grid = np.linspace(0.0, value.size - 1.0, 20_001)
    assert positive == pytest.approx(np.trapezoid(np.maximum(np.interp(grid, time_s, value), 0.0), grid), abs=0.5)
