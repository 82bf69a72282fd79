"""Frames and signals as columns."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logan.units import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTable:
    """A block of CAN frames, one row each, in the order of the log.

    Parameters
    ----------
    time_ns : ndarray of int64, shape (n,)
        Time as logged; never sorted or repaired here. [ns]
    can_id : ndarray of uint32, shape (n,)
        Identifier, without flag bits.
    is_extended, is_fd, is_remote, is_error : ndarray of bool, shape (n,)
        Kind of frame.
    bus : ndarray of uint8, shape (n,)
        Index into ``buses``.
    length : ndarray of uint8, shape (n,)
        Data bytes really present (not the DLC).
    payload : ndarray of uint8, shape (n, 8) or (n, 64)
        Data; bytes past ``length`` are zero and mean nothing.
    buses : tuple of str
        Names of the buses (interfaces, channels), as the log has them.
    """

    time_ns: IntArray
    can_id: NDArray[np.uint32]
    is_extended: NDArray[np.bool_]
    is_fd: NDArray[np.bool_]
    is_remote: NDArray[np.bool_]
    is_error: NDArray[np.bool_]
    bus: NDArray[np.uint8]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    buses: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.time_ns.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalColumn:
    """One decoded signal, or one column of a drive table, at its native rate.

    Parameters
    ----------
    name : str
        Name of the signal or column as the file has it.
    message : str
        Message that carries it; empty for a table.
    bus : str
        Bus that it came from; empty for a table.
    unit : str
        Unit as declared, free text; empty where none is.
    time_ns : ndarray of int64, shape (n,)
        [ns]
    value : ndarray of float64 or int64/uint64, shape (n,)
        Physical value; rows where the signal is absent are left out.
    comment : str
        Comment as declared.
    minimum, maximum : float or None
        Range as declared.
    choices : mapping of int to str
        Value table, raw value to text.
    is_signed : bool or None
        As declared; None for a table.
    scale, offset, bit_length : float, float, int
        As declared; 1, 0 and 0 for a table.
    is_multiplexed : bool
        Sent in turns with others.
    """

    name: str
    message: str = ""
    bus: str = ""
    unit: str = ""
    time_ns: IntArray
    value: FloatArray
    comment: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: Mapping[int, str] = field(default_factory=dict)
    is_signed: bool | None = None
    scale: float = 1.0
    offset: float = 0.0
    bit_length: int = 0
    is_multiplexed: bool = False

    @property
    def key(self) -> str:
        """Unique address: ``bus/message.signal``, without the parts that are empty."""
        name = f"{self.message}.{self.name}" if self.message else self.name
        return f"{self.bus}/{name}" if self.bus else name

    def texts(self) -> list[str | None]:
        """Text of each value by the value table; None for a value that has none in it."""
        codes = np.round((self.value - self.offset) / self.scale)
        return [self.choices.get(int(code)) if code == code else None for code in codes.tolist()]


@dataclass(frozen=True, slots=True)
class SkippedPart:
    """Something in a log that could not be read and cost itself alone."""

    place: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalTable:
    """All signals of a log, or of several that belong together.

    Parameters
    ----------
    columns : tuple of SignalColumn
        In a stable order.
    log_format : str
        Name of the format they were read from.
    frame_count : int
        CAN frames read; zero for a table.
    unknown_ids : mapping of str to int
        Identifiers without a message in the DBC, and their frame counts.
    skipped_count : int
        Lines or objects that could not be read.
    lost_count : int
        Those of them that look like frames or rows: what is missing.
    skipped : tuple of SkippedPart
        The first few of them.
    is_truncated : bool
        The log ends in the middle of a line or object, which is normal after a power cut.
    error_count : int
        Error frames of the bus.
    error_time_ns : ndarray of int64, shape (m,)
        When the first of them came. [ns]
    clashes : tuple of str
        Identifiers that a bus carries both as standard and as extended ones.
    text_cells : mapping of str to SkippedPart
        First cell of a column of numbers that holds text, by the column's name.
    unused : tuple of SignalColumn
        Columns of a table that nobody asked for, without their data.
    """

    columns: tuple[SignalColumn, ...]
    log_format: str
    frame_count: int = 0
    unknown_ids: Mapping[str, int] = field(default_factory=dict)
    skipped_count: int = 0
    lost_count: int = 0
    skipped: tuple[SkippedPart, ...] = ()
    is_truncated: bool = False
    error_count: int = 0
    error_time_ns: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    clashes: tuple[str, ...] = ()
    text_cells: Mapping[str, SkippedPart] = field(default_factory=dict)
    unused: tuple[SignalColumn, ...] = ()

    def __iter__(self) -> Iterator[SignalColumn]:
        return iter(self.columns)

    def find(self, address: str) -> tuple[SignalColumn, ...]:
        """Columns whose key, ``message.signal`` or bare name equals ``address``."""
        exact = tuple(column for column in self.columns if column.key == address)
        if exact:
            return exact
        return tuple(column for column in self.columns if address in (column.name, f"{column.message}.{column.name}"))
