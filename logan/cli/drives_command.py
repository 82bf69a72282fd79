"""``logan drives``: what each drive used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from logan.cli.options import BuildOption, FullOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_json, print_lines, print_list, print_rows, working
from logan.errors import ConfigurationError
from logan.wording import NONE, moment, number, runs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.drive_library.records import DriveRecord
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("drives")
    def drives(
        build: BuildOption = Path(), as_json: JsonOption = False, units: UnitsOption = None, is_full: FullOption = False
    ) -> None:
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

    def scaled(value: float | None, scale: float, digits: int = 0) -> str:
        return number(None if value is None else scale * value, digits)

    def consumption(record: DriveRecord) -> str:
        return "damaged" if record.damage else scaled(record.summary.value("net_wh_per_km"), units.consumption(1.0))

    def hottest(record: DriveRecord) -> str:
        margin = record.summary.value("least_red_margin_k")
        return "no limit" if margin is None else number(units.temperature_step(margin))

    driven_m = [record.distance_m for record in records if record.distance_m is not None]
    red = runs(record.number for record in records if record.summary.flag_counts.get("red", 0))
    beyond = runs(record.number for record in records if record.summary.value("limit_events"))
    found = (f"limits passed on drive {beyond}: logan limits; ", f"red flags in the data of drive {red}")
    print_lines(
        f"{len(records)} drives, {number(sum(driven_m) / units.metres)} {units.distance}; "
        f"{found[0] if beyond else ''}{found[1] if red else 'no red flag in the data'}. One in full: logan drive N"
    )
    print_rows(
        records,
        ("no", lambda record: record.number),
        ("day", lambda record: moment(record.started, "%Y-%m-%d")),
        ("min", lambda record: number((record.summary.duration_s or record.duration_s) / 60.0)),
        (units.distance, lambda record: scaled(record.distance_m, 1.0 / units.metres, 1)),
        (units.consumption_label, consumption),
        ("regen %", lambda record: scaled(record.summary.value("regen_share_ratio"), 100.0)),
        ("peak A", lambda record: number(record.summary.value("peak_current_a"))),
        (f"{units.temperature_label} to red", hottest),
        ("data", lambda record: record.summary.grade or NONE),
        ("fit", lambda one: "no" if one.takes_no_part else "you" if one.conditions.included_because else "yes"),
        ("red/amb", lambda record: "/".join(str(record.summary.flag_counts.get(one, 0)) for one in ("red", "amber"))),
        left=(0, 1),
        is_newest_last=True,
    )
    print_list(f"Drive {record.number}: {words}" for record in records if (words := record.part_in_fit))
    print_lines(
        f"{units.consumption_label}: net at the pack; regen: share of the discharged energy; to red: least margin of "
        "a temperature; data: worst quality of what the line shows; fit: whether it takes part; "
        "red/amb: flags of the data. Estimates, no certification."
    )
