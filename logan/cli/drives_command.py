"""``logan drives``: what each drive used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_json, print_lines, print_table, working
from logan.errors import ConfigurationError
from logan.wording import NONE, moment, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.drive_library.records import DriveRecord
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("drives")
    def drives(build: BuildOption = Path(), as_json: JsonOption = False, units: UnitsOption = None) -> None:
        """List the drives: distance, consumption, regen, peak current, hottest part, grade, flags."""
        from logan.pipeline.builds import bring_up_to_date, find_build, open_library

        shown, stale = display_units(units, build), ""
        with open_library(build, create=True) as library:
            try:
                with working("looking through the drives") as told:
                    bring_up_to_date(library, find_build(build), told=told)
            except ConfigurationError as error:
                stale = "\n".join((f"Figures as they were last worked out: {error.problem}", *error.problems))
            records = library.drives()
        if as_json:
            print_json({"schema": "drives/1", "drives": records})
            return
        _list(records, shown)
        if stale:
            print_lines(stale)


def _list(records: Sequence[DriveRecord], units: DisplayUnits) -> None:

    if not records:
        print_lines("No drive yet. Import one with: logan import LOG")
        return
    per_distance = units.metres / 1000.0
    rows = []
    for record in records:
        value = record.summary.value
        hottest = value("least_red_margin_k")
        consumption = value("net_wh_per_km")
        regen, peak = value("regen_share_ratio"), value("peak_current_a")
        counts = record.summary.flag_counts
        rows.append(
            (
                record.number,
                moment(record.started, "%Y-%m-%d"),
                number((record.summary.duration_s or record.duration_s) / 60.0),
                number(None if record.distance_m is None else record.distance_m / units.metres, 1),
                "damaged" if record.damage else number(None if consumption is None else consumption * per_distance),
                number(None if regen is None else 100 * regen),
                number(peak),
                "no limit" if hottest is None else number(units.temperature_step(hottest)),
                record.summary.grade or NONE,
                "no" if record.takes_no_part else "yes" if not record.conditions.included_because else "you",
                f"{counts.get('red', 0)}/{counts.get('amber', 0)}",
            )
        )
    driven_m = [record.distance_m for record in records if record.distance_m is not None]
    red = [str(record.number) for record in records if record.summary.flag_counts.get("red", 0)]
    print_lines(
        f"{len(records)} drives, {number(sum(driven_m) / units.metres)} {units.distance}; "
        f"{f'red flags on drives {chr(44).join(red)}' if red else 'no red flag'}. One drive in full: logan drive N"
    )
    print_table(
        (
            "no",
            "day",
            "min",
            units.distance,
            units.consumption_label,
            "regen %",
            "peak A",
            f"{units.temperature_label} to red",
            "data",
            "fit",
            "red/amb",
        ),
        rows,
        left=(0, 1),
    )
    print_lines(*(f"Drive {record.number}: {words}" for record in records if (words := record.part_in_fit)))
    print_lines(
        f"{units.consumption_label}: net at the pack; regen: share of the discharged energy; to red: least margin of "
        "a temperature; data: worst quality of what the line shows; fit: whether it takes part. Estimates, no "
        "certification."
    )
