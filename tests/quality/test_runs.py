"""Runs, steps and spans."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from hypothesis.extra.numpy import arrays

from logan.numerics import equal_runs, true_runs
from logan.quality.survey import MAX_SPANS, centred_mean, middle_of, resolution, spans_of, when


@settings(deadline=None, max_examples=60)
@given(value=arrays(np.float64, st.integers(0, 60), elements=st.sampled_from([0.0, 1.0, 2.0])))
def test_equal_runs_rebuild_the_array(value: np.ndarray) -> None:
    starts, lengths = equal_runs(value)
    assert np.array_equal(np.repeat(value[starts], lengths), value)
    assert not np.any(value[starts[1:]] == value[starts[:-1]])


@settings(deadline=None, max_examples=60)
@given(condition=arrays(np.bool_, st.integers(0, 60)))
def test_true_runs_cover_what_is_true_and_nothing_else(condition: np.ndarray) -> None:
    covered = np.zeros(condition.shape, dtype=bool)
    for start, length in zip(*true_runs(condition), strict=True):
        covered[start : start + length] = True
    assert np.array_equal(covered, condition)


@settings(deadline=None, max_examples=40)
@given(value=arrays(np.float64, st.integers(1, 80), elements=st.floats(-1e3, 1e3)), half=st.integers(0, 5))
def test_the_centred_mean_is_the_plain_mean_of_its_window(value: np.ndarray, half: int) -> None:
    expected = [np.mean(value[max(k - half, 0) : k + half + 1]) for k in range(value.size)]
    assert centred_mean(value, half) == pytest.approx(np.array(expected), abs=1e-6)


def test_the_centred_mean_leaves_out_what_is_unknown() -> None:
    value = np.array([1.0, np.nan, 3.0])
    assert centred_mean(value, 1)[[0, 2]].tolist() == [1.0, 3.0]
    assert np.isnan(centred_mean(value, 1)[1])


def test_resolution_is_the_step_of_the_sensor() -> None:
    rng = np.random.default_rng(1)
    assert resolution(np.round(rng.normal(0.0, 10.0, 5000))) == pytest.approx(1.0)
    assert resolution(np.full(10, 3.0)) == 0.0


def test_spans_are_bounded_and_keep_the_longest() -> None:
    time_s = np.arange(400.0)
    condition = np.arange(400) % 4 < 2
    condition[100:140] = True
    spans = spans_of(time_s, condition)
    assert len(spans) == MAX_SPANS
    assert max(span.duration_s for span in spans) >= 39.0


def test_when_names_the_first_span_and_counts_the_rest() -> None:
    spans = spans_of(np.arange(10.0), np.array([0, 1, 1, 0, 0, 1, 0, 0, 0, 0], dtype=bool))
    assert when(spans) == "at 1.0 s to 2.0 s and 1 more"
    assert when(spans[1:]) == "at 5.0 s"
    assert when(()) == ""


def test_the_middle_of_nothing_is_unknown() -> None:
    assert np.isnan(middle_of(np.array([np.nan])))
    assert middle_of(np.array([1.0, np.nan, 5.0])) == 3.0
