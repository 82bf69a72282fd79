"""``logan limits``: closest approach to every limit, and every event beyond one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units, full_option
from logan.cli.rendering import answer, print_cautions, print_columns, print_lines, print_list
from logan.errors import UsageError
from logan.results import Severity
from logan.wording import NONE, capital, limit_name, shown_value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.metrics.limit_lines import LimitLine
    from logan.pipeline.limit_sheet import LimitsOverDrives
    from logan.units import DisplayUnits

_MOST_NAMED = 4


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("limits")
    def limits(
        drives: Annotated[list[int] | None, typer.Argument(help="Numbers of drives; all where left out.")] = None,
        build: BuildOption = Path(),
        units: UnitsOption = None,
        as_json: JsonOption = False,
        is_full: Annotated[bool, full_option("Every limit, and every event one by one.")] = False,
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
        answer(found, as_json, _show, display_units(units, build), is_full=is_full)


def _show(found: LimitsOverDrives, units: DisplayUnits, *, is_full: bool) -> None:
    from logan.pipeline.drive_tables import of_limits

    count = len(found.drives)
    drives = f"{count} drive{'s' if count != 1 else ''}"
    checked = [line for line in found.lines if line.check.margin is not None]
    print_lines(_worst(checked, drives, units))
    print_limits(found, checked, units, is_full=is_full)
    if is_full:
        events = [(one.drive, one.event) for one in found.events]
        print_columns(of_limits.event_table(events, units), 9, is_toned=True)
    red = dict.fromkeys(kind.worst.caution for kind in found.kinds if kind.worst.caution)
    print_list(f"RED: {text}" for text in red)
    print_list(f"Note: {text}." for text in found.notes)
    print_cautions(*(text for text in found.cautions if text not in red))


def print_limits(
    found: LimitsOverDrives, lines: Sequence[LimitLine], units: DisplayUnits, *, bare_unit: str = "", is_full: bool
) -> None:
    """What passed a limit, closest approaches of these lines, and what has no limit."""
    from logan.pipeline.drive_tables import of_limits

    is_one = len(found.drives) == 1
    kinds = [kind for kind in found.kinds if is_full or kind.severity is not Severity.NOTE]
    print_columns(of_limits.event_kind_table(kinds, units, is_one=is_one), 5 if is_one else 7, is_toned=True)
    print_columns(of_limits.limit_table(lines, units, is_one=is_one), 6 if is_one else 7)
    sources = {line.check.source for line in lines if line.check.source}
    if sources and (is_full or not is_one):
        print_lines(f"Limits from: {'; '.join(sorted(sources))}.")
    bare = [line.check for line in found.lines if line.check.margin is None and bare_unit in ("", line.check.unit)]
    for verdict, words in of_limits.BARE_WORDS.items():
        told = [
            (limit_name(one), shown_value(one.worst_value, one.unit, units)) for one in bare if one.verdict == verdict
        ]
        if told:
            names = [" ".join(one).removesuffix(f" {NONE}") for one in told]
            print_lines(f"{words}: {_some(names, ', ', is_full=is_full)}.")


def _some(texts: Sequence[str], joint: str, *, is_full: bool = False) -> str:
    """The first of these, and how many more there are."""
    more = 0 if is_full else len(texts) - _MOST_NAMED
    return joint.join((*texts[:_MOST_NAMED], f"and {more} more") if more > 1 else texts)


def _worst(checked: Sequence[LimitLine], drives: str, units: DisplayUnits) -> str:
    """What is beyond a limit, or else what came closest."""
    from logan.pipeline.drive_tables import of_limits

    if not checked:
        return f"No limit given for anything that {drives} logged: [limits] in build.toml, from the datasheets."

    def reached(line: LimitLine) -> str:
        value = shown_value(line.check.worst_value, line.check.unit, units)
        return f"{limit_name(line.check)} {value} (drive {line.drive})"

    words = [
        f"{capital(of_limits.VERDICT_WORDS.get(line.check.verdict, line.check.verdict))}: {reached(line)}"
        for line in checked
        if of_limits.VERDICT_WORDS.get(line.check.verdict) != "within"
    ] or [f"Within every limit given; closest {reached(checked[0])}"]
    return f"{_some(words, '; ')}. {len(checked)} limit{'s' if len(checked) != 1 else ''} over {drives}."
