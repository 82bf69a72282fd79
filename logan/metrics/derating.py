"""Torque or current that was asked for and not delivered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.drive.context import Context
from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class DeratingEvent:
    """One stretch in which less came than was asked, or in which a limit was announced.

    Parameters
    ----------
    kind : str
        "torque not delivered", "limit reached" or "limit lowered".
    channel : str
        The command or limit concerned.
    start_s, duration_s : float
        When. [s]
    shortfall : float
        Largest difference between asked and delivered, or fall of the limit, in ``unit``.
    unit : str
        Unit of the shortfall.
    probable_cause : str
        What stood nearest to its own limit as it began.
    energy_not_delivered_wh : float or None
        Shaft energy asked for and not delivered. [Wh]
    speed_lost_m_per_s : float or None
        Fall of speed while it lasted. [m/s]
    context : Context
        Where it began.
    """

    schema: ClassVar[str] = "derating-event/1"

    kind: str
    channel: str
    start_s: float
    duration_s: float
    shortfall: float
    unit: str
    probable_cause: str
    energy_not_delivered_wh: float | None
    speed_lost_m_per_s: float | None
    context: Context


@dataclass(frozen=True, slots=True, kw_only=True)
class DeratingSummary:
    """Derating over one drive.

    Parameters
    ----------
    events : tuple of DeratingEvent
        In order of time.
    time_derated : Figure
        Total. [s]
    notes : tuple of str
        What could not be looked for, and why.
    """

    schema: ClassVar[str] = "derating-summary/1"

    events: tuple[DeratingEvent, ...]
    time_derated: Figure
    notes: tuple[str, ...]
