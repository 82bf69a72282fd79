"""``logan compare``: predicted against measured, drive by drive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units

if TYPE_CHECKING:
    from logan.pipeline.fit import Comparison
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("compare")
    def compare(
        plan: Annotated[
            Path | None, typer.Option("--plan", help="Frozen plan to compare with; else the newest.")
        ] = None,
        build: BuildOption = Path(),
        as_json: JsonOption = False,
        units: UnitsOption = None,
        seed: Annotated[int, typer.Option("--seed", help="Seed of the samples.", min=0)] = 1,
    ) -> None:
        """Plan, meter and fit of each drive, for that drive's own speeds, hills and weather."""
        import numpy as np

        from logan.cli.rendering import print_json, working
        from logan.pipeline.builds import find_build
        from logan.pipeline.fit_build import compare_build

        folder = find_build(build)
        with working("reducing drives") as told:
            found = compare_build(folder, np.random.default_rng(seed), plan_path=plan, told=told)
        if as_json:
            print_json(found)
        else:
            show_comparison(found, display_units(units, build))


def show_comparison(found: Comparison, units: DisplayUnits) -> None:
    """Print the comparison and what it says about the plan and the fit."""
    from logan.cli.range_command import calibration_text
    from logan.cli.rendering import number, print_lines, print_table

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
                f"{100.0 * (drive.planned.value / drive.measured_wh - 1.0):+.1f} %" if drive.measured_wh else "",
                f"{100.0 * row.error_ratio:+.1f} %" if row else "-",
            )
        )
    used = units.consumption_label
    print_table(
        ("drive", units.distance, "planned", "measured", "refined", "plan error", "unseen error"),
        rows,
        title=f"{used} for each drive's own speeds, hills, weather and cabin load",
    )
    for drive in found.drives:
        if drive.refusal:
            print_lines(f"Drive {drive.drive_id} takes no part: {drive.refusal}.")
    print_lines(
        "",
        f"Planned: by the plan of {found.plan_created_at[:10]}.",
        "Unseen error: predicted by a fit on all other drives, over measured.",
        calibration_text(found.calibration),
        *(f"Note: {note}." for note in found.notes),
    )
