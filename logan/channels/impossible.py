"""Tell that a map is impossible, with the numbers that show it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.channels.raw_codes import code_count
from logan.channels.vocabulary import ChannelKind
from logan.frames.table import SignalColumn
from logan.units import FloatArray
from logan.units.algebra import UnitConversion

MOST_OUTSIDE_RATIO: Final = 0.5
_FACTORS: Final = (
    (1.609344, "miles for kilometres"),
    (3.6, "km/h for m/s"),
    (2.23694, "mph for m/s"),
    (10.0, "tenths"),
    (100.0, "percent, or hundredths"),
    (1000.0, "thousandths"),
)


@dataclass(frozen=True, slots=True)
class Impossibility:
    """Why a channel cannot be what the map says."""

    channel: str
    evidence: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.channel}: {self.evidence}. {self.remedy}"


def impossibility_of(
    channel: str, column: SignalColumn, value: FloatArray, kind: ChannelKind, conversion: UnitConversion
) -> Impossibility | None:
    """Return why the numbers of a column cannot be the channel, or None where they can.

    Parameters
    ----------
    channel : str
        Channel that the map names.
    column : SignalColumn
        Where the numbers come from.
    value : ndarray, shape (n,)
        In the column's unit, after every override; NaN where not available.
    kind : ChannelKind
        Kind of the channel.
    conversion : UnitConversion
        To the kind's unit.
    """
    finite = value[np.isfinite(value)]
    if finite.size == 0:
        return None
    return _unsigned_wrap(channel, column, finite, kind, conversion) or _outside(channel, finite, kind, conversion)


def _unsigned_wrap(
    channel: str, column: SignalColumn, finite: FloatArray, kind: ChannelKind, conversion: UnitConversion
) -> Impossibility | None:
    """Small negative numbers that were read as unsigned: a second cluster just below the top code."""
    if kind.low >= 0.0 or column.is_signed or kind.unit in {"degC", "m", "deg"}:
        return None
    span = code_count(column, finite)
    if not np.isfinite(span):
        return None
    above_zero = finite - column.offset if column.bit_length else finite
    upper = above_zero > 0.75 * span
    if not upper.any() or upper.all() or ((above_zero > 0.25 * span) & ~upper).any():
        return None
    unit = _shown_unit(kind)
    wrapped = conversion.to_si(finite[upper] - span)
    read = conversion.to_si(finite[upper])
    declared = "the DBC declares it unsigned" if column.bit_length else "the export wrote it unsigned"
    share = np.count_nonzero(upper) / finite.size
    return Impossibility(
        channel,
        f"reads {np.median(read):,.0f}{unit} in {share:.1%} of its samples and nothing between "
        f"{conversion.to_si(finite[~upper]).max():,.0f} and {read.min():,.0f}{unit}; {declared}, and as a signed "
        f"number those samples are {wrapped.min():,.0f} to {wrapped.max():,.0f}{unit}",
        "Put 'signed = true' under it in the channel map, or name another signal",
    )


def _outside(channel: str, finite: FloatArray, kind: ChannelKind, conversion: UnitConversion) -> Impossibility | None:
    """Most of the numbers lie where no road vehicle has them."""
    si = conversion.to_si(finite)
    outside = (si < kind.low) | (si > kind.high)
    share = float(np.count_nonzero(outside)) / si.size
    if share <= MOST_OUTSIDE_RATIO:
        return None
    unit = _shown_unit(kind)
    middle = float(np.median(si))
    evidence = (
        f"{share:.0%} of its values lie outside {kind.low:g} to {kind.high:g}{unit} "
        f"(median {middle:,.4g}, from {si.min():,.4g} to {si.max():,.4g}{unit})"
    )
    return Impossibility(channel, evidence, _unit_hint(si, kind) or "Name another signal, or put its unit right")


def _unit_hint(si: FloatArray, kind: ChannelKind) -> str:
    """Name the plain factor that would bring the numbers back into the kind's limits."""
    if kind.unit == "degC":
        for text, read in (("degF", (si - 32.0) / 1.8), ("K", si - 273.15), ("0.1 degC", si / 10.0)):
            if _fits(read, kind):
                return f"They would fit in {text}: check the unit"
        return ""
    for factor, meaning in _FACTORS:
        if _fits(si / factor, kind):
            return f"Divided by {factor:g} they would fit ({meaning}?): check the unit or scale"
    return ""


def _fits(si: FloatArray, kind: ChannelKind) -> bool:
    return bool(np.mean((si >= kind.low) & (si <= kind.high)) > 0.98)


def _shown_unit(kind: ChannelKind) -> str:
    return "" if kind.unit == "ratio" else f" {kind.unit}"


def as_sentence(found: Sequence[Impossibility]) -> str:
    """All of them in one text."""
    return "; ".join(f"{one.channel}: {one.evidence}. {one.remedy}" for one in found)
