"""Runs in opposite directions: which way a stretch went, and which two belong together."""

from collections.abc import Callable, Iterable
from typing import Final, TypeVar

import numpy as np

from logan.drive.drive import Drive

OPPOSITE_DEG: Final = 30.0
"""Two runs are opposite when their courses differ by 180 degrees to within this."""

T = TypeVar("T")


def mean_heading(drive: Drive, start_s: float, end_s: float) -> tuple[float, float] | None:
    """Mean heading over a stretch [deg], and how much it was one, 0 to 1; None where it is not logged there."""
    channel = drive.get("heading")
    heading_deg = np.empty(0) if channel is None else channel.between(start_s, end_s).value
    if not heading_deg.size:
        return None
    mean = np.mean(np.exp(1j * np.radians(heading_deg)))
    return float(np.degrees(np.angle(mean)) % 360.0), float(np.abs(mean))


def are_opposite(one_deg: float | None, other_deg: float | None) -> bool:
    """Whether two headings are opposite; False where one is not known."""
    if one_deg is None or other_deg is None:
        return False
    return abs((one_deg - other_deg + 180.0) % 360.0 - 180.0) > 180.0 - OPPOSITE_DEG


def paired(runs: Iterable[T], belong: Callable[[T, T], bool]) -> list[tuple[T, ...]]:
    """Pair each run with the next that belongs to it; one that has no partner stays alone."""
    left, groups = list(runs), list[tuple[T, ...]]()
    while left:
        first = left.pop(0)
        partner = next((index for index, other in enumerate(left) if belong(first, other)), None)
        groups.append((first,) if partner is None else (first, left.pop(partner)))
    return groups
