"""The first hour with a build: five steps, and how far each has come."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sized
from typing import Final

from logan.configuration.template import template
from logan.errors import ConfigurationError, LoganError
from logan.pipeline.builds import BuildFolder, shown_units
from logan.pipeline.dbc_files import named_dbcs
from logan.pipeline.library import open_library
from logan.pipeline.refine import kept_answer
from logan.results import result

ESSENTIAL: Final = (
    "vehicle.mass", "vehicle.body_class", "vehicle.tire", "gearing.reductions", "motor.max_power", "motor.max_torque",
    "pack.cells_in_series", "pack.cells_in_parallel", "pack.cell_capacity", "pack.cell_nominal_voltage",
    "target.range", "target.scenario",
)  # fmt: skip
"""What a plan needs of a vehicle at the least: asked before anything is judged."""


@result("first-hour/1")
class FirstStep:
    """One of the five steps.

    Parameters
    ----------
    name, page, words : str
        What it is called, where it is done, and how far it has come.
    state : str
        ``open``, ``asked`` (the user must decide something) or ``done``.
    """

    name: str
    page: str
    words: str
    state: str


@result()
class FirstHour:
    """All steps; ``is_untouched`` while the settings still are the template's, of no vehicle in particular."""

    steps: tuple[FirstStep, ...]
    is_untouched: bool
    drive_count: int
    essential: tuple[str, ...] = ESSENTIAL


def first_hour(folder: BuildFolder, waiting: int = 0) -> FirstHour:
    """How far a build has come.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    waiting : int
        Logs that were sent and are not imported yet.
    """
    untouched = _is_untouched(folder)
    with open_library(folder.path, create=True) as library:
        records = [record for record in library.drives() if not record.damage]
    dbcs = _count(lambda: named_dbcs(folder))
    mapped = _count(lambda: folder.channel_map().sources)
    red = sum(bool(record.summary.flag_counts.get("red")) for record in records)
    taken = sum(not record.takes_no_part for record in records)
    has_answer = bool(records) and _count(lambda: () if kept_answer(folder) is None else (1,)) > 0
    drives = f"{len(records)} drive{'s' if len(records) != 1 else ''}"
    check = "open" if not records else "asked" if red or not taken else "done"
    return FirstHour(
        steps=(
            _vehicle(folder, untouched),
            FirstStep(
                name="Logs and DBC",
                page="logs",
                words=f"{waiting} waiting, {drives}, {dbcs} DBC{'s' if dbcs != 1 else ''}",
                state="done" if records or waiting else "open",
            ),
            FirstStep(name="Channels", page="logs", words=f"{mapped} mapped", state="done" if mapped else "open"),
            FirstStep(
                name="Check",
                page="drives",
                words=f"{taken} of {len(records)} in the fit" + (f", {red} with red findings" if red else ""),
                state=check,
            ),
            FirstStep(
                name="Answer",
                page="",
                words="from the drives" if has_answer else "to be worked out" if taken else "after the first drive",
                state="done" if has_answer else "open",
            ),
        ),
        is_untouched=untouched,
        drive_count=len(records),
    )


def _vehicle(folder: BuildFolder, untouched: bool) -> FirstStep:
    try:
        folder.settings()
    except ConfigurationError as error:
        count = len(error.problems) or 1
        words, state = f"{count} thing{'s' if count != 1 else ''} to correct", "asked"
    else:
        words, state = ("still the example's numbers", "asked") if untouched else ("your numbers", "done")
    return FirstStep(name="Vehicle", page="settings", words=words, state=state)


def _is_untouched(folder: BuildFolder) -> bool:
    """Whether vehicle, gearing and pack are still those of the template."""
    try:
        own = tomllib.loads(folder.settings_file.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return False
    example = tomllib.loads(template(folder.settings_file.name, shown_units(folder.path)))
    return all(own.get(table) == example.get(table) for table in ("vehicle", "gearing", "motor", "pack"))


def _count(read: Callable[[], Sized]) -> int:
    try:
        return len(read())
    except LoganError:
        return 0
