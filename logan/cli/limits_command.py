"""``logan limits``: closest approach to every limit, and every event beyond one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_cautions, print_json, print_lines, print_table
from logan.errors import UsageError
from logan.units import QUANTITY_OF_UNIT
from logan.wording import NONE, channel_words, clock, told_apart, with_sigma

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.metrics.limit_events import EventKind
    from logan.pipeline.limit_sheet import CurveLine, DriveEvent, LimitLine, LimitsOverDrives
    from logan.units import DisplayUnits

_MOST_EVENTS = 4
_NO_EVENT = "No event beyond a limit that was given."
_VERDICTS = {
    "within the limit given": "within",
    "may be beyond red": "RED within ±",
    "beyond red": "BEYOND RED",
    "beyond amber": "AMBER",
}


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
        from logan.pipeline.builds import find_build, open_library
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

    count = len(found.drives)
    drives = f"{count} drive{'s' if count != 1 else ''}"
    checked = [line for line in found.lines if line.check.margin is not None]
    bare = [line for line in found.lines if line.check.margin is None]
    print_lines(_worst(checked, drives, units))
    if bare:
        names = ", ".join(f"{_name(line)} {_shown(line.check.worst_value, line.check.unit, units)}" for line in bare)
        print_lines(f"No limit given: {names}.")
    print_lines("")
    if checked:
        print_table(
            ("part", "closest", "amber", "red", "margin", "drive", "verdict"),
            [_limit_row(line, units) for line in checked],
            left=(0, 6),
        )
    sources = {line.check.source for line in found.lines if line.check.source}
    print_lines(*([f"Limits from: {'; '.join(sorted(sources))}."] if sources else []))
    if found.curves:
        print_lines("")
        print_table(
            ("component", "current A", "allowed A", "for s", "used", "drive", "at"),
            [_curve_row(line) for line in found.curves],
        )
    print_lines("")
    if found.kinds:
        print_table(
            ("event", "drives", "times", "s in all", "worst", "limit", "drive"),
            [_kind_row(kind, units) for kind in found.kinds],
            left=(0, 1),
        )
    shown = [entry for entry in found.events if entry.event.severity.value != "note"][:_MOST_EVENTS]
    print_lines(*([_event_line(entry, units) for entry in shown] or ([] if found.kinds else [_NO_EVENT])))
    if left := len(found.events) - len(shown):
        print_lines(f"... and {left} more; --json lists them all.")
    red = dict.fromkeys(kind.worst.caution for kind in found.kinds if kind.worst.caution)
    print_lines(*(f"RED: {text}" for text in red), *(f"Note: {text}." for text in found.notes))
    print_cautions(*(text for text in found.cautions if text not in red))


def _worst(checked: Sequence[LimitLine], drives: str, units: DisplayUnits) -> str:
    """What is beyond a limit, or else what came closest."""
    beyond = [line for line in checked if line.check.severity is not None]
    if not checked:
        return f"No limit given for anything that {drives} logged: [limits] in build.toml, from the datasheets."
    words = [
        f"{_VERDICTS.get(line.check.verdict, line.check.verdict)}: {_name(line)} "
        f"{_shown(line.check.worst_value, line.check.unit, units)} (drive {line.drive})"
        for line in beyond
    ]
    if not words:
        line = checked[0]
        closest = f"{_name(line)} {_shown(line.check.worst_value, line.check.unit, units)}"
        words = [f"Within every limit given; closest {closest} (drive {line.drive})"]
    return f"{'; '.join(words)}. {len(checked)} limits over {drives}."


def _name(line: LimitLine) -> str:
    side = "" if line.check.side == "above" else " low"
    name = channel_words(line.check.channel).replace("temperature", "temp.")
    return name if name.endswith((" min", " max")) else name + side


def _kind_row(kind: EventKind, units: DisplayUnits) -> tuple[str, ...]:
    event = kind.worst
    return (
        f"{kind.severity.value.upper()} {channel_words(kind.what)}",
        ", ".join(map(str, kind.drives)),
        str(kind.count),
        f"{kind.duration_s:.0f}",
        *_apart(event.worst_value, event.limit_value, unit=event.unit, units=units),
        str(kind.worst_drive),
    )


def _apart(value: float | None, *limits: float | None, unit: str, units: DisplayUnits) -> tuple[str, ...]:
    """A value and its limits in the unit people read; kilohms for insulation."""
    scale, shown = (0.001, "kohm") if unit == "ohm" else (1.0, unit)
    scaled = [None if one is None else scale * one for one in (value, *limits)]
    return told_apart(*scaled, unit=shown, units=units)


def _shown(value: float | None, unit: str, units: DisplayUnits) -> str:
    return _apart(value, unit=unit, units=units)[0]


def _margin(line: LimitLine, units: DisplayUnits) -> str:
    margin, bound, unit = line.check.margin, line.check.margin_bound, line.check.unit
    if margin is None:
        return NONE
    quantity = {"degC": "temperature_step"}.get(unit) or QUANTITY_OF_UNIT.get(unit)
    scale, name = {"ohm": (0.001, "kohm")}.get(unit, (1.0, unit))
    if quantity is not None:
        scale, name = units.to_shown(1.0, quantity) - units.to_shown(0.0, quantity), units.unit_of(quantity)
    digits = 3 if unit == "V" and abs(margin) < 1.0 else 1 if unit == "V" and abs(margin) < 20.0 else 0
    return f"{with_sigma(scale * margin, None if bound is None else scale * bound, digits)} {name}"


def _limit_row(line: LimitLine, units: DisplayUnits) -> tuple[str, ...]:
    check = line.check
    reached, *limits = _apart(check.worst_value, check.amber, check.red, unit=check.unit, units=units)
    return (
        _name(line),
        reached,
        *(limit.split(" ")[0] for limit in limits),
        _margin(line, units),
        str(line.drive),
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
        clock(approach.context.at_s),
    )


def _event_line(entry: DriveEvent, units: DisplayUnits) -> str:
    """One event: what, by how much, when, and under what load."""
    event, context = entry.event, entry.event.context
    parts = [
        f"{event.severity.value.upper()} {channel_words(event.what)}: "
        f"{' against '.join(_apart(event.worst_value, event.limit_value, unit=event.unit, units=units))}, "
        f"drive {entry.drive} at {clock(event.start_s)} "
        f"for {event.duration_s:.0f} s" + (f" in {event.times} stretches" if event.times > 1 else "")
    ]
    if event.remark:
        parts.append(event.remark)
    if context.speed_m_per_s is not None:
        parts.append(f"{context.speed_m_per_s / units.metres_per_second:.0f} {units.speed_label}")
    if context.power_w is not None:
        parts.append(f"{context.power_w / 1000.0:.0f} kW")
    if context.grade_ratio is not None:
        parts.append(f"slope {100.0 * context.grade_ratio:.1f} %")
    if context.state_of_charge_ratio is not None:
        parts.append(f"SOC {100.0 * context.state_of_charge_ratio:.0f} %")
    if context.ambient_degc is not None:
        parts.append(f"outside {units.temperature_of(context.ambient_degc):.0f} {units.temperature_label}")
    return ", ".join(parts)
