"""What the user asks of a build: ways of driving, and the range to be shown; part of ``logan.settings``."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path


class ScenarioKind(StrEnum):
    """How a scenario says which speeds are driven."""

    STEADY = "steady"
    CYCLE = "cycle"
    MIX = "mix"
    ROUTE = "route"
    REPLAY = "replay"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A way of driving whose range is asked for.

    Parameters
    ----------
    name : str
        The user's name for it.
    kind : ScenarioKind
        Steady speed, packaged cycle, mix of other scenarios, GPX route, or a recorded drive.
    speed_m_per_s : float or None
        Steady speed; for a route, the speed driven.
    cycle : str
        Packaged schedule: udds, hwfet, us06, wltc_3b.
    parts : mapping of str to float
        For a mix: scenario name to share of distance.
    route : Path or None
        GPX track with elevation.
    drive : str
        Recorded drive to replay, by its number or identifier.
    ambient_temperature_degc, pressure_pa, relative_humidity_ratio : float
        Weather.
    payload_kg : float
        Beyond the weighed mass.
    headwind_m_per_s : float
        Against the direction of travel.
    grade_ratio : float
        Steady grade; for steady speeds.
    drag_area_factor, rolling_factor : float
        For roof racks, trailers and worn roads.
    cabin_climate : bool
        Heater or air conditioning on as the ambient asks.
    warm_start : bool
        Tyres and cabin warm from the start.
    cell_temperature_degc : float or None
        Of the cells: a garage, or a pack warmed by driving; None is soaked at the ambient.
    round_trip : bool
        Out and back on the same road, so that what wind takes one way it gives back the other.
    """

    name: str
    kind: ScenarioKind
    speed_m_per_s: float | None = None
    cycle: str = ""
    parts: Mapping[str, float] = field(default_factory=dict)
    route: Path | None = None
    drive: str = ""
    ambient_temperature_degc: float = 20.0
    pressure_pa: float = 101_325.0
    relative_humidity_ratio: float = 0.5
    payload_kg: float = 0.0
    headwind_m_per_s: float = 0.0
    grade_ratio: float = 0.0
    drag_area_factor: float = 1.0
    rolling_factor: float = 1.0
    cabin_climate: bool = True
    warm_start: bool = True
    cell_temperature_degc: float | None = None
    round_trip: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """The range that must be shown.

    Parameters
    ----------
    range_m : float
        Wanted range.
    scenario : str
        Scenario in which it must be reached.
    reserve_ratio : float
        Share of usable energy kept back.
    ageing_ratio : float
        Share of usable energy written off for age.
    confidence_ratio : float
        Chance that is wanted.
    """

    range_m: float
    scenario: str
    reserve_ratio: float = 0.0
    ageing_ratio: float = 0.0
    confidence_ratio: float = 0.9
