"""Every limit of the build against one drive: closest approach, time beyond, and events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.drive.context import Context
from logan.flags import Severity
from logan.settings import LimitSide


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitCheck:
    """One channel against its limit.

    Parameters
    ----------
    channel, unit : str
        Canonical name and the unit of its values.
    side : LimitSide or None
        Which side is wrong; None where no limit is given.
    amber, red : float or None
        Limits.
    worst_value : float or None
        Closest approach; None where the channel is not logged.
    margin : float or None
        To red, or to amber where there is no red; negative is beyond.
    severity : Severity or None
        Red, amber, or None (neither passed, or no limit given).
    verdict : str
        "beyond red", "beyond amber", "within the limit given", "no limit given" or "not logged".
    beyond_amber_s, beyond_red_s : float or None
        Time beyond. [s]
    source : str
        Where the limit comes from.
    context : Context or None
        Moment of the closest approach.
    """

    schema: ClassVar[str] = "limit-check/1"

    channel: str
    unit: str
    side: LimitSide | None
    amber: float | None
    red: float | None
    worst_value: float | None
    margin: float | None
    severity: Severity | None
    verdict: str
    beyond_amber_s: float | None
    beyond_red_s: float | None
    source: str
    context: Context | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitEvent:
    """One stretch beyond a limit: the same type for every channel, curve and drive.

    Parameters
    ----------
    what : str
        Channel, or "component: channel" for a curve.
    severity : Severity
        Amber or red.
    start_s, duration_s : float
        When, and for how long. [s]
    worst_value, limit_value : float
        In ``unit``.
    unit : str
        Unit of both.
    source : str
        Where the limit comes from.
    context : Context
        Moment of the worst value: speed, power, grade, state of charge, ambient.
    caution : str
        What to do, beside a red one.
    """

    schema: ClassVar[str] = "limit-event/1"

    what: str
    severity: Severity
    start_s: float
    duration_s: float
    worst_value: float
    limit_value: float
    unit: str
    source: str
    context: Context
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSummary:
    """All limits of a build against one drive; red first."""

    schema: ClassVar[str] = "limit-summary/1"

    checks: tuple[LimitCheck, ...]
    events: tuple[LimitEvent, ...]
    cautions: tuple[str, ...]
