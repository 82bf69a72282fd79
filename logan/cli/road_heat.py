"""What ``logan range`` shows of heat on a road: the answer in three lines, then parts, curves and advice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logan.cli.drive_tables import print_blocks
from logan.cli.rendering import print_cautions, print_lines, working
from logan.errors import NotEnoughDataError
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST
from logan.results import Refusal

if TYPE_CHECKING:
    from logan.pipeline.heat import RoadHeat
    from logan.units import DisplayUnits


@dataclass(frozen=True, slots=True)
class RoadAsked:
    """A road as typed: a scenario's keys, length of a climb, number of launches, SOC at the start."""

    scenario: dict[str, object]
    length: str
    launches: int
    charge: str


def heat_of(build: Path, road: RoadAsked, *, seed: int) -> RoadHeat | Refusal:
    """Temperatures and chances on the road asked for, or why no drive teaches them."""
    import numpy as np

    from logan.pipeline.builds import find_build
    from logan.pipeline.heat import heat_on_road

    folder, rng = find_build(build), np.random.default_rng(seed)
    try:
        with working("learning the heat") as told:
            return heat_on_road(
                folder, road.scenario, rng, length=road.length, launches=road.launches, charge=road.charge, told=told
            )
    except NotEnoughDataError as reason:
        return Refusal(reason.problem, reason.remedy)


def show_heat(found: RoadHeat | Refusal, units: DisplayUnits) -> None:
    """Show the road's heat, or why it is refused."""
    if isinstance(found, Refusal):
        print_lines(f"Heat: refused, {found.reason}. {found.remedy}.")
    else:
        show_road_heat(found, units)
    print_lines("")


def show_road_heat(found: RoadHeat, units: DisplayUnits) -> None:
    """Print chances and temperatures over a road."""
    from logan.pipeline.heat import heat_blocks

    print_blocks(heat_blocks(found, units))
    print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)
