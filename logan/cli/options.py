"""Options that many commands share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logan.cli.rendering import print_all, read_in
from logan.errors import UsageError
from logan.units import DisplayUnits

if TYPE_CHECKING:
    from logan.pipeline.logs_reader import Reading


def _in_build(folder: Path) -> Path:
    """What is printed is read in the units of the build, a refusal too."""
    from logan.pipeline.builds import shown_units

    read_in(partial(shown_units, folder))
    return folder


BuildOption = Annotated[
    Path,
    typer.Option(
        "--build", "-b", help="Folder of the build (the one with build.toml).", show_default="here", callback=_in_build
    ),
]
DbcOption = Annotated[
    list[str] | None,
    typer.Option("--dbc", help="DBC in place of the build's own: FILE for every bus, or BUS=FILE for one; repeat."),
]
FormatOption = Annotated[
    str | None, typer.Option("--format", help="Format of the logs, where it is not recognized by its content.")
]
ColumnsOption = Annotated[
    str, typer.Option("--columns", help="Columns of a table, where not recognized: time_ms,bus,id_hex,length,data.")
]
BusOption = Annotated[
    list[str] | None,
    typer.Option("--bus", help="Bus of logs that do not carry one: once for all, or once for each log in turn."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print the same content as JSON, with units in the keys.")]
UnitsOption = Annotated[
    str | None,
    typer.Option(
        "--units", "-u", help="us, metric, or single choices such as us,C or metric,lb. Left out: the build's own."
    ),
]
PayloadOption = Annotated[str | None, typer.Option("--payload", help='Load beyond test weight: "300 lb", "136 kg".')]
PassengersOption = Annotated[
    int | None,
    typer.Option("--passengers", help="Besides the driver, 150 lb (68 kg) each, on top of --payload.", min=0, max=20),
]
WindOption = Annotated[
    str | None,
    typer.Option("--wind", help='Station wind: "10 mph", "4.5 m/s"; x 0.7 is taken at the height of a vehicle.'),
]
WindFromOption = Annotated[float | None, typer.Option("--wind-from", help="Where it blows from. [deg]")]
AmbientOption = Annotated[
    str | None, typer.Option("--ambient", help='Outside temperature, if not logged: "50 °F", "10 °C".')
]
LeftOutOption = Annotated[
    list[str] | None,
    typer.Option("--no-correction", help="A correction by rule not to make, as a drive's history names it, or all."),
]
ZeroCurrentOption = Annotated[
    bool, typer.Option("--zero-current", help="Take off the current that is read while none can flow.")
]
FullOption = Annotated[bool, typer.Option("--full", help="Every row, however long.", callback=print_all)]
YesOption = Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")]


def full_option(shows: str) -> Any:
    """Option ``--full`` of a command that has more to show than every row."""
    return typer.Option("--full", help=shows, callback=print_all)


QUANTITIES = {
    "speed": "speed", "ambient": "temperature", "payload": "weight", "headwind": "speed", "wind": "speed",
    "tire": "pressure", "length": "distance",
}  # fmt: skip
"""What options measure: a bare number means the reader's own unit."""


def in_own_units(said: Mapping[str, str | None], units: DisplayUnits) -> dict[str, str]:
    """What was said, each bare number with the reader's own unit; what was not said is left out."""
    from logan.units.quantities import with_unit

    return {
        name: with_unit(text, units.unit_of(QUANTITIES[name])) if name in QUANTITIES else text
        for name, text in said.items()
        if text is not None
    }


def reading_of(
    dbc: Sequence[str] | None,
    build_folder: Path,
    logs: Sequence[Path] | None = None,
    bus: Sequence[str] | None = None,
    **how: Any,
) -> Reading:
    """How logs are read, as the user said it; with the build's own DBCs where none is given."""
    from logan.pipeline.builds import dbcs_near
    from logan.pipeline.logs_reader import Reading

    dbcs, by_bus = split_dbcs(dbc) if dbc else dbcs_near(build_folder)
    return Reading(dbcs=dbcs, dbc_by_bus=by_bus, bus_of=buses_of(logs or (), bus), **how)


def split_dbcs(dbc: Sequence[str] | None) -> tuple[tuple[Path, ...], Mapping[str, tuple[Path, ...]]]:
    """DBCs for every bus, and those that are written as ``BUS=FILE``."""
    general: list[Path] = []
    by_bus: dict[str, tuple[Path, ...]] = {}
    for text in dbc or ():
        bus, equals, name = text.partition("=")
        if equals and not Path(text).exists():
            by_bus[bus] = (*by_bus.get(bus, ()), Path(name))
        else:
            general.append(Path(text))
    return tuple(general), by_bus


def buses_of(logs: Sequence[Path], buses: Sequence[str] | None) -> dict[Path, str]:
    """Bus of each log, from one name for all or one for each.

    Raises
    ------
    UsageError
        If there are neither one name nor as many as logs.
    """
    if not buses:
        return {}
    if len(buses) not in (1, len(logs)):
        raise UsageError(f"{len(buses)} buses are named for {len(logs)} logs", "Give --bus once, or once for each log")
    return dict(zip(logs, [*buses] * len(logs) if len(buses) == 1 else buses, strict=True))


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

    if units is None:
        return shown_units(build_folder)
    try:
        shown = DisplayUnits.parse(units)
    except ValueError as error:
        raise UsageError(f"--units: {error}", "Write for example --units us,C") from None
    read_in(lambda: shown)
    return shown
