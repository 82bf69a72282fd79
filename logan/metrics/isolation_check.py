"""Isolation of the high-voltage bus against UN R100."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.flags import Severity
from logan.physics.isolation import COMBINED_BUS_OHM_PER_V, DC_BUS_OHM_PER_V
from logan.results import Estimate, Figure, Refusal
from logan.units import FloatArray

SENSOR_OFF_OHM: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class IsolationCheck:
    """Isolation resistance per volt against UN R100.

    Parameters
    ----------
    lowest_ohm_per_v : Figure
        Lowest resistance over the highest pack voltage. [ohm/V]
    severity : Severity or None
        Red below 100 ohm/V, amber below 500 ohm/V.
    note : str
        Which requirement applies, and a sign of a sensor that is off.
    """

    schema: ClassVar[str] = "isolation-check/1"

    lowest_ohm_per_v: Figure
    severity: Severity | None
    note: str


def isolation_check(drive: Drive) -> IsolationCheck:
    """Lowest isolation of a drive in ohm per volt, against UN R100.

    Parameters
    ----------
    drive : Drive
        The drive.

    Returns
    -------
    IsolationCheck
        The figure, or why there is none: a sensor that reads only zero or its highest code is off.

    References
    ----------
    .. [1] UN Regulation No. 100, paragraph 5.1.3.
    """
    channel, voltage = drive.get("isolation_resistance"), drive.get("pack_voltage")
    if channel is None or voltage is None:
        missing = "isolation resistance" if channel is None else "pack voltage"
        refusal = Refusal(f"{missing} is not logged", "Log it, or measure by UN R100, Annex 5A")
        return IsolationCheck(lowest_ohm_per_v=refusal, severity=None, note=refusal.reason)
    value = _believed(channel)
    if value.size == 0 or not np.isfinite(voltage.value).any():
        refusal = Refusal("the isolation sensor reads only zero or its highest code: it is off", "Switch it on")
        return IsolationCheck(lowest_ohm_per_v=refusal, severity=None, note=refusal.reason)
    working_v = float(np.nanmax(voltage.value))
    per_volt = float(value.min()) / working_v
    severity = (
        Severity.RED if per_volt < DC_BUS_OHM_PER_V else Severity.AMBER if per_volt < COMBINED_BUS_OHM_PER_V else None
    )
    figure = Estimate(per_volt, "ohm/V", 0.2 * per_volt, f"lowest, over {working_v:.0f} V", 1.0)
    return IsolationCheck(
        lowest_ohm_per_v=figure,
        severity=severity,
        note="UN R100, 5.1.3: at least 100 ohm/V on a DC bus, 500 ohm/V where AC and DC buses are connected",
    )


def _believed(channel: Channel) -> FloatArray:
    """Values that are not the sensor's zero or highest code held all the time."""
    known = channel.value[np.isfinite(channel.value)]
    return np.asarray(known[known > SENSOR_OFF_OHM])
