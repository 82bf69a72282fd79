"""Net pack energy: what a step of a drive's history is measured by."""

from __future__ import annotations

from collections.abc import Mapping

from logan.constants import JOULES_PER_WATT_HOUR
from logan.drive.drive import Channel, Drive
from logan.drive.pack_power import pack_power
from logan.numerics import integrate


def net_pack_wh(channels: Mapping[str, Channel]) -> float | None:
    """Net energy out of the pack over what is covered; None without voltage and current or power. [Wh]"""
    power = pack_power(Drive(channels=channels))
    if power is None:
        return None
    return integrate(power.time_s, power.power_w, max_gap_s=power.max_gap_s).total / JOULES_PER_WATT_HOUR
