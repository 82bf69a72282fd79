"""Limits of every component, as the user gives them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class LimitSide(StrEnum):
    """Which side of a limit is wrong."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Amber and red of one channel, in its SI unit (degrees Celsius for temperatures), and where derating sets in."""

    channel: str
    side: LimitSide
    amber: float | None
    red: float | None
    source: str = "given"
    derate: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DurationCurve:
    """What a component carries for how long, as points from its datasheet.

    Parameters
    ----------
    component : str
        The user's name for it: fuse, contactor, cable, cells, connector, ...
    duration_s, current_a : tuple of float
        Points, duration rising; the last one holds for ever.
    direction : str
        "discharge", "charge" or "both".
    quantity : str
        "rms" or "peak".
    source : str
        Datasheet, or "typical, not your datasheet".
    channel : str
        Current that flows through it: ``pack_current``, ``motor_current``, ``motor_current_2``, ...
    """

    component: str
    duration_s: tuple[float, ...]
    current_a: tuple[float, ...]
    direction: str = "both"
    quantity: str = "rms"
    source: str = "given"
    channel: str = "pack_current"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductor:
    """A cable or busbar whose adiabatic heating is estimated (IEC 60949)."""

    name: str
    material: str
    area_mm2: float
    start_degc: float
    limit_degc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSheet:
    """The limits of every component; what is not in it has no limit given."""

    limits: tuple[Limit, ...] = ()
    curves: tuple[DurationCurve, ...] = ()
    conductors: tuple[Conductor, ...] = ()
    design_ambient_degc: float = 35.0
    ac_side: str = ""
    """AC side for isolation: "combined" with the DC side, "double-insulated", or empty where not said."""

    def of(self, channel: str) -> tuple[Limit, ...]:
        """Limits of a channel; a side without its own takes its kind's, a hottest or coldest cell that of all cells."""
        own = tuple(limit for limit in self.limits if limit.channel == channel)
        sides = {limit.side for limit in own}
        stem, _, last = channel.rpartition("_")
        if last.isdigit():
            handed = self.of(stem)
        elif last in ("min", "max"):
            side = LimitSide.BELOW if last == "min" else LimitSide.ABOVE
            handed = tuple(limit for limit in self.of(stem) if limit.side is side)
        else:
            return own
        return (*own, *(limit for limit in handed if limit.side not in sides))
