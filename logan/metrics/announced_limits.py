"""Stretches in which more flowed than battery management or inverter allowed at that moment."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.drive.context import ContextLookup
from logan.drive.drive import Drive, pack_power
from logan.metrics.cautions import advice_for
from logan.metrics.exceedance import merged, stretches_beyond
from logan.metrics.limit_events import MERGE_S, Flows, LimitEvent
from logan.results import Severity
from logan.settings import LimitSide
from logan.units import FloatArray

GRACE_RATIO: Final = 0.05
"""Beyond a limit by less than this share, and by less than the unit's own grace, is rounding and lag."""

LEAST_EXCESS_S: Final = 0.5

ANNOUNCED: Final = (
    ("discharge_current_limit", "pack_current", 1.0, 5.0),
    ("charge_current_limit", "pack_current", -1.0, 5.0),
    ("discharge_power_limit", "pack_power", 1.0, 2_000.0),
    ("charge_power_limit", "pack_power", -1.0, 2_000.0),
    ("drive_torque_limit", "motor_torque", 1.0, 5.0),
    ("regen_torque_limit", "motor_torque", -1.0, 5.0),
)
"""Limit, what it limits, the sign that it limits, and the grace in that unit."""


def announced_events(drive: Drive, lookup: ContextLookup, flows: Flows) -> list[LimitEvent]:
    """Where current, power or torque passed the limit announced at that moment.

    Parameters
    ----------
    drive : Drive
        The drive.
    lookup, flows : ContextLookup, Flows
        What else was true of it.

    Returns
    -------
    list of LimitEvent
        Stretches of half a second and more, those within a minute as one.
    """
    found = []
    for name, channel, sign, grace in ANNOUNCED:
        limit, series = drive.get(name), series_of(drive, channel)
        if limit is None or series is None:
            continue
        time_s, value = series[0], sign * series[1]
        allowed = limit.at(time_s, max_gap_s=30.0)
        excess = value - (1.0 + GRACE_RATIO) * allowed - grace
        lasting = tuple(
            one
            for one in stretches_beyond(time_s, excess, 0.0, LimitSide.ABOVE)
            if one.end_s - one.start_s >= LEAST_EXCESS_S
        )
        for one in merged(lasting, LimitSide.ABOVE, within_s=MERGE_S):
            index, context = int(np.searchsorted(time_s, one.worst_at_s)), lookup.at(one.worst_at_s)
            side = LimitSide.ABOVE if sign > 0.0 else LimitSide.BELOW
            found.append(
                LimitEvent(
                    what=f"{name}: {channel}",
                    severity=Severity.RED,
                    start_s=one.start_s,
                    duration_s=one.held_s,
                    worst_value=float(value[index]),
                    limit_value=float(allowed[index]),
                    unit=limit.unit,
                    source="announced by battery management or inverter at that moment",
                    context=context,
                    caution=advice_for(channel, side, flows.at(context)).past,
                    times=one.times,
                )
            )
    return found


def series_of(drive: Drive, channel: str) -> tuple[FloatArray, FloatArray] | None:
    """Times and values; pack power also from voltage and current."""
    if channel == "pack_power":
        power = pack_power(drive)
        return None if power is None else (power.time_s, power.power_w)
    known = drive.get(channel)
    return None if known is None else (known.time_s, known.value)
