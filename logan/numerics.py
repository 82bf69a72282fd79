"""Integration, alignment, rolling means and runs of alike samples, on (time, value) arrays of unequal rate.

Times are seconds, strictly increasing, unless a function says otherwise. A value that
is not known is NaN. Nothing here bridges a gap: a function that could, takes the
longest gap it may bridge as an argument.
"""

from dataclasses import dataclass
from math import factorial

import numpy as np

from logan.units import BoolArray, FloatArray, IntArray

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius (IUGG)."""

METRES_PER_DEGREE = EARTH_RADIUS_M * np.pi / 180.0
"""Along a meridian."""


def nominal_period_s(time_s: FloatArray) -> float:
    """Median step between samples [s]; NaN for fewer than two samples."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else float("nan")


def longest_bridgeable_gap_s(
    time_s: FloatArray, *, periods: float = 3.0, floor_s: float = 0.5, cap_s: float = 2.0
) -> float:
    """Longest step that still counts as sampled: ``periods`` nominal periods within [floor, cap].

    A slow logger (period above the cap) may bridge one and a half of its own periods.
    """
    period_s = nominal_period_s(time_s)
    if not np.isfinite(period_s):
        return floor_s
    return max(min(max(periods * period_s, floor_s), cap_s), 1.5 * period_s)


def union_times(*times_s: FloatArray) -> FloatArray:
    """Sorted union of several time axes, each instant once."""
    parts = [time_s for time_s in times_s if time_s.size]
    return np.unique(np.concatenate(parts)) if parts else np.empty(0)


def interpolate(at_s: FloatArray, time_s: FloatArray, value: FloatArray, *, max_gap_s: float) -> FloatArray:
    """Linear interpolation; NaN outside the samples and inside gaps longer than ``max_gap_s``.

    Parameters
    ----------
    at_s : ndarray, shape (m,)
        Where to evaluate. [s]
    time_s, value : ndarray, shape (n,)
        Samples; NaN values are absent. [s, any]
    max_gap_s : float
        Longest step between present samples that is bridged. [s]

    Returns
    -------
    ndarray, shape (m,)
        Values at ``at_s``.
    """
    present = np.isfinite(value)
    if not present.all():
        time_s, value = time_s[present], value[present]
    if time_s.size == 0:
        return np.full(at_s.shape, np.nan)
    result = np.interp(at_s, time_s, value, left=np.nan, right=np.nan)
    gaps = np.flatnonzero(np.diff(time_s) > max_gap_s)
    if gaps.size:
        gap = np.searchsorted(time_s[gaps], at_s, side="left") - 1
        result[(gap >= 0) & (at_s < time_s[gaps + 1][gap])] = np.nan
    return result


def hold(at_s: FloatArray, time_s: FloatArray, value: FloatArray, *, max_age_s: float = np.inf) -> FloatArray:
    """Last known value (zero-order hold); NaN before the first and when older than ``max_age_s``."""
    present = np.isfinite(value)
    if not present.all():
        time_s, value = time_s[present], value[present]
    result = np.full(at_s.shape, np.nan)
    if time_s.size == 0:
        return result
    index = np.searchsorted(time_s, at_s, side="right") - 1
    known = index >= 0
    known[known] = at_s[known] - time_s[index[known]] <= max_age_s
    result[known] = value[index[known]]
    return result


@dataclass(frozen=True, slots=True)
class Integral:
    """A time integral and how much of the time it covers.

    Parameters
    ----------
    total : float
        Integral over the covered steps. [value x s]
    positive, negative : float
        Parts above and below zero, split at the crossing itself; ``negative`` <= 0.
    covered_s, duration_s : float
        Time integrated, and time from first to last sample. [s]
    """

    total: float
    positive: float
    negative: float
    covered_s: float
    duration_s: float

    @property
    def coverage_ratio(self) -> float:
        """Share of the duration that was integrated, 0 to 1."""
        return self.covered_s / self.duration_s if self.duration_s > 0 else 0.0


def step_integrals(time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Integrals of the positive and of the negative part of a piecewise linear signal, step by step.

    Zero crossings inside a step are split where the straight line crosses, so a sample
    added on the line changes nothing.

    Returns
    -------
    positive, negative : ndarray, shape (n - 1,)
        Non-negative and non-positive integrals; NaN where an end is NaN. [value x s]
    """
    step_s = np.diff(time_s)
    before, after = value[:-1], value[1:]
    total = 0.5 * (before + after) * step_s
    crosses = before * after < 0.0
    span = np.where(crosses, before - after, 1.0)
    share_before = np.where(crosses, before / span, 0.0)
    part_before = 0.5 * before * share_before * step_s
    part_after = total - part_before
    positive = np.where(crosses, np.where(before > 0.0, part_before, part_after), np.maximum(total, 0.0))
    negative = np.where(crosses, np.where(before > 0.0, part_after, part_before), np.minimum(total, 0.0))
    absent = ~np.isfinite(total)
    positive[absent] = np.nan
    negative[absent] = np.nan
    return positive, negative


def integrate(time_s: FloatArray, value: FloatArray, *, max_gap_s: float = np.inf) -> Integral:
    """Trapezoid integral; steps longer than ``max_gap_s`` or with a NaN end are left out and not covered.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples. [s, any]
    max_gap_s : float
        Longest step that is integrated. [s]

    Returns
    -------
    Integral
        The total, its two signs, and the coverage.
    """
    if time_s.size < 2:
        return Integral(0.0, 0.0, 0.0, 0.0, 0.0)
    step_s = np.diff(time_s)
    positive, negative = step_integrals(time_s, value)
    covered = np.isfinite(positive) & (step_s <= max_gap_s)
    plus, minus = float(positive[covered].sum()), float(negative[covered].sum())
    return Integral(plus + minus, plus, minus, float(step_s[covered].sum()), float(time_s[-1] - time_s[0]))


def cumulative(time_s: FloatArray, value: FloatArray, *, max_gap_s: float = np.inf) -> FloatArray:
    """Running trapezoid integral, shape (n,), from zero; uncovered steps add nothing. [value x s]"""
    if time_s.size == 0:
        return np.empty(0)
    step_s = np.diff(time_s)
    step = 0.5 * (value[:-1] + value[1:]) * step_s
    step[~np.isfinite(step) | (step_s > max_gap_s)] = 0.0
    return np.concatenate(([0.0], np.cumsum(step)))


def rolling_mean(time_s: FloatArray, value: FloatArray, window_s: float, *, max_gap_s: float = np.inf) -> FloatArray:
    """Mean over the window that ends at each sample, of the piecewise linear signal.

    Exact for unequal steps: the running integral is interpolated inside a step as the
    quadratic that it is. Windows that reach before the first sample or that touch an
    uncovered step are NaN.

    Returns
    -------
    ndarray, shape (n,)
        Mean over ``[t - window_s, t]``.
    """
    if time_s.size == 0 or window_s <= 0:
        return np.full(time_s.shape, np.nan)
    running = cumulative(time_s, value, max_gap_s=max_gap_s)
    uncovered = np.zeros(time_s.shape)
    step_s = np.diff(time_s)
    bad = (step_s > max_gap_s) | ~np.isfinite(value[:-1]) | ~np.isfinite(value[1:])
    uncovered[1:] = np.cumsum(np.where(bad, step_s, 0.0))
    start_s = time_s - window_s
    left = np.clip(np.searchsorted(time_s, start_s, side="right") - 1, 0, max(time_s.size - 2, 0))
    if time_s.size < 2:
        return np.full(time_s.shape, np.nan)
    into_s = start_s - time_s[left]
    slope = np.where(bad, 0.0, np.diff(np.where(np.isfinite(value), value, 0.0)) / step_s)[left]
    base = np.where(np.isfinite(value), value, 0.0)[left]
    at_start = running[left] + np.where(bad[left], 0.0, base * into_s + 0.5 * slope * into_s**2)
    mean = np.asarray((running - at_start) / window_s)
    tolerance_s = 1e-9 * max(1.0, float(abs(time_s[-1])))
    touched = np.asarray(uncovered - uncovered[left] > tolerance_s)
    mean[touched | (start_s < time_s[0] - tolerance_s)] = np.nan
    return mean


def decaying_sum(value: FloatArray, keep: float) -> FloatArray:
    """Running sum that forgets: each value and ``keep`` times the sum before it, down each column.

    Parameters
    ----------
    value : ndarray, shape (n,) or (n, m)
        At equal steps. [any]
    keep : float
        Share of the sum that is left after a step. [ratio]

    Returns
    -------
    ndarray, shape (n,) or (n, m)
        The sums. [same]
    """
    # Doubling: what two, four, eight steps leave; scipy's filter would take longer to load than all this takes.
    total, step = np.array(value, dtype=np.float64), 1
    while step < len(total) and keep != 0.0:
        total[step:] += keep * total[:-step]
        keep, step = keep * keep, 2 * step
    return total


def running_mean(value: FloatArray, count: int) -> FloatArray:
    """Mean of the ``count`` values around each along the last axis; those at the ends stand for what is beyond."""
    ends = [(0, 0)] * (value.ndim - 1) + [(count // 2 + 1, count - count // 2 - 1)]
    total = np.cumsum(np.pad(value, ends, mode="edge"), axis=-1)
    return np.asarray((total[..., count:] - total[..., :-count]) / count)


def highest_near(value: FloatArray, count: int) -> FloatArray:
    """Highest of the ``count`` values around each, an odd number; of fewer at the ends."""
    near = np.lib.stride_tricks.sliding_window_view(np.pad(value, count // 2, mode="edge"), count)
    return np.asarray(near.max(axis=-1))


def student_quantile(freedom: int, probability: float) -> float:
    """Quantile of Student's t for whole degrees of freedom and a probability above one half.

    References
    ----------
    .. [1] Abramowitz and Stegun (1964), 26.7.3 and 26.7.4: finite sums, from memory.
    """
    odd = freedom % 2
    order = np.arange(1 + odd, freedom - 1, 2)
    factors = np.cumprod(order / (order + 1.0))
    low, high = 0.0, 0.5 * np.pi
    for _ in range(60):
        angle = 0.5 * (low + high)
        cosine = np.cos(angle)
        share = np.sin(angle) * cosine**odd * (1.0 + np.sum(factors * cosine ** (order + 1 - odd)))
        if odd:
            share = 2.0 / np.pi * (angle + (share if freedom > 1 else 0.0))
        low, high = (angle, high) if share < 2.0 * probability - 1.0 else (low, angle)
    return float(np.sqrt(freedom) * np.tan(low))


def true_runs(condition: BoolArray) -> tuple[IntArray, IntArray]:
    """First index and length of every run of True."""
    edges = np.diff(np.concatenate(([False], condition, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return starts.astype(np.int64), (ends - starts).astype(np.int64)


def equal_runs(value: FloatArray) -> tuple[IntArray, IntArray]:
    """First index and length of every run of equal values; NaN equals nothing."""
    if value.size == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    starts = np.concatenate(([0], np.flatnonzero(value[1:] != value[:-1]) + 1))
    lengths = np.diff(np.concatenate((starts, [value.size])))
    return starts.astype(np.int64), lengths.astype(np.int64)


def in_runs(size: int, starts: IntArray, lengths: IntArray) -> BoolArray:
    """True in the runs, shape (size,)."""
    marked = np.zeros(size, dtype=bool)
    for start, length in zip(starts, lengths, strict=True):
        marked[start : start + length] = True
    return marked


def lasting(condition: BoolArray, least: float, most: float = np.inf, *, each: float = 1.0) -> BoolArray:
    """True where a condition holds for so many samples on end; or so long, where one takes ``each``."""
    starts, lengths = true_runs(condition)
    keep = (lengths * each >= least) & (lengths * each <= most)
    return in_runs(condition.size, starts[keep], lengths[keep])


def great_circle_m(latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
    """Distance along the Earth's surface from each place to the next, by the haversine formula.

    Parameters
    ----------
    latitude_deg, longitude_deg : ndarray, shape (n,)
        Places. [deg, deg]

    Returns
    -------
    ndarray, shape (n - 1,)
        Distances. [m]
    """
    north, turn = np.radians(latitude_deg), np.radians(np.diff(longitude_deg))
    half = np.sin(0.5 * np.diff(north)) ** 2 + np.cos(north[1:]) * np.cos(north[:-1]) * np.sin(0.5 * turn) ** 2
    return np.asarray(2.0 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.minimum(half, 1.0))))


def spans_where(time_s: FloatArray, condition: BoolArray, *, min_duration_s: float = 0.0) -> list[tuple[float, float]]:
    """Stretches of consecutive samples where ``condition`` holds, as (start, end) in seconds."""
    starts, lengths = true_runs(condition)
    return [
        (float(time_s[start]), float(time_s[end]))
        for start, end in zip(starts, starts + lengths - 1, strict=True)
        if time_s[end] - time_s[start] >= min_duration_s
    ]


def joined_spans(spans: list[tuple[float, float]], *, gap_s: float) -> list[tuple[float, float]]:
    """Spans in order of time, those no further apart than ``gap_s`` made one."""
    joined: list[tuple[float, float]] = []
    for start_s, end_s in spans:
        if joined and start_s - joined[-1][1] <= gap_s:
            joined[-1] = (joined[-1][0], end_s)
        else:
            joined.append((start_s, end_s))
    return joined


def long_run_factor(residual: FloatArray, *, lags: int) -> float:
    """By how much neighbouring residuals that are alike widen the variance of what they average to.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        At equal steps. [any]
    lags : int
        Steps over which residuals may be alike.

    Returns
    -------
    float
        At least 1; n over the number of independent values.

    References
    ----------
    .. [1] Newey and West (1987), Bartlett weights.
    """
    lags = min(lags, residual.size // 3)
    centred = residual - residual.mean() if residual.size else residual
    power = float(np.sum(centred**2))
    if lags < 1 or power <= 0.0:
        return 1.0
    # Bartlett's weights are what sums over lags + 1 neighbours, squared, count each lag with.
    running = np.cumsum(np.pad(centred, (lags + 1, lags)))
    sums = running[lags + 1 :] - running[: -lags - 1]
    return max(1.0, float(np.sum(sums**2)) / (power * (lags + 1)))


def shapley(values: FloatArray, players: int) -> FloatArray:
    """Mean effect of each player's joining, over every order in which they can join (Shapley).

    Parameters
    ----------
    values : ndarray, shape (2**players, ...)
        What each subset is worth; bit k of its place stands for player k. [any]
    players : int
        How many.

    Returns
    -------
    ndarray, shape (players, ...)
        They add up to the last value less the first.
    """
    subsets = np.arange(2**players)
    sizes = np.array([int(subset).bit_count() for subset in subsets])
    weight = np.array([factorial(size) * factorial(players - size - 1) for size in range(players)]) / factorial(players)
    shares = np.empty((players, *values.shape[1:]))
    for player in range(players):
        without = subsets[(subsets >> player) & 1 == 0]
        shares[player] = np.tensordot(weight[sizes[without]], values[without | (1 << player)] - values[without], 1)
    return shares
