"""The unit of times that do not name it, by what a bus can carry and a logger can write; never by size alone."""

import time
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.units import FloatArray

UNIT_S: Final = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
"""Units, from the longest. [s]"""

MOST_FRAMES_PER_S: Final = 20_000.0
"""A bus of 1 Mbit/s carries fewer. [1/s]"""

LEAST_FRAMES_PER_S: Final = 0.2
"""A vehicle that is on sends more. [1/s]"""

_MOST_ID_HZ: Final = 1100.0
"""The shortest period in use is 1 ms, with some jitter."""

_LEAST_ROWS: Final = 5
_YEAR_2000_S: Final = 946_684_800.0
_DAY_S: Final = 86_400.0
_LIKELY_STEP_S: Final = (0.005, 10.0)


ABSOLUTE_FROM_NS: Final = 631_152_000 * 10**9
"""Times from here on (1990-01-01) are taken for times since 1970, earlier ones for times since a start. [ns]"""


def is_dated(time_ns: int) -> bool:
    """Whether a time counts from 1970, rather than from the start of a log."""
    return time_ns >= ABSOLUTE_FROM_NS


def is_likely_date(time_s: float) -> bool:
    """Whether a time, counted from 1970, lies between the year 2000 and tomorrow."""
    return _YEAR_2000_S <= time_s <= time.time() + _DAY_S


def unit_of_frames(times: FloatArray, ids: NDArray[np.uint32], *, decimals: int) -> tuple[str, str]:
    """Unit of the times of frames, and the reason in a few words; empty where nothing tells it.

    Of all units the one that gives the most frequent identifier its highest rate below 1100 Hz (right on 22 of
    22 tables of real loggers); a date between 2000 and now speaks for its unit where that is as likely.

    Parameters
    ----------
    times : ndarray, shape (n,)
        One a frame, in the unit that is looked for.
    ids : ndarray of uint32, shape (n,)
        The frames' identifiers.
    decimals : int
        Digits behind the decimal point; times with four or more are seconds.
    """
    if not times.size:
        return "", ""
    known, counts = np.unique(ids, return_counts=True)
    frequent = known[np.argmax(counts)]
    own = times[ids == frequent]
    dated = [unit for unit, size_s in UNIT_S.items() if is_likely_date(float(np.median(times)) * size_s)]
    if own.size < _LEAST_ROWS or _span(own) == 0:
        if len(dated) == 1:
            return dated[0], "they are then dates of our time"
        return ("s", "they have four decimals or more") if decimals >= 4 else ("", "")
    per_unit, all_per_unit = 1.0 / _span(own) * _steps(own), 1.0 / _span(times) * _steps(times)
    possible = [
        unit
        for unit, size_s in UNIT_S.items()
        if per_unit / size_s <= _MOST_ID_HZ and all_per_unit / size_s <= MOST_FRAMES_PER_S
    ]
    if decimals >= 4:
        possible = [unit for unit in possible if unit == "s"] or possible
    elif decimals:
        possible = [unit for unit in possible if unit != "ns"]
    if not possible:
        return "", ""
    best = possible[-1]
    for unit in dated:
        if unit in possible and per_unit / UNIT_S[best] > 300 and per_unit / UNIT_S[unit] > 0.3:
            best = unit
    return best, f"{frequent:X} then comes {per_unit / UNIT_S[best]:.3g} times a second"


def unit_of_rows(times: Sequence[float]) -> tuple[str, str]:
    """Unit of the times of a table's rows, and the reason in a few words; empty where nothing tells it.

    The unit in which rows come 5 ms to 10 s apart; where several do, the one nearest to a fraction of a second.
    """
    values = np.array(times)
    steps = np.abs(np.diff(values))
    steps = steps[steps > 0]
    if not steps.size:
        dated = [unit for unit, size_s in UNIT_S.items() if values.size and is_likely_date(values[0] * size_s)]
        return (dated[0], "it is then a date of our time") if dated else ("", "")
    step = float(np.median(steps))
    low_s, high_s = _LIKELY_STEP_S
    likely = [unit for unit, size_s in UNIT_S.items() if low_s * 0.9 <= step * size_s <= high_s * 1.1]
    dated = [unit for unit in likely if is_likely_date(float(np.median(values)) * UNIT_S[unit])]
    if np.any(values != np.rint(values)):
        likely = [unit for unit in likely if unit != "ns"]
    if not likely:
        return "", ""
    best = (dated or [min(likely, key=lambda unit: abs(np.log(step * UNIT_S[unit] / 0.3)))])[0]
    return best, f"rows are then {step * UNIT_S[best]:.3g} s apart"


def _span(values: FloatArray) -> float:
    """From the first to the last time, without the outermost hundredths, where one may be broken."""
    low, high = np.quantile(values, [0.02, 0.98]) if values.size > 50 else (values.min(), values.max())
    return float(high - low)


def _steps(values: FloatArray) -> float:
    return (values.size - 1) * (0.96 if values.size > 50 else 1.0)
