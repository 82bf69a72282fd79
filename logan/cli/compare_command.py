"""``logan compare``: predicted against measured, drive by drive; or what differed between two drives."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.effect_command import drive_names
from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.range_command import calibration_text
from logan.cli.rendering import print_json, print_lines, print_table, working
from logan.errors import UsageError
from logan.wording import NONE, number, signed

if TYPE_CHECKING:
    from logan.driving_range.difference import DriveDifference
    from logan.pipeline.fit import Calibration, Comparison
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("compare")
    def compare(
        drives: Annotated[
            list[str] | None, typer.Argument(help="One drive alone, or two: what differed between them.")
        ] = None,
        plan: Annotated[
            Path | None, typer.Option("--plan", help="Frozen plan to compare with; else the newest.")
        ] = None,
        fit_on: Annotated[
            str | None, typer.Option("--fit-on", help="Fit these drives alone, such as 1-16, and predict the others.")
        ] = None,
        predict: Annotated[
            str | None, typer.Option("--predict", help="With --fit-on: which to predict; all others where left out.")
        ] = None,
        build: BuildOption = Path(),
        as_json: JsonOption = False,
        units: UnitsOption = None,
        seed: Annotated[int, typer.Option("--seed", help="Seed of the samples.", min=0)] = 1,
    ) -> None:
        """Plan, meter and fit of each drive; or of two drives what differed, and what each thing explains."""
        shown = display_units(units, build)
        chosen = drives or []
        if fit_on is not None or predict is not None:
            if fit_on is None or chosen or plan is not None:
                raise UsageError(
                    "--predict goes with --fit-on, and neither with drives or --plan", "See logan compare -h"
                )
            predicted = _prediction(build, fit_on, predict or "")
            print_json(predicted) if as_json else show_prediction(predicted, shown)
            return
        if len(chosen) > 2:
            raise UsageError(f"{len(chosen)} drives cannot be compared at once", "Give two, one, or none for all")
        if len(chosen) == 2:
            if plan is not None:
                raise UsageError("two drives are compared with each other, not with a plan", "Leave out --plan")
            from logan.cli.difference_tables import show_difference

            difference = _difference(build, chosen[0], chosen[1])
            print_json(difference) if as_json else show_difference(difference, shown)
            return
        found = _comparison(build, plan, seed)
        if chosen:
            found = _only(found, build, chosen[0])
        print_json(found) if as_json else show_comparison(found, shown)


def _difference(build: Path, first: str, second: str) -> DriveDifference:
    from logan.pipeline.builds import find_build
    from logan.pipeline.fit_build import difference_of_drives

    return difference_of_drives(find_build(build), first, second)


def _comparison(build: Path, plan: Path | None, seed: int) -> Comparison:
    import numpy as np

    from logan.pipeline.builds import find_build
    from logan.pipeline.fit_build import compare_build

    folder = find_build(build)
    with working("reducing drives") as told:
        return compare_build(folder, np.random.default_rng(seed), plan_path=plan, told=told)


def _prediction(build: Path, fit_on: str, predict: str) -> Calibration:
    from logan.pipeline.builds import find_build
    from logan.pipeline.fit_build import predict_in_build

    folder = find_build(build)
    with working("reducing drives") as told:
        return predict_in_build(folder, drive_names(fit_on), drive_names(predict), told=told)


def show_prediction(found: Calibration, units: DisplayUnits) -> None:
    """Print drives that a fit on others predicted."""
    rows = [
        (
            row.drive_id,
            number(row.distance_m / units.metres, 1),
            *(number(energy * units.metres / row.distance_m) for energy in (row.measured_wh, row.predicted_wh)),
            f"{100.0 * row.error_ratio:+.1f} %",
            "yes" if row.is_covered else "no",
        )
        for row in found.drives
    ]
    headings = ("drive", units.distance, "measured", "predicted", "error", "within 90 %")
    print_table(headings, rows, title=f"{units.consumption_label} of drives that the fit has not seen")
    print_lines(calibration_text(found, "the fit of others"))


def _only(found: Comparison, build: Path, drive: str) -> Comparison:
    """The comparison with one drive's line alone; fit and error left outs still rest on all drives."""
    from logan.pipeline.builds import find_build
    from logan.pipeline.library import open_library

    with open_library(find_build(build).path) as library:
        record = library.record(drive)
    lines = tuple(line for line in found.drives if line.drive_id == str(record.number))
    if not lines:
        reason = record.conditions.excluded_because or record.damage or "it takes no part in the fit"
        raise UsageError(f"drive {record.number} is not compared ({reason})", "See: logan drives")
    return replace(found, drives=lines)


def show_comparison(found: Comparison, units: DisplayUnits) -> None:
    """Print the comparison and what it says about the plan and the fit."""
    unseen = {row.drive_id: row for row in found.calibration.drives}
    rows = []
    for drive in found.drives:
        if drive.refusal:
            rows.append((drive.drive_id, "", "", "", "", "", ""))
            continue
        per_unit = drive.distance_m / units.metres
        row = unseen.get(drive.drive_id)
        rows.append(
            (
                drive.drive_id,
                number(per_unit, 1),
                number(drive.planned.value / per_unit),
                number(drive.measured_wh / per_unit),
                number(drive.refined.value / per_unit),
                f"{signed(100.0 * (drive.planned.value / drive.measured_wh - 1.0), 1)} %" if drive.measured_wh else "",
                f"{signed(100.0 * row.error_ratio, 1)} %" if row else NONE,
            )
        )
    used = units.consumption_label
    off = sorted(drive.planned.value / drive.measured_wh - 1.0 for drive in found.drives if drive.measured_wh)
    middle = f"The plan lies {signed(100.0 * off[len(off) // 2])} % off at the middle drive. " if off else ""
    print_lines(f"{middle}{calibration_text(found.calibration)}", "")
    print_table(
        ("drive", units.distance, "planned", "measured", "refined", "plan error", "left out"),
        rows,
        title=f"{used} for each drive's own speeds, hills, weather and cabin load",
    )
    for drive in found.drives:
        if drive.refusal:
            print_lines(f"Drive {drive.drive_id} takes no part: {drive.refusal}.")
    print_lines(
        f"Planned: by the plan of {found.plan_created_at[:10]}. Left out: error of a fit on all other drives.",
        *(f"Note: {note}." for note in found.notes),
    )
