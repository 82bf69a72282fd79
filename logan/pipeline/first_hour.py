"""The first hour with a build: how far vehicle, logs, channels, check and answer have come."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sized
from typing import Any, Final

from logan.configuration.template import template
from logan.errors import ConfigurationError, LoganError
from logan.pipeline.builds import BuildFolder, shown_units
from logan.pipeline.dbc_files import named_dbcs
from logan.pipeline.library import open_library
from logan.pipeline.refine import kept_answer

ESSENTIAL: Final = (
    "vehicle.mass", "vehicle.body_class", "vehicle.tire", "gearing.reductions", "motor.max_power", "motor.max_torque",
    "pack.cells_in_series", "pack.cells_in_parallel", "pack.cell_capacity", "pack.cell_nominal_voltage",
    "target.range", "target.scenario",
)  # fmt: skip
"""What a plan needs of a vehicle at the least: asked before anything is judged."""


def first_hour(folder: BuildFolder) -> dict[str, Any]:
    """How far a build has come, in numbers; ``is_untouched`` while its vehicle still is the template's example."""
    with open_library(folder.path, create=True) as library:
        records = [record for record in library.drives() if not record.damage]
    try:
        folder.settings()
        problems = 0
    except ConfigurationError as error:
        problems = len(error.problems) or 1
    return {
        "schema": "first-hour/1",
        "problems": problems,
        "is_untouched": _is_untouched(folder),
        "essential": ESSENTIAL,
        "dbcs": _count(lambda: named_dbcs(folder)),
        "mapped": _count(lambda: folder.channel_map().sources),
        "drives": len(records),
        "red": sum(bool(record.summary.flag_counts.get("red")) for record in records),
        "taken": sum(not record.takes_no_part for record in records),
        "has_answer": _count(lambda: () if kept_answer(folder) is None else (1,)) > 0,
    }


def _is_untouched(folder: BuildFolder) -> bool:
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
