"""Lag and drift between the clocks of two loggers, from a quantity that both logged."""

from itertools import pairwise
from typing import Final

import numpy as np

from logan.drive.drive import Channel
from logan.numerics import interpolate, nominal_period_s, student_quantile
from logan.results import Refusal, result
from logan.units import BoolArray, FloatArray

SHORTEST_OVERLAP_S: Final = 120.0
LEAST_CORRELATION: Final = 0.8
_LEAST_OVERLAP_RATIO: Final = 0.5
_RIVAL_APART_S: Final = 20.0
_LEAST_UNEXPLAINED: Final = 0.002
_RIVAL_UNEXPLAINED: Final = 2.0
"""A second lag is ruled out when it leaves at least this many times as much unexplained as the best."""
_BLOCK_S: Final = 240.0
_LEAST_BLOCK_CORRELATION: Final = 0.9
_ROUGH: Final = 5
_LONGEST_GRID: Final = 2**18
_FASTEST_DRIFT_PPM: Final = 3000.0
_SHORTEST_FOR_DRIFT_S: Final = 700.0
_FINEST_LAG_S: Final = 0.02
"""Least scatter of the lag of one block that is believed. [s]"""


@result("clock-alignment/1")
class ClockAlignment:
    """How the second clock maps onto the first: ``first = second + lag + drift (second - at)``.

    Parameters
    ----------
    lag_s : float
        To add to the second clock at ``at_s``. [s]
    low_s, high_s : float
        90 % interval of the lag. [s]
    drift_ppm : float
        How much slower the second clock runs; zero where the overlap is too short to tell. [1e-6]
    drift_low_ppm, drift_high_ppm : float
        90 % interval of the drift; as wide as a bad clock's where the overlap is too short. [1e-6]
    at_s : float
        Time of the second clock, from the start of the first, for which the lag holds. [s]
    correlation : float
        Of the two channels at that lag.
    """

    lag_s: float
    low_s: float
    high_s: float
    drift_ppm: float
    drift_low_ppm: float = -_FASTEST_DRIFT_PPM
    drift_high_ppm: float = _FASTEST_DRIFT_PPM
    at_s: float
    correlation: float


def align_clocks(reference: Channel, other: Channel, *, max_lag_s: float | None = None) -> ClockAlignment | Refusal:
    """Find lag and drift of the second clock by cross-correlation.

    Parameters
    ----------
    reference, other : Channel
        One quantity logged twice, each on its own clock; a factor and an offset between them do not matter.
    max_lag_s : float, optional
        Longest lag to look for; any that leaves two minutes of overlap by default. [s]

    Returns
    -------
    ClockAlignment or Refusal
        Refused where nothing agrees, or two lags agree about as well.
    """
    step_s = max(0.5, _span_s(reference) / _LONGEST_GRID, _span_s(other) / _LONGEST_GRID)
    if min(_span_s(reference), _span_s(other)) < SHORTEST_OVERLAP_S:
        return Refusal(f"{reference.name} and {other.name} are shorter than {SHORTEST_OVERLAP_S:.0f} s")
    lags_s, correlations = _correlation_curve(reference, other, step_s)
    if max_lag_s is not None:
        near = np.abs(lags_s) <= max_lag_s
        lags_s, correlations = lags_s[near], correlations[near]
    if correlations.size == 0 or not np.isfinite(correlations).any():
        return Refusal(f"{reference.name} and {other.name} never overlap while they move")
    best = int(np.nanargmax(correlations))
    peak = float(correlations[best])
    if peak < LEAST_CORRELATION:
        return Refusal(f"{reference.name} and {other.name} agree nowhere (best correlation {peak:.2f})")
    rivals = correlations[np.abs(lags_s - lags_s[best]) > _RIVAL_APART_S]
    rival = float(np.nanmax(rivals, initial=0.0))
    if 1.0 - rival**2 < _RIVAL_UNEXPLAINED * max(1.0 - peak**2, _LEAST_UNEXPLAINED):
        return Refusal(f"{reference.name} and {other.name} agree as well at another lag: the drive repeats itself")
    return _refined(reference, other, float(lags_s[best]), peak)


def _span_s(channel: Channel) -> float:
    return float(channel.time_s[-1] - channel.time_s[0]) if channel.time_s.size else 0.0


def _on_grid(channel: Channel, step_s: float) -> tuple[FloatArray, BoolArray]:
    grid_s = np.arange(channel.time_s[0], channel.time_s[-1], step_s)
    value = channel.at(grid_s, max_gap_s=max(channel.max_gap_s, 5.0))
    known = np.isfinite(value)
    middle = float(np.mean(value[known])) if known.any() else 0.0
    return np.where(known, value - middle, 0.0), known


def _correlation_curve(reference: Channel, other: Channel, step_s: float) -> tuple[FloatArray, FloatArray]:
    """Correlation over the overlap at every lag that leaves enough of it."""
    first, first_known = _on_grid(reference, step_s)
    second, second_known = _on_grid(other, step_s)

    def slide(a: FloatArray, b: FloatArray) -> FloatArray:
        count = a.size + b.size - 1
        size = 1 << (count - 1).bit_length()
        return np.fft.irfft(np.fft.rfft(a, size) * np.fft.rfft(b[::-1], size), size)[:count]

    mask_a, mask_b = first_known.astype(np.float64), second_known.astype(np.float64)
    count = np.maximum(np.round(slide(mask_a, mask_b)), 0.0)
    sum_a, sum_b = slide(first, mask_b), slide(mask_a, second)
    safe = np.maximum(count, 1.0)
    covariance = slide(first, second) - sum_a * sum_b / safe
    variance = (slide(first**2, mask_b) - sum_a**2 / safe) * (slide(mask_a, second**2) - sum_b**2 / safe)
    # Both must move in the overlap, or a constant stretch would agree with anything.
    floor = 1e-3 * count**2 * max(float(np.var(first) * np.var(second)), 1e-12)
    # A short overlap holds little more than one start or stop, and those all look alike.
    least = max(SHORTEST_OVERLAP_S / step_s, _LEAST_OVERLAP_RATIO * min(mask_a.sum(), mask_b.sum()))
    with np.errstate(invalid="ignore", divide="ignore"):
        curve = np.where((count >= least) & (variance > floor), covariance / np.sqrt(variance), np.nan)
    shift = np.arange(-(second.size - 1), first.size) * step_s
    lags_s = shift + float(reference.time_s[0] - other.time_s[0])
    return np.asarray(lags_s, dtype=np.float64), np.asarray(curve)


def _refined(reference: Channel, other: Channel, lag_s: float, peak: float) -> ClockAlignment | Refusal:
    """Lag block by block, and a straight line through the blocks for the drift."""
    start_s = max(other.time_s[0], reference.time_s[0] - lag_s)
    end_s = min(other.time_s[-1], reference.time_s[-1] - lag_s)
    count = max(2, round((end_s - start_s) / _BLOCK_S))
    edges_s = np.linspace(start_s, end_s, count + 1)
    middles, lags = [], []
    for left_s, right_s in pairwise(edges_s):
        inside = (other.time_s >= left_s) & (other.time_s <= right_s) & np.isfinite(other.value)
        found = _block_lag(reference, other.time_s[inside], other.value[inside], lag_s)
        if found is not None:
            middles.append(0.5 * (left_s + right_s))
            lags.append(found)
    if len(lags) < 2:
        return Refusal(f"{reference.name} and {other.name} move too little together to settle the lag")
    return _line_through(np.array(middles), np.array(lags), peak)


def _block_lag(reference: Channel, time_s: FloatArray, value: FloatArray, near_s: float) -> float | None:
    """Lag of one block within two and a half seconds of the coarse one, refined by a parabola. [s]"""
    if time_s.size < 20 or float(np.std(value)) == 0.0:
        return None
    step_s = 0.1 if nominal_period_s(time_s) < 0.5 else 0.25
    trial_s = near_s + np.arange(-2.5, 2.5 + 0.5 * step_s, step_s)
    # Only the reference around the block, or the whole drive would be gone through for every lag.
    margin_s = 3.0 + 2.0 * reference.max_gap_s
    ends_s = near_s + np.array([time_s[0] - margin_s, time_s[-1] + margin_s])
    around = slice(*np.searchsorted(reference.time_s, ends_s))
    samples = reference.time_s[around], reference.value[around], reference.max_gap_s
    # A speed's agreement rises and falls once within seconds: every fifth lag tells where to try each.
    rough = np.array([_agreement(samples, time_s + lag, value) for lag in trial_s[::_ROUGH]])
    if not np.isfinite(rough).all():
        return None
    first = max(_ROUGH * (int(np.argmax(rough)) - 1), 0)
    trial_s = trial_s[first : first + 2 * _ROUGH + 1]
    score = np.array([_agreement(samples, time_s + lag, value) for lag in trial_s])
    at = int(np.argmax(score))
    if at in (0, trial_s.size - 1) or not score[at] >= _LEAST_BLOCK_CORRELATION:
        return None
    bend = score[at - 1] - 2.0 * score[at] + score[at + 1]
    shift = 0.5 * (score[at - 1] - score[at + 1]) / bend if bend < 0.0 else 0.0
    return float(trial_s[at] + shift * step_s)


def _agreement(samples: tuple[FloatArray, FloatArray, float], at_s: FloatArray, value: FloatArray) -> float:
    time_s, known_value, max_gap_s = samples
    expected = interpolate(at_s, time_s, known_value, max_gap_s=max_gap_s)
    known = np.isfinite(expected)
    if np.count_nonzero(known) < 0.8 * value.size:
        return float("nan")
    a, b = expected[known], value[known]
    a, b = a - a.mean(), b - b.mean()
    scale = float(np.sqrt(np.sum(a**2) * np.sum(b**2)))
    return float(np.sum(a * b)) / scale if scale > 0.0 else float("nan")


def _middle_line(x: FloatArray, y: FloatArray) -> FloatArray:
    """The line of the middle slope between all pairs, at ``x``: a few wrong blocks do not turn it."""
    first, second = np.triu_indices(x.size, 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first]))) if x.size >= 4 else 0.0
    return slope * x + float(np.median(y - slope * x))


def _line_through(middles_s: FloatArray, block_lags_s: FloatArray, peak: float) -> ClockAlignment:
    centre_s = float(np.mean(middles_s))
    off_s = np.abs(block_lags_s - _middle_line(middles_s, block_lags_s))
    good = off_s < max(4.0 * 1.4826 * float(np.median(off_s)), 0.3)
    x, y = middles_s[good] - centre_s, block_lags_s[good]
    is_told = x.size >= 4 and bool(np.ptp(x) >= _SHORTEST_FOR_DRIFT_S)
    slope = 0.0
    if is_told:
        slope = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
        slope = float(np.clip(slope, -_FASTEST_DRIFT_PPM * 1e-6, _FASTEST_DRIFT_PPM * 1e-6))
    lag_s = float(np.mean(y - slope * x))
    rest = y - slope * x - lag_s
    freedom = max(y.size - 1 - is_told, 1)
    scatter_s = max(float(np.sqrt(np.sum(rest**2) / freedom)), _FINEST_LAG_S)
    wide = student_quantile(freedom, 0.95)
    half_s = wide * scatter_s / float(np.sqrt(y.size))
    half_ppm = 1e6 * wide * scatter_s / float(np.sqrt(np.sum((x - x.mean()) ** 2))) if is_told else _FASTEST_DRIFT_PPM
    return ClockAlignment(
        lag_s=lag_s,
        low_s=lag_s - half_s,
        high_s=lag_s + half_s,
        drift_ppm=slope * 1e6,
        drift_low_ppm=slope * 1e6 - half_ppm,
        drift_high_ppm=slope * 1e6 + half_ppm,
        at_s=centre_s,
        correlation=peak,
    )
