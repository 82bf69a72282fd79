"""Raw codes behind the numbers: signedness, and codes that mean "not available"."""

import re
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.channels.vocabulary import ChannelKind
from logan.errors import ChannelError
from logan.frames.table import SignalColumn
from logan.units import FloatArray

_NOT_AVAILABLE_TEXT: Final = re.compile(
    r"\b(sna|n/?a|not[ _]?avail\w*|invalid|unavailable|undefined|unknown|error|fault|init\w*|no[ _]?(data|value))\b",
    re.IGNORECASE,
)
_TABLE_CODES: Final = tuple(
    code / divisor
    for divisor in (1.0, 10.0, 100.0, 1000.0, 10_000.0)
    for code in (65_535.0, 65_534.0, 4_294_967_295.0, 2_147_483_647.0, -2_147_483_648.0, 32_767.0, -32_768.0)
)
_TEMPERATURE_CODES: Final = (-40.0, 215.0, 214.0)
_LEAST_ISOLATION_K: Final = 15.0


@dataclass(frozen=True, slots=True)
class NotAvailableCode:
    """A number that means "no value", as it appears in the column.

    Parameters
    ----------
    value : float
        In the unit of the column.
    count : int
        Rows that hold it.
    reason : str
        Why it is taken for one.
    """

    value: float
    count: int
    reason: str


def resolution_of(value: FloatArray) -> float:
    """Smallest step between distinct values: the step of the code behind a table's numbers."""
    distinct = np.unique(value[np.isfinite(value)])
    if distinct.size < 2:
        return float("nan")
    step = np.diff(distinct)
    step = step[step > 1e-9 * max(1.0, float(np.abs(distinct).max()))]
    return float(step.min()) if step.size else float("nan")


def code_count(column: SignalColumn, value: FloatArray) -> float:
    """Range of the code in the column's unit: ``2**bits * scale``; inferred for a table, NaN where it cannot be.

    A table's range is the smallest 8, 16 or 32-bit one, at the data's own resolution, that holds its largest value.
    """
    if column.bit_length:
        return float(2.0**column.bit_length * abs(column.scale))
    resolution, highest = resolution_of(value), float(np.nanmax(value, initial=0.0))
    for bits in (8, 16, 32):
        if np.isfinite(resolution) and 2.0**bits * resolution > highest >= 2.0 ** (bits - 1) * resolution:
            return float(2.0**bits * resolution)
    return float("nan")


def reread_signed(column: SignalColumn, value: FloatArray, *, is_signed: bool) -> FloatArray:
    """Values as they would be if the code were signed, or unsigned.

    Raises
    ------
    ChannelError
        If the width of the code is not known and cannot be told from the numbers.
    """
    span = code_count(column, value)
    if not np.isfinite(span):
        if is_signed and not (np.isfinite(value).any() and np.nanmax(value) > 0.0):
            return value
        raise ChannelError(
            f"{column.key}: the width of the code cannot be told from its numbers, so 'signed' cannot be applied",
            "Leave 'signed' out, and use scale and offset",
        )
    if is_signed:
        return np.asarray(np.where(value - column.offset >= span / 2.0, value - span, value))
    return np.asarray(np.where(value - column.offset < 0.0, value + span, value))


def signed_code(code: float, column: SignalColumn) -> float:
    """A raw code as the column reads it: 65535 of 16 bits is -1 where they are signed, and the reverse."""
    span = 2.0**column.bit_length
    if column.is_signed and span / 2.0 <= code < span:
        return code - span
    return code + span if column.is_signed is False and -span / 2.0 <= code < 0.0 else code


def not_available_codes(
    column: SignalColumn, value: FloatArray, kind: ChannelKind, low: float, high: float
) -> tuple[NotAvailableCode, ...]:
    """Find the codes in a column that mean "no value".

    A code counts when the DBC names it so, or when it is the top code of its width (or, in a
    table, a number such as 6553.5) and stands apart from all other values or outside the
    channel's limits.

    Parameters
    ----------
    column : SignalColumn
        Where the numbers come from.
    value : ndarray, shape (n,)
        In the column's unit.
    kind : ChannelKind
        What they are mapped to.
    low, high : float
        The kind's limits, in the column's unit.
    """
    found: list[NotAvailableCode] = []
    finite = value[np.isfinite(value)]
    for code, text in column.choices.items():
        number = signed_code(code, column) * column.scale + column.offset
        count = _count(finite, number, column)
        if count and _NOT_AVAILABLE_TEXT.search(text.replace("_", " ")):
            found.append(NotAvailableCode(number, count, f"the DBC calls it '{text}'"))
    named = [code.value for code in found]
    for number, reason in _candidates(column, kind):
        count = _count(finite, number, column)
        if not count or count == finite.size or any(abs(number - other) < 1e-9 for other in named):
            continue
        is_outside = not low <= number <= high
        rest = finite[np.abs(finite - number) > 1e-6 * max(1.0, abs(number))]
        rest = rest[(rest >= low) & (rest <= high)]
        if is_outside or _stands_apart(number, rest, column, kind):
            found.append(NotAvailableCode(number, count, reason))
    return tuple(found)


def _candidates(column: SignalColumn, kind: ChannelKind) -> list[tuple[float, str]]:
    bits = column.bit_length
    codes: list[tuple[float, str]] = []
    if bits >= 2:
        top = 2 ** (bits - 1) - 1 if column.is_signed else 2**bits - 1
        raws = [top, top - 1] if bits >= 4 else [top]
        if column.is_signed and bits >= 8:
            raws += [-top - 1, 2**bits - 1]
        if not column.is_signed and bits >= 8:
            raws += [2 ** (bits - 1) - 1, 2 ** (bits - 1)] if kind.low < 0.0 else []
        codes += [
            (raw * column.scale + column.offset, f"code 0x{raw & (2**bits - 1):X} of {bits} bits") for raw in raws
        ]
    elif bits == 0:
        codes += [(number, f"{number:g} is a top code, scaled") for number in _TABLE_CODES]
    if kind.unit == "degC":
        codes += [(number, f"{number:g} is the end of a sensor's code") for number in _TEMPERATURE_CODES]
    return codes


def _count(finite: FloatArray, number: float, column: SignalColumn) -> int:
    tolerance = max(1e-6 * abs(number), 1e-9) if column.bit_length == 0 else 1e-3 * abs(column.scale)
    return int(np.count_nonzero(np.abs(finite - number) <= tolerance))


def _stands_apart(number: float, rest: FloatArray, column: SignalColumn, kind: ChannelKind) -> bool:
    """True when no other value comes near: the number is reached by a jump, not by a ramp."""
    if rest.size == 0:
        return False
    low, high = float(rest.min()), float(rest.max())
    distance = max(low - number, number - high)
    if kind.unit == "degC":
        return distance > _LEAST_ISOLATION_K
    if column.bit_length and column.bit_length < 8:
        return False
    return distance > max(high - low, 0.05 * abs(number))
