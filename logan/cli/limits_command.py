"""``logan limits``: closest approach to every limit, and every event beyond one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_cautions, print_columns, print_json, print_lines
from logan.errors import UsageError
from logan.wording import limit_name, shown_value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.metrics.limit_lines import LimitLine
    from logan.pipeline.limit_sheet import LimitsOverDrives
    from logan.units import DisplayUnits

_MOST_EVENTS = 4


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
    from logan.pipeline.drive_tables import of_limits

    count = len(found.drives)
    drives = f"{count} drive{'s' if count != 1 else ''}"
    checked = [line for line in found.lines if line.check.margin is not None]
    print_lines(_worst(checked, drives, units))
    print_limits(found, checked, units)
    shown = [(one.drive, one.event) for one in found.events if one.event.severity.value != "note"][:_MOST_EVENTS]
    print_columns(of_limits.event_table(shown, units), 9, is_toned=True)
    if not found.kinds:
        print_lines("No event beyond a limit that was given.")
    if left := len(found.events) - len(shown):
        print_lines(f"... and {left} more; --json lists them all.")
    red = dict.fromkeys(kind.worst.caution for kind in found.kinds if kind.worst.caution)
    print_lines(*(f"RED: {text}" for text in red), *(f"Note: {text}." for text in found.notes))
    print_cautions(*(text for text in found.cautions if text not in red))


def print_limits(
    found: LimitsOverDrives, lines: Sequence[LimitLine], units: DisplayUnits, *, bare_unit: str = ""
) -> None:
    """Closest approaches of these lines, what has no limit, curves, and what passed a limit."""
    from logan.pipeline.drive_tables import of_limits

    print_columns(of_limits.limit_table(lines, units), 7)
    sources = {line.check.source for line in lines if line.check.source}
    print_lines(*([f"Limits from: {'; '.join(sorted(sources))}."] if sources else []))
    bare = (line.check for line in found.lines if line.check.margin is None and bare_unit in ("", line.check.unit))
    if names := [f"{limit_name(check)} {shown_value(check.worst_value, check.unit, units)}" for check in bare]:
        print_lines(f"No limit given: {', '.join(names)}.")
    print_columns(of_limits.curve_table(found.curves), 7)
    print_columns(of_limits.event_kind_table(found.kinds, units), 7, is_toned=True)


def _worst(checked: Sequence[LimitLine], drives: str, units: DisplayUnits) -> str:
    """What is beyond a limit, or else what came closest."""
    from logan.pipeline.drive_tables import of_limits

    if not checked:
        return f"No limit given for anything that {drives} logged: [limits] in build.toml, from the datasheets."

    def reached(line: LimitLine) -> str:
        value = shown_value(line.check.worst_value, line.check.unit, units)
        return f"{limit_name(line.check)} {value} (drive {line.drive})"

    words = [
        f"{of_limits.VERDICT_WORDS.get(line.check.verdict, line.check.verdict)}: {reached(line)}"
        for line in checked
        if line.check.severity is not None
    ] or [f"Within every limit given; closest {reached(checked[0])}"]
    return f"{'; '.join(words)}. {len(checked)} limits over {drives}."
