"""Stretches in which more flowed than battery management or inverter allowed at that moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.pack_power import pack_power
from logan.metrics.exceedance import stretches_beyond
from logan.settings import LimitSide
from logan.units import FloatArray

GRACE_RATIO: Final = 0.05
"""Beyond a limit by less than this share, and by less than the unit's own grace, is rounding and lag."""

LEAST_EXCESS_S: Final = 0.5

_PAIRS: Final = (
    ("discharge_current_limit", "pack_current", 1.0, 5.0),
    ("charge_current_limit", "pack_current", -1.0, 5.0),
    ("discharge_power_limit", "pack_power", 1.0, 2_000.0),
    ("charge_power_limit", "pack_power", -1.0, 2_000.0),
    ("drive_torque_limit", "motor_torque", 1.0, 5.0),
    ("regen_torque_limit", "motor_torque", -1.0, 5.0),
)
"""Limit, what it limits, the sign that it limits, and the grace in that unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnnouncedExcess:
    """One stretch beyond a limit that was announced.

    Parameters
    ----------
    limit, channel, unit : str
        The limit, what passed it, and the unit of both.
    start_s, end_s, worst_at_s : float
        [s]
    value, allowed : float
        At the worst moment, both positive.
    """

    limit: str
    channel: str
    unit: str
    start_s: float
    end_s: float
    worst_at_s: float
    value: float
    allowed: float


def announced_excesses(drive: Drive) -> tuple[AnnouncedExcess, ...]:
    """Where current, power or torque passed the limit announced at that moment.

    Parameters
    ----------
    drive : Drive
        The drive.

    Returns
    -------
    tuple of AnnouncedExcess
        Stretches of half a second and more.
    """
    found = []
    for name, channel, sign, grace in _PAIRS:
        limit, series = drive.get(name), _series(drive, channel)
        if limit is None or series is None:
            continue
        time_s, value = series[0], sign * series[1]
        allowed = limit.at(time_s, max_gap_s=30.0)
        excess = value - (1.0 + GRACE_RATIO) * allowed - grace
        for stretch in stretches_beyond(time_s, excess, 0.0, LimitSide.ABOVE):
            if stretch.end_s - stretch.start_s < LEAST_EXCESS_S:
                continue
            index = int(np.searchsorted(time_s, stretch.worst_at_s))
            found.append(
                AnnouncedExcess(
                    limit=name,
                    channel=channel,
                    unit=limit.unit,
                    start_s=stretch.start_s,
                    end_s=stretch.end_s,
                    worst_at_s=stretch.worst_at_s,
                    value=float(value[index]),
                    allowed=float(allowed[index]),
                )
            )
    return tuple(found)


def _series(drive: Drive, channel: str) -> tuple[FloatArray, FloatArray] | None:
    """Times and values; pack power also from voltage and current."""
    if channel == "pack_power":
        power = pack_power(drive)
        return None if power is None else (power.time_s, power.power_w)
    known = drive.get(channel)
    return None if known is None else (known.time_s, known.value)
