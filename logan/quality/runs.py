"""Runs, steps and resolution of sampled values: the small change of every detector."""

from __future__ import annotations

import numpy as np

from logan.results import Span
from logan.units import BoolArray, FloatArray, IntArray

_ENOUGH = 10_000
MAX_SPANS = 50
"""No flag lists more spans than this; the evidence gives the full count."""


def equal_runs(value: FloatArray) -> tuple[IntArray, IntArray]:
    """First index and length of every run of equal values; NaN equals nothing."""
    if value.size == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    starts = np.concatenate(([0], np.flatnonzero(value[1:] != value[:-1]) + 1))
    lengths = np.diff(np.concatenate((starts, [value.size])))
    return starts.astype(np.int64), lengths.astype(np.int64)


def true_runs(condition: BoolArray) -> tuple[IntArray, IntArray]:
    """First index and length of every run of True."""
    edges = np.diff(np.concatenate(([False], condition, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return starts.astype(np.int64), (ends - starts).astype(np.int64)


def resolution(value: FloatArray) -> float:
    """Smallest step between different values that occurs often; zero for one value only."""
    steps = np.abs(np.diff(value))
    steps = steps[steps > 0]
    if steps.size == 0:
        return 0.0
    return float(np.quantile(_some(steps), 0.02))


def _some(value: FloatArray) -> FloatArray:
    """At most some ten thousand of the values, evenly spread: enough for a quantile."""
    return value[:: max(value.size // _ENOUGH, 1)]


def middle_of(value: FloatArray) -> float:
    """Median of what is known; NaN where nothing is."""
    known = value[np.isfinite(value)]
    return float(np.median(known)) if known.size else float("nan")


def span_range(value: FloatArray, low_ratio: float = 0.01, high_ratio: float = 0.99) -> float:
    """Distance between two quantiles of the values; zero where there are none."""
    if value.size == 0:
        return 0.0
    low, high = np.quantile(value if low_ratio == 0.0 else _some(value), [low_ratio, high_ratio])
    return float(high - low)


def spans_of(time_s: FloatArray, condition: BoolArray, *, min_samples: int = 1) -> tuple[Span, ...]:
    """Spans in which a condition holds for at least ``min_samples`` samples, the longest first few."""
    starts, lengths = true_runs(condition)
    keep = lengths >= min_samples
    starts, lengths = starts[keep], lengths[keep]
    if starts.size > MAX_SPANS:
        chosen = np.sort(np.argsort(-lengths, kind="stable")[:MAX_SPANS])
        starts, lengths = starts[chosen], lengths[chosen]
    return tuple(
        Span(float(time_s[start]), float(time_s[start + length - 1]))
        for start, length in zip(starts, lengths, strict=True)
    )


def when(spans: tuple[Span, ...]) -> str:
    """The first spans in words, such as ``at 12 s to 15 s and 3 more``."""
    if not spans:
        return ""
    first = spans[0]
    text = f"at {first.start_s:.1f} s"
    if first.duration_s > 0:
        text += f" to {first.end_s:.1f} s"
    return text if len(spans) == 1 else f"{text} and {len(spans) - 1} more"
