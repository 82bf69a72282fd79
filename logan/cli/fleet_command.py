"""``logan fleet``: many vehicles of one kit."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_json, print_lines, print_table, say
from logan.wording import figure, number, percent

if TYPE_CHECKING:
    from logan.pipeline.crew import Crew
    from logan.pipeline.fleet import FleetFit
    from logan.results import Estimate
    from logan.units import DisplayUnits

FleetArgument = Annotated[
    str,
    typer.Argument(help="Folder or address (fsspec) with a folder for each vehicle, as `logan new` makes it."),
]
ClusterOption = Annotated[
    str | None, typer.Option("--cluster", help="Address of a Dask scheduler; local processes where left out.")
]
ProcessesOption = Annotated[
    int | None, typer.Option("--processes", min=1, help="Local processes; as many as processors where left out.")
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    fleet = typer.Typer(help="Import, fit and compare many vehicles.", no_args_is_help=True)
    app.add_typer(fleet, name="fleet")

    @fleet.command("import")
    def import_(
        fleet: FleetArgument,
        cluster: ClusterOption = None,
        processes: ProcessesOption = None,
        as_json: JsonOption = False,
    ) -> int:
        """Import every new log below each vehicle's logs/ folder; exit code 2 if any log could not be."""
        from logan.pipeline.fleet import FleetStore, import_fleet

        crew = _crew(cluster, processes)
        try:
            found = import_fleet(FleetStore(fleet), crew)
        finally:
            crew.close()
        if as_json:
            print_json(found)
        else:
            say(f"imported {found.stored} logs; {found.was_there} were there; {len(found.failed)} failed")
            if found.failed:
                rows = [(outcome.vehicle, outcome.log, outcome.problem) for outcome in found.failed]
                print_table(("vehicle", "log", "why not"), rows, left=(0, 1, 2))
        return 2 if found.failed else 0

    @fleet.command("fit")
    def fit(
        fleet: FleetArgument,
        cluster: ClusterOption = None,
        processes: ProcessesOption = None,
        units: UnitsOption = None,
        as_json: JsonOption = False,
    ) -> None:
        """Fit each vehicle to its drives, and what all of them share."""
        _fit_and_show(fleet, cluster, processes, units, as_json, None)

    @fleet.command("report")
    def report(
        fleet: FleetArgument,
        output: Annotated[Path, typer.Argument(help="CSV file to write: a line for each vehicle.")],
        cluster: ClusterOption = None,
        processes: ProcessesOption = None,
        units: UnitsOption = None,
        as_json: JsonOption = False,
    ) -> None:
        """Fit, show, and write a table of the vehicles; reduced drives are kept, so a second run is quick."""
        _fit_and_show(fleet, cluster, processes, units, as_json, output)


def _crew(cluster: str | None, processes: int | None) -> Crew:
    from logan.pipeline.crew import crew_of

    # The numerical libraries would start a thread for every processor in every process.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    return crew_of(cluster, processes)


def _fit_and_show(
    fleet: str, cluster: str | None, processes: int | None, units: str | None, as_json: bool, output: Path | None
) -> None:
    from logan.pipeline.fleet import FleetStore, check_fleet_table, fit_fleet, write_fleet_table

    if output is not None:
        check_fleet_table(output)
    crew = _crew(cluster, processes)
    try:
        found = fit_fleet(FleetStore(fleet), crew)
    finally:
        crew.close()
    if output is not None:
        write_fleet_table(found, output)
    if as_json:
        print_json(found)
        return
    _show(found, display_units(units, Path(fleet)))
    if output is not None:
        say(f"wrote {output}")


def _show(found: FleetFit, units: DisplayUnits) -> None:

    levels = {level.vehicle: level for level in found.kit.vehicles} if found.kit else {}
    rows = []
    for vehicle in found.vehicles:
        level = levels.get(vehicle.vehicle)
        rows.append(
            (
                vehicle.vehicle,
                vehicle.drive_count,
                number(vehicle.distance_m / units.metres),
                figure(vehicle.consumption, scale=units.consumption(1.0)),
                _percent(level.level) if level else "",
                "differs" if level and level.is_outside else vehicle.problem,
            )
        )
    headings = ("vehicle", "drives", units.distance, units.consumption_label, "road load vs kit", "")
    print_table(headings, rows, left=(0, 5))
    if found.kit is not None:
        shared = [
            (name, _plain(found.kit.planned[name]), _plain(estimate), estimate.unit)
            for name, estimate in found.kit.parameters.items()
        ]
        print_table(("shared by the kit", "plan", "fit", "unit"), shared, left=(0, 3))
        spread = percent(found.kit.level_spread_ratio, 1)
        print_lines(f"one vehicle strays from the kit by {spread} of road load (one standard uncertainty)")
    for outcome in found.left_out:
        print_lines(f"left out: {outcome.vehicle} drive {outcome.drive_id}: {outcome.problem}")
    print_lines(*found.notes)


def _percent(level: Estimate) -> str:
    text = f"{(level.value - 1.0) * 100.0:+.1f}"
    return f"{text} %" if level.sigma is None else f"{text} ± {level.sigma * 100.0:.1f} %"


def _plain(estimate: Estimate) -> str:
    return f"{estimate.value:.4g}" if estimate.sigma is None else f"{estimate.value:.4g} ± {estimate.sigma:.2g}"
