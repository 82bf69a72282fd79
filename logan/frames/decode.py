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

from __future__ import annotations

from collections.abc import Callable, Iterable
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

Rows: TypeAlias = IntArray | None
"""Rows of a message in which a signal is present; None stands for all."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """One signal, ready to be decoded."""

    layout: SignalLayout
    field: BitField
    dtype: type[np.float64] | type[np.int64] | type[np.uint64]


def decode_message(
    layout: MessageLayout,
    columns: MessageColumns,
    *,
    bus: str = "",
    wanted: Callable[[SignalLayout], bool] | None = None,
) -> tuple[SignalColumn, ...]:
    """Decode signals of one message.

    Parameters
    ----------
    layout : MessageLayout
        The message.
    columns : MessageColumns
        Its frames.
    bus : str
        Bus that the columns are named with.
    wanted : callable, optional
        Which signals to decode; all by default.

    Returns
    -------
    tuple of SignalColumn
        One for each signal wanted, in the order of the DBC; also those without any row.
    """
    plans = [_plan(signal) for signal in layout.signals if wanted is None or wanted(signal)]
    presence = _Presence(layout, columns)
    values: dict[str, tuple[IntArray, NDArray[Any]]] = {}
    for rows, members in _by_rows(presence, plans):
        time_ns, payload = columns.time_ns, columns.payload
        if rows is not None:
            time_ns, payload = time_ns[rows], payload[rows]
        for plan, value in zip(members, _decode_rows(members, payload), strict=True):
            values[plan.layout.name] = (time_ns, value)
    return tuple(_column(plan, layout, bus, *values[plan.layout.name]) for plan in plans)


def _plan(layout: SignalLayout) -> _Plan:
    return _Plan(layout, BitField.of(layout), value_type(layout))


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


class _Presence:
    """Rows of a message in which a signal is present; worked out once for signals that share them."""

    def __init__(self, layout: MessageLayout, columns: MessageColumns) -> None:
        self._layout = layout
        self._columns = columns
        self._shortest = int(columns.length.min()) if len(columns) else 0
        self._rows: dict[tuple[tuple[MuxCondition, ...], int], Rows] = {}
        self._selectors: dict[str, tuple[Rows, IntArray]] = {}

    def rows(self, plan: _Plan) -> tuple[tuple[tuple[MuxCondition, ...], int], Rows]:
        needed = plan.field.needed_bytes
        key = (plan.layout.conditions, 0 if needed <= self._shortest else needed)
        if key not in self._rows:
            self._rows[key] = self._find(*key)
        return key, self._rows[key]

    def _find(self, conditions: tuple[MuxCondition, ...], needed: int) -> Rows:
        if not conditions and not needed:
            return None
        present = self._columns.length >= needed
        for condition in conditions:
            present = present & self._holds(condition)
        return None if present.all() else np.flatnonzero(present)

    def _holds(self, condition: MuxCondition) -> NDArray[np.bool_]:
        rows, raw = self._selector(condition.selector)
        matches = np.zeros(raw.shape, bool)
        for first, last in condition.ranges:
            matches |= raw == first if first == last else (raw >= first) & (raw <= last)
        if rows is None:
            return matches
        holds = np.zeros(len(self._columns), bool)
        holds[rows] = matches
        return holds

    def _selector(self, name: str) -> tuple[Rows, IntArray]:
        """Raw values of a selector, in the rows whose frames are long enough for it."""
        if name not in self._selectors:
            layout = self._layout.signal(name)
            if layout is None:
                self._selectors[name] = (np.empty(0, np.int64), np.empty(0, np.int64))
            else:
                field = BitField.of(layout)
                rows = self._find((), 0 if field.needed_bytes <= self._shortest else field.needed_bytes)
                payload = self._columns.payload if rows is None else self._columns.payload[rows]
                raw = np.empty(payload.shape[0], np.uint64)
                if raw.size:
                    PayloadWords(payload).raw(field, raw)
                self._selectors[name] = (rows, raw.view(np.int64))
        return self._selectors[name]


def _by_rows(presence: _Presence, plans: Iterable[_Plan]) -> list[tuple[Rows, list[_Plan]]]:
    groups: dict[object, tuple[Rows, list[_Plan]]] = {}
    for plan in plans:
        key, rows = presence.rows(plan)
        groups.setdefault("all" if rows is None else key, (rows, []))[1].append(plan)
    return list(groups.values())


def _decode_rows(plans: list[_Plan], payload: NDArray[np.uint8]) -> list[NDArray[Any]]:
    """Values of several signals that are present in every row of ``payload``."""
    count = payload.shape[0]
    # One array for all: large enough for huge pages, which are much cheaper to touch first.
    floats = np.empty((sum(plan.dtype is np.float64 for plan in plans), count))
    rows_of_floats = iter(floats)
    values = [next(rows_of_floats) if plan.dtype is np.float64 else np.empty(count, plan.dtype) for plan in plans]
    scratch = np.empty(min(count, _BLOCK_ROWS), np.uint64)
    for start in range(0, count, _BLOCK_ROWS):
        stop = min(start + _BLOCK_ROWS, count)
        words = PayloadWords(payload[start:stop])
        for plan, value in zip(plans, values, strict=True):
            _scale(plan, words.raw(plan.field, scratch[: stop - start]), value[start:stop])
    return values


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
    with np.errstate(over="ignore", invalid="ignore"):
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


def _column(plan: _Plan, layout: MessageLayout, bus: str, time_ns: IntArray, value: FloatArray) -> SignalColumn:
    signal = plan.layout
    return SignalColumn(
        name=signal.name,
        message=layout.name,
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
    )
