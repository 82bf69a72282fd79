"""Options that many commands share."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.errors import UsageError

if TYPE_CHECKING:
    from logan.units import DisplayUnits

BuildOption = Annotated[
    Path, typer.Option("--build", "-b", help="Folder of the build (the one with build.toml).", show_default="here")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the same content as JSON, with units in the keys.")]
UnitsOption = Annotated[
    str | None, typer.Option("--units", "-u", help="mi or km, F or C, such as km,C. The build's own where left out.")
]
PayloadOption = Annotated[str | None, typer.Option("--payload", help='Load beyond the weighed mass, such as "300 lb".')]
AmbientOption = Annotated[
    str | None, typer.Option("--ambient", help='Outside temperature, if not logged, such as "50 °F".')
]
YesOption = Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")]


def refuse_both(files: Sequence[Path] | None, drive: str | None) -> None:
    """Refuse logs together with a stored drive, and neither of them.

    Raises
    ------
    UsageError
        If both are given, or none.
    """
    if files and drive is not None:
        raise UsageError("logs and a stored drive are given together", "Give one of them")
    if not files and drive is None:
        raise UsageError("nothing is given to look at", "Give a log, or a stored drive with --drive N")


def display_units(units: str | None, build_folder: Path) -> DisplayUnits:
    """Units that the user asked for, else those of the build.

    Raises
    ------
    UsageError
        If the text names no unit.
    """
    from logan.pipeline.builds import shown_units
    from logan.units import DisplayUnits

    if units is None:
        return shown_units(build_folder)
    try:
        return DisplayUnits.parse(units)
    except ValueError as error:
        raise UsageError(f"--units: {error}", "Write for example --units km,C") from None
