"""Lines read by columns: the columns are learned from a line here and there, and held against all others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.logs.text_lines import BLOCK_LINES, FastFrames, Lines, widen
from logan.units import BoolArray, IntArray

_MAX_LAYOUTS: Final = 6
_SAMPLES: Final = 24
_FEW_LINES: Final = 16

LineRows: TypeAlias = slice | IntArray


class Layout(Protocol):
    """Columns of one kind of line; reads all lines that have them."""

    def read(
        self, text: NDArray[np.uint8], lines: Lines, anchor: IntArray, fast: FastFrames, rows: LineRows
    ) -> BoolArray:
        """Fill ``rows`` of ``fast``; return which of them were read."""
        ...


Learn: TypeAlias = Callable[[bytes], "Layout | None"]
"""Columns that one line has, or None where it is not of a kind that is read by columns."""


def read_by_layouts(
    text: NDArray[np.uint8], lines: Lines, anchor: IntArray, fast: FastFrames, learn: Learn, least_anchor: int
) -> None:
    """Read all lines whose columns are those of a few of them.

    Parameters
    ----------
    text, lines
        The chunk.
    anchor : ndarray of int64, shape (n,)
        Place in each line that columns are counted from.
    fast : FastFrames
        Filled, with ``taken`` set.
    learn : callable
        Reads columns off a line.
    least_anchor : int
        Lines whose anchor lies before this position of the text are left out.
    """
    layouts: list[Layout] = []
    usable = lines.is_plain & (anchor >= least_anchor)
    for first in range(0, len(lines), BLOCK_LINES):
        rows: LineRows = slice(first, min(first + BLOCK_LINES, len(lines)))
        missed = np.flatnonzero(~usable[rows])
        if missed.size:
            rows = first + np.flatnonzero(usable[rows])
        for attempt in range(_MAX_LAYOUTS):
            if attempt == len(layouts) and not _learn_one(text, lines, rows, learn, layouts):
                break
            taken = layouts[attempt].read(text, lines, anchor, fast, rows)
            fast.taken[rows] = taken
            missed = np.flatnonzero(~taken)
            if missed.size <= _FEW_LINES:
                break
            rows = rows.start + missed if isinstance(rows, slice) else rows[missed]


def _learn_one(text: NDArray[np.uint8], lines: Lines, rows: LineRows, learn: Learn, layouts: list[Layout]) -> bool:
    starts, ends = lines.start[rows][:_SAMPLES], lines.end[rows][:_SAMPLES]
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        layout = learn(text[start:end].tobytes())
        if layout is not None:
            layouts.append(layout)
            return True
    return False


def fill_long(
    fast: FastFrames, rows: LineRows, length: NDArray[np.uint8], payload: NDArray[np.uint8], taken: BoolArray
) -> None:
    """Put the data of CAN FD frames in place, in those rows that were taken."""
    widen(fast)
    if fast.is_fd is None:
        fast.is_fd = np.zeros(fast.taken.size, np.bool_)
    at = np.arange(rows.start, rows.stop)[taken] if isinstance(rows, slice) else rows[taken]
    fast.payload[at] = payload[taken]
    fast.length[at] = length[taken]
    fast.is_fd[at] = True
