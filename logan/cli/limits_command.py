"""``logan limits``: closest approach to every limit, and every event beyond one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units

if TYPE_CHECKING:
    from logan.metrics.event_kinds import EventKind
    from logan.pipeline.limit_sheet import CurveLine, DriveEvent, LimitLine, LimitsOverDrives
    from logan.units import DisplayUnits

_MOST_EVENTS = 40
_NO_EVENT = "No event beyond a limit that was given."
_VERDICTS = {"within the limit given": "within", "may be beyond red": "RED within ±", "beyond red": "BEYOND RED"}


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
            known = {record.number for record in library.drives()}
            if strange := sorted(set(drives or ()) - known):
                raise UsageError(f"there is no drive {', '.join(map(str, strange))}", "List them with: logan drives")
            if not known:
                raise UsageError("no drive has been imported", "Import one with: logan import LOG")
            stored = [
                one for one in stored_drives(library, folder.settings()) if not drives or one.record.number in drives
            ]
        found = limits_over_drives(stored)
        if as_json:
            print_json(found)
        else:
            _show(found, display_units(units, build))


def _show(found: LimitsOverDrives, units: DisplayUnits) -> None:
    from logan.cli.rendering import print_lines, print_table

    count = len(found.drives)
    print_lines(f"Limits over {count} drive{'s' if count != 1 else ''}. Estimates, no certificate.", "")
    print_table(
        ("part", "closest", "amber", "red", "margin", "drive", "verdict"),
        [_limit_row(line, units) for line in found.lines],
        left=(0, 6),
    )
    sources = {line.check.source for line in found.lines if line.check.source}
    if sources:
        print_lines("", *(f"Limits from: {source}" for source in sorted(sources)))
    if found.curves:
        print_lines("")
        print_table(
            ("component", "current A", "allowed A", "for s", "used", "drive", "at s"),
            [_curve_row(line) for line in found.curves],
        )
    print_lines("")
    red = dict.fromkeys(kind.worst.caution for kind in found.kinds if kind.worst.caution)
    if found.kinds:
        print_table(
            ("event", "drives", "times", "s in all", "worst", "limit", "drive"),
            [_kind_row(kind, units) for kind in found.kinds],
            left=(0, 1),
        )
        print_lines(*(f"RED: {text}" for text in red), "")
    print_lines(*([_event_line(entry, units) for entry in found.events[:_MOST_EVENTS]] or [_NO_EVENT]))
    left = len(found.events) - _MOST_EVENTS
    if left > 0:
        print_lines(f"... and {left} more; --json lists them all.")
    print_lines(
        "",
        *(f"Note: {text}." for text in found.notes),
        *(f"Caution: {text}" for text in found.cautions if text not in red),
    )


def _kind_row(kind: EventKind, units: DisplayUnits) -> tuple[str, ...]:
    event = kind.worst
    return (
        f"{kind.severity.value.upper()} {kind.what.replace('_', ' ')}",
        ", ".join(map(str, kind.drives)),
        str(kind.count),
        f"{kind.duration_s:.0f}",
        _shown(event.worst_value, event.unit, units),
        _shown(event.limit_value, event.unit, units),
        str(kind.worst_drive),
    )


def _shown(value: float | None, unit: str, units: DisplayUnits) -> str:
    """A value in the unit people read: degrees of the user's choice, revolutions for shafts, kilohms."""
    from logan.wording import number

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
    margin, bound, unit = line.check.margin, line.check.margin_bound, line.check.unit
    if margin is None:
        return "-"
    if unit == "degC":
        margin, bound = units.temperature_step(margin), None if bound is None else units.temperature_step(bound)
    scale = {"rad/s": 30.0 / 3.141592653589793, "ohm": 0.001}.get(unit, 1.0)
    digits = 0 if unit in ("degC", "rad/s", "ohm") or abs(margin) >= 20.0 else 3 if abs(margin) < 1.0 else 1
    return f"{scale * margin:+,.{digits}f}" + ("" if bound is None else f"±{scale * bound:,.{digits}f}")


def _limit_row(line: LimitLine, units: DisplayUnits) -> tuple[str, ...]:
    check = line.check
    return (
        check.channel.replace("_", " ").replace("temperature", "temp.") + ("" if check.side == "above" else " low"),
        _shown(check.worst_value, check.unit, units),
        _shown(check.amber, check.unit, units).split(" ")[0],
        _shown(check.red, check.unit, units).split(" ")[0],
        _margin(line, units),
        "-" if check.worst_value is None else str(line.drive),
        _VERDICTS.get(check.verdict, check.verdict),
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
    )


def _event_line(entry: DriveEvent, units: DisplayUnits) -> str:
    """One event: what, by how much, when, and under what load."""
    event, context = entry.event, entry.event.context
    parts = [
        f"{event.severity.value.upper()} {event.what}: {_shown(event.worst_value, event.unit, units)} against "
        f"{_shown(event.limit_value, event.unit, units)}, drive {entry.drive} from {event.start_s:.0f} s "
        f"for {event.duration_s:.0f} s" + (f" in {event.times} stretches" if event.times > 1 else "")
    ]
    if event.remark:
        parts.append(event.remark)
    if context.speed_m_per_s is not None:
        parts.append(f"{context.speed_m_per_s / units.metres_per_second:.0f} {units.speed_label}")
    if context.power_w is not None:
        parts.append(f"{context.power_w / 1000.0:.0f} kW")
    if context.grade_ratio is not None:
        parts.append(f"grade {100.0 * context.grade_ratio:.1f} %")
    if context.state_of_charge_ratio is not None:
        parts.append(f"charge {100.0 * context.state_of_charge_ratio:.0f} %")
    if context.ambient_degc is not None:
        parts.append(f"outside {units.temperature_of(context.ambient_degc):.0f} {units.temperature_label}")
    return ", ".join(parts)
