"""By how much is one channel late against another that moves with it?"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.signal import correlate

from logan.drive.drive import Channel
from logan.flags import Span
from logan.quality.survey import centred_mean
from logan.units import FloatArray

_MIN_CORRELATION = 0.5
_GRID_S = 0.05


@dataclass(frozen=True, slots=True)
class Lag:
    """How late one channel is, with one standard uncertainty and the correlation at that lag."""

    lag_s: float
    sigma_s: float
    correlation: float


def find_lag_s(
    reference: Channel,
    other: Channel,
    *,
    sign: int,
    max_lag_s: float = 3.0,
    band_s: float = 10.0,
    span: Span | None = None,
) -> Lag | None:
    """Lag of ``other`` behind ``reference`` by cross-correlation of their band-passed changes.

    Parameters
    ----------
    reference, other : Channel
        Two channels that move together.
    sign : int
        +1 where they rise together, -1 where one falls as the other rises.
    max_lag_s : float
        Longest lag that is looked for. [s]
    band_s : float
        Changes slower than this are left out; short for voltage against current, whose
        polarisation of some 15 s would pass for a lag otherwise. [s]
    span : Span, optional
        Part of the drive to look at.

    Returns
    -------
    Lag or None
        None where they do not move together well enough to tell.
    """
    start_s, end_s = max(reference.time_s[0], other.time_s[0]), min(reference.time_s[-1], other.time_s[-1])
    if span is not None:
        start_s, end_s = max(start_s, span.start_s), min(end_s, span.end_s)
    period_s = max(float(np.median(np.diff(reference.time_s))), float(np.median(np.diff(other.time_s))))
    step_s = max(_GRID_S, period_s / 2.0)
    if end_s - start_s < max(60.0, 20.0 * max_lag_s, 100.0 * step_s):
        return None
    time_s = np.arange(start_s, end_s, step_s)
    first, second = (_band(channel.at(time_s), step_s, max(band_s, 3.0 * period_s)) for channel in (reference, other))
    second = sign * second
    blocks = [_block_lag(a, b, step_s, max_lag_s) for a, b in _blocks(first, second)]
    whole = _block_lag(first, second, step_s, max_lag_s)
    if whole is None or whole[1] < _MIN_CORRELATION or abs(whole[0]) > 0.95 * max_lag_s:
        return None
    told = np.array([block[0] for block in blocks if block is not None and block[1] > _MIN_CORRELATION])
    if told.size < 3:
        return None
    spread = 1.4826 * float(np.median(np.abs(told - np.median(told))))
    sigma_s = max(spread / np.sqrt(told.size), 0.05 * period_s)
    return Lag(float(np.median(told)), float(sigma_s), whole[1])


def _band(value: FloatArray, step_s: float, band_s: float) -> FloatArray:
    """Keep changes between half a second and twice the band; unknown samples become zero, which weighs nothing."""
    short, long = max(round(0.25 / step_s), 0), max(round(band_s / step_s), 2)
    return np.asarray(np.nan_to_num(centred_mean(value, short) - centred_mean(value, long)))


def _blocks(first: FloatArray, second: FloatArray, count: int = 8) -> list[tuple[FloatArray, FloatArray]]:
    edges = np.linspace(0, first.size, count + 1).astype(int)
    return [(first[a:b], second[a:b]) for a, b in itertools.pairwise(edges)]


def _block_lag(first: FloatArray, second: FloatArray, step_s: float, max_lag_s: float) -> tuple[float, float] | None:
    """Lag at the highest correlation, refined by a parabola [s], and that correlation."""
    scale = float(np.sqrt(np.sum(first**2) * np.sum(second**2)))
    if first.size < 50 or scale == 0.0:
        return None
    reach = min(int(max_lag_s / step_s), first.size - 2)
    curve = correlate(second, first, mode="full", method="fft")[first.size - 1 - reach : first.size + reach] / scale
    peak = int(np.argmax(curve))
    if peak in (0, curve.size - 1):
        return None
    before, at, after = curve[peak - 1 : peak + 2]
    bend = before - 2.0 * at + after
    refined = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return (peak - reach + refined) * step_s, float(at)
