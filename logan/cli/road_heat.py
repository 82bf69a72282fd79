"""What ``logan range`` shows of heat on a road: the answer in three lines, then parts, curves and advice."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from logan.cli.rendering import print_blocks, print_cautions, print_lines, working
from logan.errors import NotEnoughDataError
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST
from logan.results import Refusal

if TYPE_CHECKING:
    from logan.pipeline.heat import RoadHeat
    from logan.units import DisplayUnits


def heat_of(
    build: Path, scenario: dict[str, object], *, length: str, launches: int, charge: str, seed: int
) -> RoadHeat | Refusal:
    """Temperatures and chances on the road asked for, or why no drive teaches them."""
    import numpy as np

    from logan.pipeline.builds import find_build
    from logan.pipeline.heat import heat_on_road

    folder, rng = find_build(build), np.random.default_rng(seed)
    try:
        with working("learning the heat") as told:
            return heat_on_road(folder, scenario, rng, length=length, launches=launches, charge=charge, told=told)
    except NotEnoughDataError as reason:
        return Refusal(reason.problem, reason.remedy)


def show_heat(found: RoadHeat | Refusal, units: DisplayUnits) -> None:
    """Show chances and temperatures over the road, or why they are refused."""
    from logan.pipeline.heat import heat_blocks

    if isinstance(found, Refusal):
        print_lines(f"Heat: refused, {found.reason}. {found.remedy}.")
    else:
        print_blocks(heat_blocks(found, units))
        print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)
    print_lines("")
