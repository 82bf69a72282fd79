"""Decode signals from the columns of a message, whole columns at a time.

What counts as present, and what does not:

* A signal whose bits are not all inside a frame (a short frame, or a DLC that disagrees with
  the DBC) is absent in that frame. Bytes beyond the declared length are decoded like any other.
* A multiplexed signal is absent where its selector has another value, an unknown one, or is
  itself absent. Selectors are compared by raw value.
* Remote and error frames carry no signals.
* Values are float64, computed as ``raw * scale + offset``. Where scale and offset are whole and
  a value could need more than 53 bits, they are int64 or uint64 if every possible value fits.
* Times keep the order of the log, whichever way they run.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.bit_layout import BitField, PayloadWords, Words
from logan.frames.raw_columns import MessageColumns
from logan.frames.signal_layout import MessageLayout, MuxCondition, SignalLayout
from logan.frames.table import SignalColumn
from logan.units import FloatArray, IntArray

_BLOCK_ROWS: Final = 16_384
_EXACT_FLOAT_BITS: Final = 53
_FLOAT_TYPES: Final = {16: np.float16, 32: np.float32, 64: np.float64}
_RAW_TYPES: Final = {16: np.uint16, 32: np.uint32, 64: np.uint64}

Conditions: TypeAlias = tuple[MuxCondition, ...]
Rows: TypeAlias = IntArray | None
"""Rows of a block in which a group of signals is present; None stands for all."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """One signal, ready to be decoded."""

    layout: SignalLayout
    field: BitField
    dtype: type[np.float64] | type[np.int64] | type[np.uint64]


def value_type(layout: SignalLayout) -> type[np.float64] | type[np.int64] | type[np.uint64]:
    """Type that a signal's values are held in: int64 or uint64 where float64 would lose digits."""
    if layout.is_float or layout.scale != int(layout.scale) or layout.offset != int(layout.offset):
        return np.float64
    span = 1 << layout.bit_length
    lowest, highest = (-span // 2, span // 2 - 1) if layout.is_signed else (0, span - 1)
    ends = sorted(raw * int(layout.scale) + int(layout.offset) for raw in (lowest, highest))
    if max(abs(end) for end in ends) <= 1 << _EXACT_FLOAT_BITS:
        return np.float64
    for kind in (np.int64, np.uint64):
        if np.iinfo(kind).min <= ends[0] and ends[1] <= np.iinfo(kind).max:
            return kind
    return np.float64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupTable:
    """Signals of one message that are present in the same frames.

    Parameters
    ----------
    time_ns : ndarray of int64, shape (n,)
        [ns]
    signals : tuple of SignalLayout
        In the order of the DBC.
    values : tuple of ndarray, each shape (n,)
        Value of each signal in each row.
    absent : tuple of (ndarray or None)
        Rows in which the frame was too short for the signal; None for none.
    """

    time_ns: IntArray
    signals: tuple[SignalLayout, ...]
    values: tuple[NDArray[Any], ...]
    absent: tuple[Rows, ...]


class MessageDecoder:
    """Decodes a message block by block, straight into its final columns.

    Parameters
    ----------
    layout : MessageLayout
        The message.
    bus, message : str
        Bus and message that the columns are named with; the layout's name by default.
    wanted : callable, optional
        Which signals to decode; all by default.
    """

    def __init__(
        self,
        layout: MessageLayout,
        *,
        bus: str = "",
        message: str = "",
        wanted: Callable[[SignalLayout], bool] | None = None,
    ) -> None:
        self._layout, self._bus, self._message = layout, bus, message or layout.name
        self._plans = [
            _Plan(signal, BitField.of(signal), value_type(signal))
            for signal in layout.signals
            if wanted is None or wanted(signal)
        ]
        members: dict[Conditions, list[_Plan]] = {}
        for plan in self._plans:
            members.setdefault(plan.layout.conditions, []).append(plan)
        self._groups = {conditions: _Group(plans) for conditions, plans in members.items()}

    def append(self, columns: MessageColumns, expected_ratio: float = 1.0) -> None:
        """Decode a block of frames behind those already decoded.

        Parameters
        ----------
        columns : MessageColumns
            The frames; nothing of them is kept.
        expected_ratio : float
            Guess of how many rows there will be in all, over those so far; it saves copying later.
        """
        if not len(columns):
            return
        selectors = _Selectors(self._layout, columns)
        for conditions, group in self._groups.items():
            rows = selectors.rows(conditions)
            if rows is None:
                group.append(columns.time_ns, columns.length, columns.payload, expected_ratio)
            elif rows.size:
                group.append(columns.time_ns[rows], columns.length[rows], columns.payload[rows], expected_ratio)

    def tables(self) -> tuple[GroupTable, ...]:
        """What was decoded, one table for the signals that are present in the same frames."""
        return tuple(group.table() for group in self._groups.values())

    def clear(self) -> None:
        """Forget what was decoded; the arrays are used again, so tables handed out change."""
        for group in self._groups.values():
            group.clear()

    def columns(self) -> tuple[SignalColumn, ...]:
        """One column for each signal wanted, in the order of the DBC; also those without any row."""
        found = {
            plan.layout.name: column
            for group in self._groups.values()
            for plan, column in zip(group.plans, group.columns(), strict=True)
        }
        return tuple(column_of(plan.layout, self._message, self._bus, *found[plan.layout.name]) for plan in self._plans)


class _Selectors:
    """Rows of a block in which multiplexed signals are present."""

    def __init__(self, layout: MessageLayout, columns: MessageColumns) -> None:
        self._layout = layout
        self._columns = columns
        self._raw: dict[str, tuple[IntArray, NDArray[np.bool_]]] = {}

    def rows(self, conditions: Conditions) -> Rows:
        """Rows in which all conditions hold; None for every row."""
        if not conditions:
            return None
        present = self._holds(conditions[0])
        for condition in conditions[1:]:
            present = present & self._holds(condition)
        return np.flatnonzero(present)

    def _holds(self, condition: MuxCondition) -> NDArray[np.bool_]:
        if condition.selector not in self._raw:
            self._raw[condition.selector] = self._selector(condition.selector)
        raw, present = self._raw[condition.selector]
        matches = np.zeros(raw.shape, bool)
        for first, last in condition.ranges:
            matches |= raw == first if first == last else (raw >= first) & (raw <= last)
        return matches & present

    def _selector(self, name: str) -> tuple[IntArray, NDArray[np.bool_]]:
        """Raw values of a selector, and the rows whose frames are long enough to hold it."""
        layout = self._layout.signal(name)
        raw = np.zeros(len(self._columns), np.uint64)
        if layout is None:
            return raw.view(np.int64), np.zeros(raw.size, bool)
        field = BitField.of(layout)
        if field.needed_bytes <= self._columns.payload.shape[1]:
            PayloadWords(self._columns.payload).raw(field, raw)
        return raw.view(np.int64), self._columns.length >= field.needed_bytes


class _Group:
    """Signals that are present in the same rows, and their columns as they grow."""

    def __init__(self, plans: list[_Plan]) -> None:
        self.plans = plans
        self._count = 0
        self._time_ns = np.empty(0, np.int64)
        self._values: list[NDArray[Any]] = [np.empty(0, plan.dtype) for plan in plans]
        self._absent: dict[int, list[IntArray]] = {}

    def append(
        self, time_ns: IntArray, length: NDArray[np.uint8], payload: NDArray[np.uint8], expected_ratio: float
    ) -> None:
        start, end = self._count, self._count + time_ns.size
        if end > self._time_ns.size:
            self._grow(max(end, int(end * expected_ratio)))
        self._time_ns[start:end] = time_ns
        shortest = int(length.min())
        for needed in {plan.field.needed_bytes for plan in self.plans}:
            if needed > shortest:
                self._absent.setdefault(needed, []).append(start + np.flatnonzero(length < needed))
        _decode_rows(self.plans, payload, [value[start:end] for value in self._values])
        self._count = end

    def _grow(self, rows: int) -> None:
        """Move to longer arrays. Memory that is never written to costs nothing, so a good guess is free."""
        rows = max(rows, self._time_ns.size + self._time_ns.size // 4)
        time_ns = np.empty(rows, np.int64)
        time_ns[: self._count] = self._time_ns[: self._count]
        # One array for all floats: large enough for huge pages, which are cheaper to touch first.
        floats = iter(np.empty((sum(plan.dtype is np.float64 for plan in self.plans), rows)))
        for index, plan in enumerate(self.plans):
            grown = next(floats) if plan.dtype is np.float64 else np.empty(rows, plan.dtype)
            grown[: self._count] = self._values[index][: self._count]
            self._values[index] = grown
        self._time_ns = time_ns

    def clear(self) -> None:
        self._count = 0
        self._absent.clear()

    def table(self) -> GroupTable:
        absent = {needed: np.concatenate(rows) for needed, rows in self._absent.items()}
        return GroupTable(
            time_ns=self._time_ns[: self._count],
            signals=tuple(plan.layout for plan in self.plans),
            values=tuple(value[: self._count] for value in self._values),
            absent=tuple(absent.get(plan.field.needed_bytes) for plan in self.plans),
        )

    def columns(self) -> list[tuple[IntArray, NDArray[Any]]]:
        """Times and values of each signal, without the rows whose frames were too short for it."""
        table = self.table()
        present: dict[int, tuple[NDArray[np.bool_], IntArray]] = {}
        columns: list[tuple[IntArray, NDArray[Any]]] = []
        for plan, value, absent in zip(self.plans, table.values, table.absent, strict=True):
            if absent is None:
                columns.append((table.time_ns, value))
            else:
                needed = plan.field.needed_bytes
                if needed not in present:
                    kept = np.ones(value.size, np.bool_)
                    kept[absent] = False
                    present[needed] = kept, table.time_ns[kept]
                kept, time_ns = present[needed]
                columns.append((time_ns, value[kept]))
        return columns


def _decode_rows(plans: list[_Plan], payload: NDArray[np.uint8], out: list[NDArray[Any]]) -> None:
    """Values of several signals in every row; of those outside the payload, whatever."""
    count = payload.shape[0]
    scratch = np.empty(min(count, _BLOCK_ROWS), np.uint64)
    with np.errstate(over="ignore", invalid="ignore"):  # floats of a message may be infinite, or no number
        for start in range(0, count, _BLOCK_ROWS):
            stop = min(start + _BLOCK_ROWS, count)
            words = PayloadWords(payload[start:stop])
            for plan, value in zip(plans, out, strict=True):
                if plan.field.needed_bytes > payload.shape[1]:
                    value[start:stop] = 0
                else:
                    _scale(plan, words.raw(plan.field, scratch[: stop - start]), value[start:stop])


def _scale(plan: _Plan, raw: Words, out: NDArray[Any]) -> None:
    layout = plan.layout
    if layout.is_float:
        number: NDArray[Any] = raw.astype(_RAW_TYPES[layout.bit_length]).view(_FLOAT_TYPES[layout.bit_length])
    elif layout.is_signed or layout.bit_length < 64:
        number = raw.view(np.int64)
    else:
        number = raw
    if plan.dtype is not np.float64:
        _scale_whole(layout, raw, out)
        return
    if layout.scale == 1:
        np.copyto(out, number, casting="unsafe")
    else:
        np.multiply(number, float(layout.scale), out=out, dtype=np.float64, casting="unsafe")
    if layout.offset != 0:
        np.add(out, float(layout.offset), out=out)


def _scale_whole(layout: SignalLayout, raw: Words, out: NDArray[Any]) -> None:
    """Whole arithmetic modulo 2**64: exact, because every possible result fits (``value_type``)."""
    modulus = 1 << 64
    scaled: Words = out.view(np.uint64)
    np.multiply(raw, np.uint64(int(layout.scale) % modulus), out=scaled)
    np.add(scaled, np.uint64(int(layout.offset) % modulus), out=scaled)


def column_of(signal: SignalLayout, message: str, bus: str, time_ns: IntArray, value: FloatArray) -> SignalColumn:
    """A decoded signal, with what its DBC says of it.

    Parameters
    ----------
    signal : SignalLayout
        As declared.
    message, bus : str
        Where it comes from.
    time_ns, value : ndarray, shape (n,)
        Its samples; none where only the declaration is known. [ns, the signal's unit]
    """
    return SignalColumn(
        name=signal.name,
        message=message,
        bus=bus,
        unit=signal.unit,
        time_ns=time_ns,
        value=value,
        comment=signal.comment,
        minimum=signal.minimum,
        maximum=signal.maximum,
        choices=signal.choices,
        is_signed=signal.is_signed,
        scale=float(signal.scale),
        offset=float(signal.offset),
        bit_length=signal.bit_length,
        is_multiplexed=bool(signal.conditions),
    )
