"""Voltage sag: how deep pack and lowest cell went, and under what load."""

from __future__ import annotations

import numpy as np

from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel
from logan.results import result


@result("sag/1")
class Sag:
    """Deepest voltage under load.

    Parameters
    ----------
    channel : str
        ``pack_voltage`` or ``cell_voltage_min``.
    lowest_v : float
        Lowest voltage. [V]
    sag_v : float or None
        How far below the last voltage at rest before it; None without rest in the ten minutes before. [V]
    current_a : float or None
        Current at that moment.
    context : Context
        When and under what load.
    """

    channel: str
    lowest_v: float
    sag_v: float | None
    current_a: float | None
    context: Context


def voltage_sag(channel: Channel, current: Channel, capacity_ah: float, lookup: ContextLookup) -> Sag | None:
    """Deepest voltage of a channel, and how far it lies below the last rest before it.

    Parameters
    ----------
    channel, current : Channel
        Pack or cell voltage, and pack current. [V, A]
    capacity_ah : float
        Rest is less than 3 % of it per hour. [Ah]
    lookup : ContextLookup
        Of the same drive.

    Returns
    -------
    Sag or None
        None where the voltage is never known.
    """
    known = np.isfinite(channel.value)
    if not known.any():
        return None
    time_s, volts = channel.time_s[known], channel.value[known]
    amperes = current.at(time_s)
    lowest = int(np.argmin(volts))
    at_rest = np.abs(np.nan_to_num(amperes, nan=1e9)) < max(5.0, 0.03 * capacity_ah)
    before = at_rest & (time_s < time_s[lowest]) & (time_s > time_s[lowest] - 600.0)
    rest_v = float(volts[np.flatnonzero(before)[-1]]) if before.any() else None
    return Sag(
        channel=channel.name,
        lowest_v=float(volts[lowest]),
        sag_v=None if rest_v is None else rest_v - float(volts[lowest]),
        current_a=float(amperes[lowest]) if np.isfinite(amperes[lowest]) else None,
        context=lookup.at(float(time_s[lowest])),
    )
