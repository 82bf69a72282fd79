"""``logan fit``: parameters refined by the drives, what was learned, and what to do next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units

if TYPE_CHECKING:
    from logan.pipeline.fit import FitReport
    from logan.pipeline.fit_build import BuildFit, NextTests
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("fit")
    def fit(build: BuildOption = Path(), as_json: JsonOption = False, units: UnitsOption = None) -> None:
        """Refine the plan's parameters with the drives and with measurements.toml; say what the data can't tell."""
        from logan.cli.rendering import print_json, working
        from logan.pipeline.builds import find_build
        from logan.pipeline.fit_build import fit_build

        folder = find_build(build)
        with working("reducing drives") as told:
            found = fit_build(folder, told=told)
        if as_json:
            print_json(found)
        else:
            show_fit(found, display_units(units, build))


def show_fit(found: BuildFit, units: DisplayUnits) -> None:
    """Print a fit: parameters, plain words, drive by drive, calibration, the next test."""
    from logan.cli.range_command import calibration_text
    from logan.cli.rendering import print_lines

    fit = found.report.fit
    drives = f"{fit.drive_count} drive{'s' if fit.drive_count != 1 else ''}"
    measured = f" and {len(fit.measurements)} measurements" if fit.measurements else ""
    print_lines(f"Fit of {drives} ({fit.segment_count} segments){measured}: {fit.message}.")
    if fit.is_prior_dominated:
        print_lines("PRIOR-DOMINATED: the plan's assumptions still say more than the drives.")
    print_lines("")
    _print_parameters(found.report)
    print_lines("", *(f"- {words}." for words in fit.warnings), "")
    _print_drives(found.report, units)
    print_lines("", calibration_text(found.report.calibration), "")
    _print_next_tests(found.next_tests)


def _print_parameters(report: FitReport) -> None:
    from logan.cli.range_tables import label, quantity
    from logan.cli.rendering import print_table

    fit = report.fit
    rows = []
    for name, learned in zip(fit.parameter_names, fit.learned_ratio, strict=True):
        before, after = fit.prior.estimate(name), fit.posterior.estimate(name)
        rows.append(
            (
                label(name),
                quantity(name, before.value),
                f"± {quantity(name, before.sigma or 0.0)}",
                quantity(name, after.value),
                f"± {quantity(name, after.sigma or 0.0)}",
                f"{100.0 * max(1.0 - float(learned), 0.0):.0f} %",
            )
        )
    print_table(("parameter", "plan", "", "fit", "", "learned"), rows, title="Parameters, with one sigma")


def _print_drives(report: FitReport, units: DisplayUnits) -> None:
    from logan.cli.rendering import number, print_table

    rows = []
    for drive in report.fit.drives:
        if drive.refusal:
            rows.append((drive.drive_id, "", "", "", "no part", ""))
            continue
        per_unit = drive.distance_m / units.metres
        rows.append(
            (
                drive.drive_id,
                number(per_unit, 1),
                number(drive.measured_wh / per_unit),
                number(drive.refined.value / per_unit),
                f"{100.0 * drive.residual_ratio:+.1f} %",
                f"{100.0 * (drive.level.value - 1.0):+.1f} %",
            )
        )
    used = units.consumption_label
    headings = ("drive", units.distance, f"measured {used}", f"fit {used}", "residual", "own level")
    print_table(headings, rows, title="Drive by drive; the residual is measured over fit")


def _print_next_tests(tests: NextTests) -> None:
    from logan.cli.rendering import print_lines, print_table

    if not tests.candidates:
        return
    rows = [
        (test.name, f"± {100.0 * test.sigma_after_ratio:.1f} %", f"-{100.0 * test.gain_ratio:.0f} %")
        for test in tests.candidates
    ]
    before = 100.0 * tests.candidates[0].sigma_before_ratio
    title = f"What to do next: the target's consumption is known to ± {before:.1f} %"
    print_table(("test", "would be", "width"), rows, title=title)
    best = tests.candidates[0]
    print_lines(f"Best: {best.name}: {best.how}.")
