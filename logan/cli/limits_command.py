"""``logan limits``: closest approach to every limit, and every event beyond one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units

if TYPE_CHECKING:
    from logan.pipeline.limit_sheet import CurveLine, DriveEvent, LimitLine, LimitsOverDrives
    from logan.units import DisplayUnits

_MOST_EVENTS = 40


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("limits")
    def limits(
        drives: Annotated[list[int] | None, typer.Argument(help="Numbers of drives; all where left out.")] = None,
        build: BuildOption = Path(),
        units: UnitsOption = None,
        as_json: JsonOption = False,
    ) -> None:
        """Show how close every part came to its limit, for how long beyond, when, and under what load."""
        from logan.cli.rendering import print_json
        from logan.errors import UsageError
        from logan.pipeline.builds import find_build
        from logan.pipeline.library import open_library
        from logan.pipeline.limit_sheet import limits_over_drives
        from logan.pipeline.stored import stored_drives

        folder = find_build(build)
        with open_library(folder.path) as library:
            stored = [
                one for one in stored_drives(library, folder.settings()) if not drives or one.record.number in drives
            ]
        if not stored:
            raise UsageError("there is no such drive", "List them with: logan drives")
        found = limits_over_drives(stored)
        if as_json:
            print_json(found)
        else:
            _show(found, display_units(units, build))


def _show(found: LimitsOverDrives, units: DisplayUnits) -> None:
    from logan.cli.rendering import print_lines, print_table

    print_lines(
        f"Limits over {len(found.drives)} drive{'s' if len(found.drives) != 1 else ''}. Estimates, no certificate."
    )
    print_table(
        ("part", "closest", "amber", "red", "margin", "drive", "verdict", "limit from"),
        [_limit_row(line, units) for line in found.lines],
        left=(0, 6, 7),
    )
    if found.curves:
        print_table(
            ("component", "current A", "allowed A", "for s", "used", "drive", "at s", "limit from"),
            [_curve_row(line) for line in found.curves],
            left=(0, 7),
        )
    shown = found.events[:_MOST_EVENTS]
    if shown:
        print_table(
            (
                "",
                "what",
                "drive",
                "start s",
                "for s",
                "worst",
                "limit",
                units.speed_label,
                "kW",
                "grade %",
                "SOC %",
                "amb",
            ),
            [_event_row(entry, units) for entry in shown],
            left=(0, 1),
        )
        left = len(found.events) - len(shown)
        if left:
            print_lines(f"... and {left} more; --json lists them all.")
    else:
        print_lines("No event beyond a limit that was given.")
    print_lines(*(f"Caution: {text}" for text in found.cautions))


def _shown(value: float | None, unit: str, units: DisplayUnits) -> str:
    """A value in the unit people read: degrees of the user's choice, revolutions for shafts, kilohms."""
    from logan.cli.rendering import number

    if value is None:
        return "-"
    if unit == "degC":
        return f"{units.temperature_of(value):.0f} {units.temperature_label}"
    if unit == "rad/s":
        return f"{value * 30.0 / 3.141592653589793:,.0f} rpm"
    if unit == "ohm":
        return f"{value / 1000.0:,.0f} kohm"
    return f"{number(value, 2 if abs(value) < 100.0 else 0)} {unit}"


def _margin(line: LimitLine, units: DisplayUnits) -> str:
    margin, unit = line.check.margin, line.check.unit
    if margin is None:
        return "-"
    if unit == "degC":
        return f"{units.temperature_step(margin):+.0f}"
    return f"{margin * 30.0 / 3.141592653589793:+,.0f}" if unit == "rad/s" else f"{margin:+,.4g}"


def _limit_row(line: LimitLine, units: DisplayUnits) -> tuple[str, ...]:
    check = line.check
    return (
        check.channel,
        _shown(check.worst_value, check.unit, units),
        _shown(check.amber, check.unit, units),
        _shown(check.red, check.unit, units),
        _margin(line, units),
        "-" if check.worst_value is None else str(line.drive),
        check.verdict,
        check.source or "-",
    )


def _curve_row(line: CurveLine) -> tuple[str, ...]:
    approach = line.approach
    return (
        f"{approach.component} ({approach.direction})",
        f"{approach.current_a:.0f}",
        f"{approach.allowed_a:.0f}",
        f"{approach.window_s:g}" if approach.window_s else "peak",
        f"{100 * approach.used_ratio:.0f} %",
        str(line.drive),
        f"{approach.context.at_s:.0f}",
        approach.source,
    )


def _event_row(entry: DriveEvent, units: DisplayUnits) -> tuple[str, ...]:
    event, context = entry.event, entry.event.context

    def number(value: float | None, scale: float, digits: int = 0) -> str:
        return "-" if value is None else f"{value * scale:.{digits}f}"

    ambient = context.ambient_degc
    return (
        event.severity.value,
        event.what,
        str(entry.drive),
        f"{event.start_s:.0f}",
        f"{event.duration_s:.0f}",
        _shown(event.worst_value, event.unit, units),
        _shown(event.limit_value, event.unit, units),
        number(context.speed_m_per_s, 1.0 / units.metres_per_second),
        number(context.power_w, 1e-3),
        number(context.grade_ratio, 100.0, 1),
        number(context.state_of_charge_ratio, 100.0),
        "-" if ambient is None else f"{units.temperature_of(ambient):.0f}",
    )
