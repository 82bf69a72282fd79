"""How long, and in which stretches, a signal lies beyond a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logan.settings import LimitSide
from logan.units import FloatArray


def time_beyond_s(
    time_s: FloatArray, value: FloatArray, level: float, side: LimitSide, max_gap_s: float = np.inf
) -> float:
    """Time a piecewise linear signal spends beyond a level; crossings inside a step are split.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples. [s, any]
    level : float
        The limit, in the signal's unit.
    side : LimitSide
        Which side counts.
    max_gap_s : float
        Steps longer than this do not count. [s]

    Returns
    -------
    float
        Time. [s]
    """
    excess = value - level if side is LimitSide.ABOVE else level - value
    step_s = np.diff(time_s)
    before, after = excess[:-1], excess[1:]
    span = np.where(before == after, 1.0, after - before)
    crossing = np.clip(-before / span, 0.0, 1.0)
    share = np.where(before > 0.0, np.where(after > 0.0, 1.0, crossing), np.where(after > 0.0, 1.0 - crossing, 0.0))
    counts = np.isfinite(before) & np.isfinite(after) & (step_s <= max_gap_s)
    return float(np.sum((share * step_s)[counts]))


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch beyond a limit."""

    start_s: float
    end_s: float
    worst_value: float
    worst_at_s: float


def stretches_beyond(
    time_s: FloatArray, value: FloatArray, level: float, side: LimitSide, *, join_s: float = 2.0
) -> tuple[Stretch, ...]:
    """Stretches beyond a level; those no further apart than ``join_s`` are one.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples; NaN are passed over. [s, any]
    level : float
        The limit, in the signal's unit.
    side : LimitSide
        Which side counts.
    join_s : float
        Longest return that still belongs to the stretch. [s]

    Returns
    -------
    tuple of Stretch
        In order of time.
    """
    known = np.isfinite(value)
    time_s, value = time_s[known], value[known]
    sign = 1.0 if side is LimitSide.ABOVE else -1.0
    beyond = np.flatnonzero(sign * (value - level) > 0.0)
    if beyond.size == 0:
        return ()
    breaks = np.flatnonzero((np.diff(time_s[beyond]) > join_s) & (np.diff(beyond) > 1))
    groups = np.split(beyond, breaks + 1)
    found = []
    for group in groups:
        worst = int(group[np.argmax(sign * value[group])])
        found.append(
            Stretch(float(time_s[group[0]]), float(time_s[group[-1]]), float(value[worst]), float(time_s[worst]))
        )
    return tuple(found)
