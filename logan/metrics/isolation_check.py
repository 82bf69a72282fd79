"""Isolation of the high-voltage bus against UN R100."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from logan.drive.drive import Drive
from logan.flags import Severity
from logan.numerics import nominal_period_s
from logan.physics.isolation import COMBINED_BUS_OHM_PER_V, DC_BUS_OHM_PER_V
from logan.results import Estimate, Figure, Refusal, result

LEAST_S: Final = 10.0
"""Shorter dips are the monitor settling. [s]"""

SIGMA_RATIO: Final = 0.2
"""The method of UN R100, Annex 5A, is good to 20 %."""


@result("isolation-check/1")
class IsolationCheck:
    """Isolation resistance per volt against UN R100.

    Parameters
    ----------
    lowest_ohm_per_v : Figure
        Lowest resistance over the highest pack voltage. [ohm/V]
    severity : Severity or None
        Red below 100 ohm/V and amber below 500 ohm/V; red below 500 ohm/V where the AC side is combined.
    note : str
        Which requirement applies, and a sign of a sensor that is off.
    """

    lowest_ohm_per_v: Figure
    severity: Severity | None
    note: str


def isolation_check(drive: Drive, ac_side: str = "") -> IsolationCheck:
    """Lowest isolation of a drive in ohm per volt, against UN R100.

    Parameters
    ----------
    drive : Drive
        The drive.
    ac_side : str
        "combined" with the DC side, "double-insulated", or empty where not said.

    Returns
    -------
    IsolationCheck
        The figure, or why there is none; zero ohm that lasts is the gravest value, not a gap.

    References
    ----------
    .. [1] UN Regulation No. 100, paragraph 5.1.3.
    """
    channel, voltage = drive.get("isolation_resistance"), drive.get("pack_voltage")
    if channel is None or voltage is None:
        missing = "isolation resistance" if channel is None else "pack voltage"
        refusal = Refusal(f"{missing} is not logged", "Log it, or measure by UN R100, Annex 5A")
        return IsolationCheck(lowest_ohm_per_v=refusal, severity=None, note=refusal.reason)
    ohm = channel.value[np.isfinite(channel.value)]
    if ohm.size == 0 or not np.isfinite(voltage.value).any():
        refusal = Refusal("isolation or pack voltage has no value", "Log both, or measure by UN R100, Annex 5A")
        return IsolationCheck(lowest_ohm_per_v=refusal, severity=None, note=refusal.reason)
    working_v = float(np.nanmax(voltage.value))
    count = max(1, round(LEAST_S / max(nominal_period_s(channel.time_s), 1e-3)))
    held = sliding_window_view(ohm, min(count, ohm.size)).max(axis=1)
    per_volt = float(held.min()) / working_v
    red, amber = (COMBINED_BUS_OHM_PER_V, None) if ac_side == "combined" else (DC_BUS_OHM_PER_V, COMBINED_BUS_OHM_PER_V)
    is_red, is_amber = per_volt * (1.0 - SIGMA_RATIO) < red, amber is not None and per_volt < amber
    figure = Estimate(
        per_volt, "ohm/V", SIGMA_RATIO * per_volt, f"lowest held {LEAST_S:g} s, over {working_v:.0f} V", 1.0
    )
    note = "UN R100, 5.1.3: at least 100 ohm/V on a DC bus, 500 ohm/V where AC and DC buses are connected"
    if ohm.max() <= 0.0:
        note = f"it reads 0 ohm all the time: a dead short or a monitor that is off; find out which. {note}"
    severity = Severity.RED if is_red else Severity.AMBER if is_amber else None
    return IsolationCheck(lowest_ohm_per_v=figure, severity=severity, note=note)
