"""``logan compare``: predicted against measured, drive by drive; or what differed between two drives."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.effect_command import drive_names
from logan.cli.options import BuildOption, FullOption, JsonOption, UnitsOption, display_units
from logan.cli.range_command import calibration_text
from logan.cli.rendering import print_json, print_lines, print_list, print_rows, print_table, working
from logan.errors import UsageError
from logan.results import Refusal
from logan.units import QUANTITY_OF_UNIT
from logan.wording import NONE, number, signed, with_sigma

if TYPE_CHECKING:
    from collections.abc import Callable

    from logan.driving_range.coverage import LeftOutDrive
    from logan.driving_range.difference import DifferenceFact, DriveDifference
    from logan.model.fit_result import DriveFit
    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.fit import Calibration, Comparison
    from logan.results import Figure
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
        is_full: FullOption = False,
        units: UnitsOption = None,
        seed: Annotated[int, typer.Option("--seed", help="Seed of the samples.", min=0)] = 1,
    ) -> None:
        """Plan, meter and fit of each drive; or of two drives what differed, and what each thing explains."""
        import numpy as np

        from logan.pipeline.builds import find_build
        from logan.pipeline.refine import compare_build, difference_of_drives, predict_in_build

        shown, folder, chosen = display_units(units, build), find_build(build), drives or []
        if fit_on is not None or predict is not None:
            if fit_on is None or chosen or plan is not None:
                raise UsageError(
                    "--predict goes with --fit-on, and neither with drives or --plan", "See logan compare -h"
                )
            with working("reducing drives") as told:
                predicted = predict_in_build(folder, drive_names(fit_on), drive_names(predict or ""), told=told)
            print_json(predicted) if as_json else show_prediction(predicted, shown)
            return
        if len(chosen) > 2:
            raise UsageError(f"{len(chosen)} drives cannot be compared at once", "Give two, one, or none for all")
        if len(chosen) == 2:
            if plan is not None:
                raise UsageError("two drives are compared with each other, not with a plan", "Leave out --plan")
            difference = difference_of_drives(folder, chosen[0], chosen[1])
            print_json(difference) if as_json else show_difference(difference, shown)
            return
        with working("reducing drives") as told:
            found = compare_build(folder, np.random.default_rng(seed), plan_path=plan, told=told)
        if chosen:
            found = _only(found, folder, chosen[0])
        print_json(found) if as_json else show_comparison(found, shown)


def show_prediction(found: Calibration, units: DisplayUnits) -> None:
    """Print drives that a fit on others predicted."""

    def used(energy: Callable[[LeftOutDrive], float]) -> Callable[[LeftOutDrive], str]:
        return lambda row: number(energy(row) * units.metres / row.distance_m)

    print_rows(
        found.drives,
        ("drive", lambda row: row.drive_id),
        (units.distance, lambda row: number(row.distance_m / units.metres, 1)),
        ("measured", used(lambda row: row.measured_wh)),
        ("predicted", used(lambda row: row.predicted_wh)),
        ("error", lambda row: f"{100.0 * row.error_ratio:+.1f} %"),
        ("within 90 %", lambda row: "yes" if row.is_covered else "no"),
        title=f"{units.consumption_label} of drives that the fit has not seen",
    )
    print_lines(calibration_text(found, "the fit of others"))


def _only(found: Comparison, folder: BuildFolder, drive: str) -> Comparison:
    """The comparison with one drive's line alone; fit and error left outs still rest on all drives."""
    from logan.pipeline.builds import open_library

    with open_library(folder.path) as library:
        record = library.record(drive)
    lines = tuple(line for line in found.drives if line.drive_id == str(record.number))
    if not lines:
        reason = record.conditions.excluded_because or record.damage or "it takes no part in the fit"
        raise UsageError(f"drive {record.number} is not compared ({reason})", "See: logan drives")
    return replace(found, drives=lines)


def show_comparison(found: Comparison, units: DisplayUnits) -> None:
    """Print the comparison and what it says about the plan and the fit."""
    unseen = {row.drive_id: row for row in found.calibration.drives}

    def used(energy_wh: Callable[[DriveFit], float]) -> Callable[[DriveFit], str]:
        return lambda drive: "" if drive.refusal else number(energy_wh(drive) * units.metres / drive.distance_m)

    def plan_error(drive: DriveFit) -> str:
        if drive.refusal or not drive.measured_wh:
            return ""
        return f"{signed(100.0 * (drive.planned.value / drive.measured_wh - 1.0), 1)} %"

    def left_out(drive: DriveFit) -> str:
        row = unseen.get(drive.drive_id)
        return "" if drive.refusal else f"{signed(100.0 * row.error_ratio, 1)} %" if row else NONE

    off = sorted(drive.planned.value / drive.measured_wh - 1.0 for drive in found.drives if drive.measured_wh)
    middle = f"The plan lies {signed(100.0 * off[len(off) // 2])} % off at the middle drive. " if off else ""
    print_lines(f"{middle}{calibration_text(found.calibration)}", "")
    print_rows(
        found.drives,
        ("drive", lambda drive: drive.drive_id),
        (units.distance, lambda drive: "" if drive.refusal else number(drive.distance_m / units.metres, 1)),
        ("planned", used(lambda drive: drive.planned.value)),
        ("measured", used(lambda drive: drive.measured_wh)),
        ("refined", used(lambda drive: drive.refined.value)),
        ("plan error", plan_error),
        ("left out", left_out),
        title=f"{units.consumption_label} for each drive's own speeds, hills, weather and cabin load",
        is_newest_last=True,
    )
    print_list(f"Drive {one.drive_id} takes no part: {one.refusal}." for one in found.drives if one.refusal)
    print_lines(
        f"Planned: by the plan of {found.plan_created_at[:10]}. Left out: error of a fit on all other drives.",
    )
    print_list(f"Note: {note}." for note in found.notes)


def show_difference(found: DriveDifference, units: DisplayUnits) -> None:
    """Print a difference: the answer first, then the two drives side by side."""
    label = units.consumption_label
    print_lines(_answer(found, units), "")
    rows: list[tuple[str, str, str]] = [
        (f"drive {found.first}", _consumption(found.first_wh_per_km, units), "measured"),
        (f"drive {found.second}", _consumption(found.second_wh_per_km, units), "measured"),
        ("difference", _consumption(found.difference_wh_per_km, units, is_change=True), f"causes by {found.basis}"),
    ]
    parts = sorted(found.parts, key=lambda part: -abs(part.effect_wh_per_km.value))
    rows += [
        (f"  {part.name}", _consumption(part.effect_wh_per_km, units, is_change=True), part.meaning) for part in parts
    ]
    rows.append(
        (
            "  not explained",
            _consumption(found.unexplained_wh_per_km, units, is_change=True),
            "the vehicle itself, wind not recorded, errors",
        )
    )
    print_table(("", label, ""), rows, left=(0, 2))
    facts = [_fact_row(fact, units) for fact in found.facts]
    print_table(("", f"drive {found.first}", f"drive {found.second}", ""), facts, left=(0, 3))
    if found.assumed:
        print_lines(*(f"assumed for drive {text}" for text in found.assumed))


def _answer(found: DriveDifference, units: DisplayUnits) -> str:
    """Which drive took more, and the three things that explain most of it."""
    change = found.difference_wh_per_km
    if isinstance(change, Refusal):
        return f"Not compared: {change.reason}."
    parts = sorted(found.parts, key=lambda part: -abs(part.effect_wh_per_km.value))[:3]
    told = [
        f"{part.name} {text}"
        for part in parts
        if (text := signed(units.consumption(part.effect_wh_per_km.value))) != "0"
    ]
    return (
        f"Drive {found.second} took {_consumption(change, units, is_change=True)} {units.consumption_label} against "
        f"drive {found.first}: {', '.join(told)}, not explained "
        f"{_consumption(found.unexplained_wh_per_km, units, is_change=True)}."
    )


def _consumption(figure: Figure, units: DisplayUnits, *, is_change: bool = False) -> str:
    if isinstance(figure, Refusal):
        return f"refused: {figure.reason}"
    value = units.consumption(figure.value)
    sigma = None if figure.sigma is None else units.consumption(figure.sigma)
    if is_change and round(value):
        return f"{signed(value)}{with_sigma(0.0, sigma).removeprefix('0')}"
    return with_sigma(value, sigma)


def _fact_row(fact: DifferenceFact, units: DisplayUnits) -> tuple[str, str, str, str]:
    quantity, scale, digits = QUANTITY_OF_UNIT.get(fact.unit, ""), 1.0, 1
    unit = units.unit_of(quantity) if quantity else fact.unit
    if fact.name == "distance":
        quantity, unit = "distance", units.distance
    elif fact.unit == "m":
        quantity, unit = "height", units.height_label
    elif fact.unit == "m/km":
        quantity, scale, unit = "slope", 0.001, units.unit_of("slope")
    elif fact.unit == "1/km":
        scale, unit = units.metres / 1000.0, f"per {units.distance}"
    if quantity in ("density", "weight", "height", "electric_power"):
        digits = units.digits_of(quantity)
    first, second = (
        "not recorded"
        if value != value
        else number(units.to_shown(value * scale, quantity) if quantity else value * scale, digits)
        for value in (fact.first, fact.second)
    )
    return fact.name, first, second, unit
