"""``logan gearing``: every reduction considered, side by side."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units, full_option
from logan.cli.rendering import answer, print_cautions, print_columns, print_lines, working
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST

if TYPE_CHECKING:
    from logan.pipeline.plan import GearingSheet
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("gearing")
    def gearing(
        build: BuildOption = Path(),
        is_planned: Annotated[bool, typer.Option("--planned", help="By the plan alone, without the drives.")] = False,
        is_full: Annotated[bool, full_option("Speed by speed, assumptions and remarks too.")] = False,
        as_json: JsonOption = False,
        units: UnitsOption = None,
    ) -> None:
        """Compare reductions: motor and top speed, force, hills, 0-60 mph or 0-100 km/h; by what the drives taught."""
        from logan.pipeline.builds import find_build
        from logan.pipeline.heat import gearing_of_build

        folder = find_build(build)
        with working("looking through the drives") as told:
            sheet = gearing_of_build(folder, is_planned=is_planned, told=told)
        answer(sheet, as_json, show_gearing, display_units(units, build), is_full=is_full)


def show_gearing(sheet: GearingSheet, units: DisplayUnits, *, is_full: bool) -> None:
    """Print the sheet: the answer, chains side by side, the range of ratios; speed by speed if asked."""
    from logan.pipeline.drive_tables import of_gearing

    print_lines(*of_gearing.gearing_words(sheet, units))
    print_columns((*of_gearing.gearing_tables(sheet, units), *of_gearing.sweep_table(sheet, units)))
    if is_full:
        print_columns(of_gearing.cruise_table(sheet.choices[0], units))
        print_lines("", *(f"Assumed: {assumption}." for assumption in sheet.assumptions))
        print_lines(*(f"Note: {chain.name}, {note}." for chain in sheet.choices[:1] for note in chain.notes))
    else:
        print_lines("Speed by speed, assumptions, remarks: --full")
    print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)
