"""``logan import``: bring logs into the build's library."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli import options as opt
from logan.cli.rendering import print_json, print_lines, reading_progress
from logan.results import Refusal
from logan.wording import figure, number

if TYPE_CHECKING:
    from logan.pipeline.importing import ImportedDrive
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("import")
    def import_(
        logs: Annotated[list[Path], typer.Argument(help="Log files; one drive each, or one in all with --one-drive.")],
        build: opt.BuildOption = Path(),
        dbc: opt.DbcOption = None,
        bus: opt.BusOption = None,
        format_name: opt.FormatOption = None,
        columns: opt.ColumnsOption = "",
        one_drive: Annotated[
            bool, typer.Option("--one-drive", help="All logs are parts of one drive: split files, buses, a GPX track.")
        ] = False,
        again: Annotated[
            bool, typer.Option("--again", help="Read logs that are there already once more, as after a change of DBC.")
        ] = False,
        skip_text: Annotated[
            bool, typer.Option("--skip-text", help="Leave out table cells that hold text in place of a number.")
        ] = False,
        without_energy: Annotated[
            bool, typer.Option("--without-energy", help="Keep a drive without pack current or power, for the rest.")
        ] = False,
        anyway: Annotated[
            bool, typer.Option("--anyway", help="Keep a log with lost lines or impossible times; no energy is shown.")
        ] = False,
        payload: opt.PayloadOption = None,
        passengers: opt.PassengersOption = None,
        wind: opt.WindOption = None,
        wind_from_deg: opt.WindFromOption = None,
        ambient: opt.AmbientOption = None,
        note: Annotated[str, typer.Option("--note", help="A note on the drive.")] = "",
        left_out: opt.LeftOutOption = None,
        zero_current: opt.ZeroCurrentOption = False,
        yes: Annotated[bool, typer.Option("--yes", help="Ask nothing; what is open is said.")] = False,
        as_json: opt.JsonOption = False,
        units: opt.UnitsOption = None,
    ) -> None:
        """Import logs: read, map, check, analyze and store each drive once."""
        from logan.pipeline.logs_reader import prepare

        prepare(logs)  # before the rest is loaded, beside which it goes on
        from logan.pipeline.builds import find_build
        from logan.pipeline.importing import ImportOptions, corrections_but, import_logs
        from logan.pipeline.notes import noted, with_passengers

        folder = find_build(build)
        shown = opt.display_units(units, build)
        dbcs, by_bus = opt.split_dbcs(dbc)
        options = ImportOptions(
            dbcs=dbcs,
            dbc_by_bus=by_bus,
            bus_of=opt.buses_of(logs, bus),
            format_name=format_name,
            column_layout=columns,
            is_one_drive=one_drive,
            is_replaced=again,
            skips_text=skip_text,
            is_anyway=anyway,
            is_energy_optional=without_energy,
        )
        asks = sys.stdin.isatty() and sys.stdout.isatty() and not (yes or as_json)
        if asks and payload is None and passengers is None:
            payload, passengers = _asked_load()
        said = opt.in_own_units({"payload": payload, "ambient": ambient, "wind": wind}, shown)
        loaded = with_passengers(said.get("payload"), passengers, shown.unit_of("weight"))
        conditions = noted(
            said=said | ({} if loaded is None else {"payload": loaded}),
            note=note,
            wind_from_deg=wind_from_deg,
        )
        analysis = corrections_but(left_out or (), zero_current=zero_current)

        def read(logs: list[Path], options: ImportOptions) -> tuple[ImportedDrive, ...]:
            with reading_progress() as progress:
                options = replace(options, progress=progress)
                return import_logs(folder, logs, options=options, conditions=conditions, analysis=analysis)

        imported = read(logs, options)
        unfed = _asked_unfed(imported) if asks else ()
        if unfed:
            from logan.pipeline.channels import edit_channels

            edit_channels(folder, removed=unfed)
            concerned = logs if one_drive else [log for log, one in zip(logs, imported, strict=True) if one.alike]
            anew = {one.record.number: one for one in read(concerned, replace(options, is_replaced=True))}
            imported = tuple(anew.get(one.record.number, one) for one in imported)
        if as_json:
            print_json({"schema": "imported-drives/1", "drives": imported})
        else:
            for drive in imported:
                show_drive(drive, shown)


def _asked_load() -> tuple[str | None, int | None]:
    """Payload and passengers of these logs, as the options give them; both may be noted later as well."""
    passengers = typer.prompt("Passengers besides the driver", default=0, type=int)
    payload = typer.prompt('Load beyond the test weight, such as "300 lb" or "136 kg"', default="none").strip()
    print_lines("(later: logan drive N --passengers, --payload)")
    return None if payload in ("", "none", "0") else payload, passengers


def _asked_unfed(imported: Iterable[ImportedDrive]) -> tuple[str, ...]:
    """Of loads that run alike, those that the user says the pack does not feed; each pair is asked once."""
    unfed = []
    for alike in dict.fromkeys(drive.alike for drive in imported if drive.alike):
        names = " or ".join(f"{number} {name.replace('_', ' ')}" for number, name in enumerate(alike, start=1))
        said = typer.prompt(
            f"Two loads run alike, and the pack feeds one: {names}? (0: leave it open)", default=0, type=int
        )
        if said in (1, 2):
            unfed.append(alike[2 - said])
    return tuple(unfed)


def show_drive(imported: ImportedDrive, units: DisplayUnits) -> None:
    """Print what became of a drive's logs, in one line and its notes."""
    record = imported.record
    if imported.was_there:
        print_lines(f"drive {record.number}: imported before, left as it is (--again reads it once more)")
        return
    consumption = record.summary.metrics.get("net_wh_per_km")
    words = "consumption unknown"
    if isinstance(consumption, Refusal):
        words = f"consumption refused: {consumption.reason}"
    elif consumption is not None:
        words = f"{figure(consumption, scale=units.metres / 1000.0)} {units.consumption_label} net"
    distance = None if record.distance_m is None else record.distance_m / units.metres
    flags = record.summary.flag_counts
    print_lines(
        f"drive {record.number}: {record.duration_s / 60:.0f} min, {number(distance, 1)} {units.distance}, {words}; "
        f"flags of the data: {flags.get('red', 0)} red, {flags.get('amber', 0)} amber"
    )
    for note in imported.notes:
        print_lines(f"  {note}")
    if imported.alike:
        one, other = imported.alike
        print_lines(
            f"  {one} and {other} run alike, and the pack feeds one of the two; {other} is taken for the one it does "
            f"not feed. If it is the other way round: logan channels --remove {one}, and import with --again"
        )
