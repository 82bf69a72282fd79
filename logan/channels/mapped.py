"""Channels in SI with the time of the log; and which contradict each other by the ratio of two units."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.channels.raw_codes import code_count
from logan.channels.vocabulary import ChannelKind
from logan.frames.table import SignalColumn
from logan.results import DataFlag, Severity, Step, read_only
from logan.units import FloatArray, IntArray
from logan.units.algebra import UnitConversion
from logan.wording import percent


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MappedChannel:
    """One channel in SI, with time as the log has it, or on its clock when that was repaired.

    Parameters
    ----------
    name : str
        Canonical name.
    time_ns : ndarray of int64, shape (n,)
        In the order of the log. [ns]
    value : ndarray, shape (n,)
        In the SI unit of its kind; NaN for a not-available code.
    source : str
        Address of the signal it came from.
    is_averaged : bool
        True when the logger averages.
    """

    name: str
    time_ns: IntArray
    value: FloatArray
    source: str = ""
    is_averaged: bool = False

    def __post_init__(self) -> None:
        if self.time_ns.shape != self.value.shape or self.time_ns.ndim != 1:
            raise ValueError("time_ns and value must have one shape (n,)")
        object.__setattr__(self, "time_ns", read_only(np.asarray(self.time_ns, dtype=np.int64)))
        object.__setattr__(self, "value", read_only(np.asarray(self.value, dtype=np.float64)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MappedChannels:
    """What a log gives under a channel map.

    Parameters
    ----------
    channels : mapping of str to MappedChannel
        By canonical name.
    flags : tuple of DataFlag
        Values that contradict their unit, codes that look like "not available", and the like.
    steps : tuple of Step
        Overrides of sign, scale, signedness, byte order, codes and delay that were applied.
    """

    channels: Mapping[str, MappedChannel]
    flags: tuple[DataFlag, ...] = ()
    steps: tuple[Step, ...] = ()


_RATIOS: Final = (
    (1.609344, "miles taken for kilometers, or the reverse"),
    (3.6, "km/h taken for m/s, or the reverse"),
    (2.23694, "mph taken for m/s, or the reverse"),
    (9.80665, "g taken for m/s2, or the reverse"),
    (1.8, "degrees Fahrenheit taken for Celsius"),
    (10.0, "tenths taken for whole units, or the reverse"),
    (100.0, "percent taken for a ratio, or the reverse"),
    (1000.0, "thousandths taken for whole units, or the reverse"),
)
_TOLERANCE: Final = 0.04
_FEWEST: Final = 30
_FEWEST_OF_ONE_QUANTITY: Final = 10
"""Two speeds are compared from ten samples on, such as ten seconds of a receiver at 1 Hz; a slope needs more."""
_SAME_QUANTITY: Final = (
    # Channel judged, channel it is compared with, smallest value that counts, in SI.
    ("gnss_speed", "speed", 5.0),
    ("wheel_speed", "speed", 5.0),
    ("inverter_voltage", "pack_voltage", 20.0),
    ("cell_voltage_max", "cell_voltage_min", 1.0),
    ("inverter_current", "pack_current", 20.0),
    ("motor_torque", "motor_torque_command", 20.0),
)


def unit_ratio(ratio: float) -> tuple[float, str] | None:
    """The ratio of two units that a measured ratio (or its inverse) is near to, with its meaning."""
    if not np.isfinite(ratio) or ratio <= 0.0:
        return None
    distances = [(abs(float(np.log(max(ratio, 1.0 / ratio) / known))), known, meaning) for known, meaning in _RATIOS]
    distance, known, meaning = min(distances)
    return (known, meaning) if distance < _TOLERANCE else None


def contradictions(channels: Mapping[str, MappedChannel]) -> list[DataFlag]:
    """Flag pairs of channels whose ratio is that of two units rather than one.

    Compares channels of one quantity, power with voltage times current, and acceleration with
    the slope of speed.
    """
    flags: list[DataFlag] = []
    for judged, reference, floor in _SAME_QUANTITY:
        if judged in channels and reference in channels:
            time_s, expected = _samples(channels[reference])
            flags += _flag(judged, reference, channels[judged], time_s, expected, floor, _FEWEST_OF_ONE_QUANTITY)
    if {"pack_power", "pack_voltage", "pack_current"} <= channels.keys():
        time_s, current_a = _samples(channels["pack_current"])
        volt_s, voltage_v = _samples(channels["pack_voltage"])
        if volt_s.size and time_s.size:
            power_w = current_a * np.interp(time_s, volt_s, voltage_v)
            flags += _flag("pack_power", "voltage times current", channels["pack_power"], time_s, power_w, 3000.0)
    if {"acceleration", "speed"} <= channels.keys():
        time_s, speed_m_per_s = _samples(channels["speed"])
        if time_s.size > _FEWEST:
            slope = np.gradient(speed_m_per_s, time_s)
            flags += _flag("acceleration", "the slope of speed", channels["acceleration"], time_s, slope, 0.5)
    return flags


def _samples(channel: MappedChannel) -> tuple[FloatArray, FloatArray]:
    """Finite samples in order of time, each instant once."""
    known = np.isfinite(channel.value)
    time_ns, first = np.unique(channel.time_ns[known], return_index=True)
    return np.asarray(time_ns, dtype=np.float64) * 1e-9, channel.value[known][first]


def _flag(
    judged: str,
    against: str,
    channel: MappedChannel,
    time_s: FloatArray,
    expected: FloatArray,
    floor: float,
    fewest: int = _FEWEST,
) -> list[DataFlag]:
    at_s, value = _samples(channel)
    if at_s.size < fewest or time_s.size < fewest:
        return []
    inside = (at_s >= time_s[0]) & (at_s <= time_s[-1])
    other = np.interp(at_s[inside], time_s, expected)
    counts = np.abs(other) > floor
    if np.count_nonzero(counts) < fewest:
        return []
    ratios = np.abs(value[inside][counts] / other[counts])
    middle = float(np.median(ratios))
    spread = float(np.subtract(*np.quantile(ratios, [0.75, 0.25]))) / max(middle, 1e-12)
    known = unit_ratio(middle)
    if known is None or spread > 0.5:
        return []
    return [
        DataFlag(
            code="unit_contradiction",
            severity=Severity.RED,
            channels=(judged,),
            title=f"{judged} contradicts {against} by a factor of {known[0]:g}",
            evidence=f"median ratio {middle:.4g} over {ratios.size} samples: {known[1]}",
            remedy=f"Put the unit or scale of {judged} right in the channel map, or that of {against}",
        )
    ]


MOST_OUTSIDE_RATIO: Final = 0.5
_FACTORS: Final = (
    (1.609344, "miles for kilometers"),
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
        f"reads {np.median(read):,.0f}{unit} in {percent(share, 1)} of its samples and nothing between "
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
        f"{percent(share)} of its values lie outside {kind.low:g} to {kind.high:g}{unit} "
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
