"""Many vehicles: import their logs, fit each, and fit what the vehicles of a kit share."""

from collections.abc import Iterator
from functools import partial
from itertools import groupby
from pathlib import Path

from logan.drive_library.fleet_store import FleetStore as FleetStore
from logan.drive_library.tables import csv_text
from logan.errors import ConfigurationError, NotEnoughDataError, UsageError
from logan.model.kit import KitFit, fit_kit
from logan.model.parameters import PARAMETER_NAMES
from logan.model.priors import prior_of
from logan.model.unknowns import shared_prior
from logan.pipeline.crew import Crew
from logan.pipeline.export import write_text
from logan.pipeline.fleet_tasks import (
    DriveOutcome,
    LogOutcome,
    LogTask,
    VehicleFit,
    VehicleTask,
    build_of,
    fit_one,
    import_one,
    reduce_one,
)
from logan.results import Told, result, silent
from logan.settings import BuildSettings


@result("fleet-import/1")
class FleetImport:
    """What became of every log.

    Parameters
    ----------
    stored, was_there : int
        Logs imported now, and logs imported before.
    failed : tuple of LogOutcome
        Logs that could not be imported, each with its reason.
    """

    stored: int
    was_there: int
    failed: tuple[LogOutcome, ...]


@result("fleet-fit/1", eq=False)
class FleetFit:
    """Every vehicle's fit, and the one over all of them.

    Parameters
    ----------
    vehicles : tuple of VehicleFit
        By name.
    kit : KitFit or None
        What they share; None where fewer than two vehicles have drives.
    left_out : tuple of DriveOutcome
        Drives that take no part, each with its reason.
    notes : tuple of str
        What is worth knowing, such as plans that differ.
    """

    vehicles: tuple[VehicleFit, ...]
    kit: KitFit | None
    left_out: tuple[DriveOutcome, ...] = ()
    notes: tuple[str, ...] = ()


def import_fleet(store: FleetStore, crew: Crew, *, told: Told = silent) -> FleetImport:
    """Import every log of every vehicle that is not there yet; one task a log.

    Parameters
    ----------
    store : FleetStore
        Vehicles' folders, each with ``logs/``.
    crew : Crew
        Who does the work.
    told : callable, optional
        Told of each log when it is done.

    Returns
    -------
    FleetImport
        Counts, and the logs that failed; a log that fails stops no other.

    Raises
    ------
    DriveLibraryError
        If there is no vehicle, or one log kills every worker that takes it.
    """
    stored = was_there = 0
    failed = []
    for outcome in crew.run(partial(import_one, store), _log_tasks(store)):
        if outcome.problem:
            failed.append(outcome)
        elif outcome.was_there:
            was_there += 1
        else:
            stored += 1
        told(f"{outcome.vehicle}/{outcome.log}")
    return FleetImport(stored=stored, was_there=was_there, failed=tuple(failed))


def _log_tasks(store: FleetStore) -> Iterator[LogTask]:
    for vehicle in store.vehicles():
        present = store.drive_files(vehicle)
        known = frozenset(drive.id for drive in present)
        first = 1 + max((drive.number for drive in present), default=0)
        for number, log in enumerate(store.logs(vehicle), start=first):
            yield LogTask(vehicle=vehicle, log=log, number=number, known=known)


def fit_fleet(store: FleetStore, crew: Crew, *, told: Told = silent) -> FleetFit:
    """Fit every vehicle to its drives, and the kit to all vehicles.

    Drives are reduced to integrals, one task each, and kept; vehicles are fitted from
    those, one task each; what comes back from a vehicle has the same size whatever it has
    driven. Sums run in the order of names and ids, so who did the work changes nothing.

    Parameters
    ----------
    store : FleetStore
        Vehicles' folders, each with ``drives/``.
    crew : Crew
        Who does the work.
    told : callable, optional
        Told of each drive and vehicle when it is done.

    Raises
    ------
    DriveLibraryError
        If there is no vehicle, or one task kills every worker that takes it.
    NotEnoughDataError
        If no vehicle has a drive that can take part.
    """
    left_out: list[DriveOutcome] = []
    fits = tuple(crew.run(partial(fit_one, store), _vehicle_tasks(store, crew, left_out, told)))
    fitted = [vehicle for vehicle in fits if vehicle.information is not None]
    if not fitted:
        reason = next((vehicle.problem for vehicle in fits if vehicle.problem), "no drives")
        raise NotEnoughDataError(f"no vehicle can be fitted ({reason})", "Import logs with: logan fleet import")
    notes, kit = [], None
    if len(fitted) > 1:
        plan, is_kits_own = _kit_plan(store, fitted[0].vehicle)
        if not is_kits_own:
            notes.append(
                f"the kit's plan is that of {fitted[0].vehicle}; put a build.toml beside the vehicles for its own"
            )
        kit = fit_kit(shared_prior(prior_of(plan), plan), [v.information for v in fitted if v.information is not None])
        outside = [level.vehicle for level in kit.vehicles if level.is_outside]
        if outside:
            notes.append(
                f"road load differs from the kit's by more than three times its uncertainty: {', '.join(outside)}"
            )
    return FleetFit(vehicles=fits, kit=kit, left_out=tuple(left_out), notes=tuple(notes))


def _vehicle_tasks(store: FleetStore, crew: Crew, left_out: list[DriveOutcome], told: Told) -> Iterator[VehicleTask]:
    """Reduce every drive, in order, and hand a vehicle on once all of its drives are done."""
    drives = (stored for vehicle in store.vehicles() for stored in store.drive_files(vehicle))
    reduced = crew.run(partial(reduce_one, store), drives)
    for vehicle, outcomes in groupby(reduced, key=lambda outcome: outcome.vehicle):
        segments = []
        for outcome in outcomes:
            if outcome.segments:
                segments.append(outcome.segments)
            else:
                left_out.append(outcome)
            told(f"{outcome.vehicle}/{outcome.drive_id}")
        yield VehicleTask(vehicle=vehicle, segments=tuple(segments))


def _kit_plan(store: FleetStore, first: str) -> tuple[BuildSettings, bool]:
    """The kit's own plan, where the fleet's folder has one; else the first vehicle's."""
    if store.read("build.toml") is not None:
        try:
            return build_of(store, ""), True
        except ConfigurationError as error:
            raise ConfigurationError(f"the kit's plan: {error.problem}", error.remedy, error.path) from error
    return build_of(store, first), False


def check_fleet_table(path: Path) -> None:
    """Refuse a table that could not be written, before the work that it would hold is done.

    Raises
    ------
    UsageError
        If the suffix is not .csv, or there is no such folder.
    """
    if path.suffix.lower() != ".csv":
        raise UsageError(f"'{path.suffix}' is no format that can be written", "Use .csv", path)
    if not path.absolute().parent.is_dir():
        raise UsageError("there is no such folder", "Make it first, or choose another", path.absolute().parent)


def write_fleet_table(found: FleetFit, path: Path) -> Path:
    """Write a line for each vehicle as CSV that no spreadsheet runs.

    Raises
    ------
    UsageError
        As ``check_fleet_table``.
    DriveLibraryError
        If it cannot be written.
    """
    check_fleet_table(path)
    levels = {level.vehicle: level for level in found.kit.vehicles} if found.kit else {}
    rows = []
    for vehicle in found.vehicles:
        level = levels.get(vehicle.vehicle)
        median = None if vehicle.posterior is None else vehicle.posterior.median
        rows.append(
            (
                vehicle.vehicle,
                vehicle.drive_count,
                vehicle.distance_m,
                vehicle.duration_s,
                getattr(vehicle.consumption, "value", None),
                level.level.value if level else None,
                level.level.sigma if level else None,
                *([None] * len(PARAMETER_NAMES) if median is None else [float(value) for value in median]),
                vehicle.problem,
            )
        )
    headings = ("vehicle", "drives", "distance_m", "duration_s", "net_wh_per_km", "level_ratio", "level_sigma_ratio")
    write_text(path, csv_text((*headings, *PARAMETER_NAMES, "problem"), rows))
    return path
