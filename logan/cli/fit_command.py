"""``logan fit``: parameters refined by the drives, what was learned, and what to do next."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units, full_option
from logan.cli.range_command import calibration_text, noted_text
from logan.cli.rendering import answer, print_cautions, print_columns, print_lines, working
from logan.pipeline.cautions import CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST
from logan.wording import percent, with_sigma

if TYPE_CHECKING:
    from logan.pipeline.fit import FitResult
    from logan.pipeline.refine import BuildFit, NextTests
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("fit")
    def fit(
        build: BuildOption = Path(),
        as_json: JsonOption = False,
        units: UnitsOption = None,
        is_full: Annotated[bool, full_option("Every remark, the sensors, every next test.")] = False,
    ) -> None:
        """Refine the plan's parameters with the drives and with measurements.toml; say what the data can't tell."""
        from logan.pipeline.builds import find_build
        from logan.pipeline.refine import fit_build

        folder = find_build(build)
        with working("reducing drives") as told:
            found = fit_build(folder, told=told)
        answer(found, as_json, show_fit, display_units(units, build), is_full=is_full)


def show_fit(found: BuildFit, units: DisplayUnits, *, is_full: bool = False) -> None:
    """Print a fit: how well it predicts, the parameters, drive by drive, the next test; all remarks if asked."""
    from logan.pipeline.drive_tables import of_fit

    fit = found.report.fit
    drives = f"{fit.drive_count} drive{'s' if fit.drive_count != 1 else ''}"
    measured = f" and {len(fit.measurements)} measurements" if fit.measurements else ""
    plan_only = " Mostly your plan: too few drives." if fit.is_prior_dominated else ""
    print_lines(
        f"Fit of {drives} ({fit.segment_count} segments){measured}: {fit.message}.{plan_only}",
        calibration_text(found.report.calibration),
    )
    told = ""
    if found.next_tests.candidates:
        best = found.next_tests.candidates[0]
        told = best.noted
        print_lines(
            f"Best next test: {best.name}: narrows the range by {best.gain_m / units.metres:.1f} {units.distance} "
            f"in {best.hours:.1f} h."
        )
    print_lines(*filter(None, (noted_text(found.next_tests, units, told=told),)))
    print_columns(of_fit.parameter_table(found.report.fit, units), 4)
    print_columns(of_fit.drives_table(found.report.fit, units), is_newest_last=True)
    remarks = sorted(_merged(fit.warnings), key=lambda words: words.startswith("drive"))
    print_lines("", *(f"- {words}." for words in (remarks if is_full else remarks[:2])))
    if is_full:
        print_lines("", *sensor_lines(found.report.fit))
        print_next_tests(found.next_tests, units)
        return
    print_lines(f"{max(len(remarks) - 2, 0)} more remarks, the sensors, every next test: --full")
    print_cautions(*(test.caution or CAUTION_ROAD_TEST for test in found.next_tests.candidates[:1]))


def _merged(remarks: Sequence[str]) -> list[str]:
    """Remarks that say the same of several drives, but for the numbers, in one."""
    alike: dict[str, list[str]] = {}
    for remark in remarks:
        bare = re.sub(r"[-+]?\d[\d.]*", "#", remark) if remark.startswith("drive ") else remark
        alike.setdefault(bare, []).append(remark)
    merged = []
    for group in alike.values():
        numbers = [remark.split(":", 1)[0].removeprefix("drive ") for remark in group]
        words = group[0].split(":", 1)[1] if len(group) > 1 else ""
        merged.append(f"drives {', '.join(numbers)}:{words} (the first of them)" if words else group[0])
    return merged


def sensor_lines(fit: FitResult) -> list[str]:
    """Which sensor decides, and what was taken off the drives already."""
    if fit.sensors is None:
        return []
    known = fit.sensors.instruments
    gain, speed = known.power_gain, known.of("speed_gain")
    lines = [
        f"Sensors, shared by all drives: pack power ± {100 * gain.spread:.1f} %, "
        f"speed ± {100 * speed.spread:.1f} %; no number of drives narrows these."
    ]
    lines += [
        f"Taken off every drive: {name.replace('_', ' ')} {error:+.2f} A."
        if name == "current_zero"
        else f"Taken off every drive: {name.replace('_', ' ')} {100 * error:+.1f} %."
        for name, error in known.applied.items()
    ]
    if (shaft := fit.shaft) is not None:
        scale, motor_wh, behind_wh = shaft.torque_scale, shaft.before_wh, shaft.behind_wh
        split = "torque and road together tell no split of the losses"
        if min(motor_wh, behind_wh) > 0.0:
            split = f"of what is lost while driving, {percent(motor_wh / (motor_wh + behind_wh))} stays in them"
        lines.append(
            f"Torque as logged is {with_sigma(scale.value, scale.sigma, 3)} of the true one, where inverter and motor "
            f"lose the same share driving and braking; {split}."
        )
    return [*lines, *(f"Note: {note}." for note in known.notes)]


def print_next_tests(tests: NextTests, units: DisplayUnits, count: int = 6) -> None:
    """What narrows the target's interval most, per hour of work."""
    from logan.pipeline.drive_tables import of_fit

    if not tests.candidates:
        return
    print_columns(of_fit.next_tests_table(tests, units, count), 4)
    best = tests.candidates[0]
    noted = f"It goes with each drive: logan drive N --{best.noted}."
    by_hand = "A log of it is imported; a reading by hand goes into measurements.toml."
    print_lines(f"Best: {best.name}: {best.how}. {noted if best.noted else by_hand}")
    # Those of the best in its own words; and of what is named above.
    print_cautions(best.caution or CAUTION_ROAD_TEST, CAUTION_HIGH_VOLTAGE)
