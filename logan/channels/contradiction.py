"""Channels that contradict each other by the ratio of two units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.channels.mapped import MappedChannel
from logan.flags import DataFlag, Severity
from logan.units import FloatArray

_RATIOS: Final = (
    (1.609344, "miles taken for kilometres, or the reverse"),
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
"""Ten seconds of a satellite receiver once a second: two speeds are told apart by less than a slope is."""
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
