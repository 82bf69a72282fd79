"""Bits that never change: gaps in the values that repeat with a power of two, and jumps of exactly that size."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.flags import DataFlag, Severity
from logan.quality.detector import detector
from logan.quality.runs import resolution
from logan.quality.survey import DriveSurvey, finite_samples
from logan.units import IntArray

_WATCHED: Final = ("pack_current", "pack_voltage", "pack_power", "speed", "motor_speed", "motor_torque")
_LOWEST_BIT: Final = 2
_EMPTY_SHARE: Final = 0.45
_LEAST_PERIODS: Final = 1.5
_LEAST_JUMPS: Final = 12
_LARGE_SHARE: Final = 0.02


@detector("stuck_bit")
def _find_stuck_bit(survey: DriveSurvey) -> Iterator[DataFlag]:
    for name in _WATCHED:
        channel = survey.drive.get(name)
        samples = None if channel is None else finite_samples(channel)
        if samples is None or samples[1].size < 500 or channel is None or channel.is_derived:
            continue
        step = resolution(samples[1])
        if step <= 0.0:
            continue
        steps = (samples[1] - float(np.min(samples[1]))) / step
        raw = np.round(steps)
        if float(np.mean(np.abs(steps - raw) > 0.1)) > 0.02 or float(np.ptp(raw)) > 1e6:
            continue
        bit = stuck_bit(raw.astype(np.int64))
        if bit is None:
            continue
        size = step * 2.0**bit
        # Set half of the time, it takes half of itself from every value on average.
        is_large = 0.5 * size > _LARGE_SHARE * float(np.mean(np.abs(samples[1])))
        kind = channel_kind(name)
        refuses = (
            ("consumption", "distance", "fit") if name == "speed" else ("net_energy", "consumption", "regen", "fit")
        )
        yield DataFlag(
            code="stuck_bit",
            severity=Severity.RED if is_large else Severity.AMBER,
            channels=(name,),
            title=f"A bit of {name.replace('_', ' ')} never changes",
            evidence=f"no value has bit {bit} as it should: gaps and jumps of {size:.3g} {kind.unit if kind else ''}",
            remedy="Check start bit, length and byte order of this signal in the DBC; a signal one bit too short, or "
            "another one laid over it, does this",
            refuses=refuses if is_large and name in ("pack_current", "pack_voltage", "pack_power", "speed") else (),
        )


def stuck_bit(raw: IntArray) -> int | None:
    """Return the highest bit that stands still while those above and below move; None where none does.

    Parameters
    ----------
    raw : ndarray of int, shape (n,)
        Values in steps of the resolution.
    """
    span = int(np.ptp(raw))
    for bit in range(int(np.log2(max(span, 2))), _LOWEST_BIT - 1, -1):
        period = 2 ** (bit + 1)
        if _has_gap(raw, period, span) or _has_jumps(raw, period // 2):
            return bit
    return None


def _has_gap(raw: IntArray, period: int, span: int) -> bool:
    """Whether half of each period is empty although the values reach over several."""
    if span < _LEAST_PERIODS * period or np.unique(raw).size < 40:
        return False
    residue = np.unique(np.mod(raw, period))
    if residue.size < 4:
        return False
    empty = np.diff(np.concatenate((residue, [residue[0] + period])))
    widest = int(np.argmax(empty))
    return bool(empty[widest] >= _EMPTY_SHARE * period and empty[widest] <= 0.6 * period)


def _has_jumps(raw: IntArray, size: int) -> bool:
    """Whether steps of about the bit's size are far more frequent than somewhat smaller and larger ones."""
    steps = np.abs(np.diff(raw))
    if size < 16:
        return False
    at = int(np.sum((steps > 0.93 * size) & (steps < 1.07 * size)))
    below = int(np.sum((steps > 0.6 * size) & (steps <= 0.9 * size)))
    above = int(np.sum((steps >= 1.1 * size) & (steps < 1.4 * size)))
    # The window at the size is a quarter as wide as the two beside it together.
    return at >= _LEAST_JUMPS and at > 2.0 * (below + above)
