"""What a worker does for a fleet: import one log, reduce one drive, fit one vehicle.

Each task is a function of one small, picklable item and leaves its result in the store or
hands back a few hundred numbers, so that neither worker nor scheduler grows with the fleet.
Done twice, a task does no harm: that is what makes a retry safe.
"""

import hashlib
import json
import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

from logan.admission.admit import trimmed
from logan.drive.mask import apply_corrections
from logan.drive_library.fleet_store import FleetStore, StoredDriveFile
from logan.drive_library.folder import drive_file_name, drive_id_of
from logan.errors import ConfigurationError, LoganError, NotEnoughDataError
from logan.instruments.posterior import known_instruments
from logan.model.estimator import fit
from logan.model.kit import VehicleInformation, vehicle_information
from logan.model.measurement import Measurement
from logan.model.parameters import ParameterDistribution
from logan.model.priors import prior_of
from logan.model.segments_table import DriveSegments
from logan.model.sensor_errors import with_sensor_errors
from logan.model.unknowns import shared_prior
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import ImportOptions, import_logs
from logan.pipeline.stored import admitted_segments, segments_fingerprint
from logan.results import Estimate, Figure, Refusal, json_ready, result
from logan.settings import BuildSettings

_OPTIONS: Final = ImportOptions(threads=1, keeps_raw=False)
"""A fleet's parallelism is over logs, not within one."""

NO_DRIVE: Final = Refusal("no drive took part")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogTask:
    """One log to import.

    Parameters
    ----------
    vehicle, log : str
        Name of the vehicle, and path of the log below its folder.
    number : int
        Number that the drive gets in an object store, where nothing can be locked.
    known : frozenset of str
        Ids of the vehicle's drives when the import began.
    """

    vehicle: str
    log: str
    number: int
    known: frozenset[str] = frozenset()

    def __str__(self) -> str:
        return f"{self.vehicle}/{self.log}"


@result("fleet-log/1")
class LogOutcome:
    """What became of one log.

    Parameters
    ----------
    vehicle, log : str
        Which.
    drive_id : str
        The drive; empty where the log could not be imported.
    was_there : bool
        It had been imported before.
    problem : str
        Why it could not be imported; empty where it was.
    """

    vehicle: str
    log: str
    drive_id: str = ""
    was_there: bool = False
    problem: str = ""


@result("fleet-drive/1")
class DriveOutcome:
    """Where a drive's part in the fit lies, or why it takes no part.

    Parameters
    ----------
    vehicle, drive_id : str
        Which.
    segments : str
        Path below the store's root; empty where the drive takes no part.
    problem : str
        Why it takes no part.
    """

    vehicle: str
    drive_id: str
    segments: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleTask:
    """One vehicle to fit, from the reduced drives in the store, in the order of their ids."""

    vehicle: str
    segments: tuple[str, ...]

    def __str__(self) -> str:
        return self.vehicle


@result("vehicle-fit/1", eq=False)
class VehicleFit:
    """One vehicle's fit, small whatever it has driven.

    Parameters
    ----------
    vehicle, build : str
        Name of its folder, and of the build.
    drive_count, segment_count : int
        That took part.
    distance_m, duration_s : float
        Of those drives. [m, s]
    consumption : Estimate or Refusal
        Measured net energy over distance of all of them. [Wh/km]
    posterior, prior : ParameterDistribution or None
        After and before; None where the settings cannot be read.
    information : VehicleInformation or None
        For the fit over all vehicles; None where no drive took part.
    problem : str
        Why there is no fit; empty where there is one.
    """

    vehicle: str
    build: str = ""
    drive_count: int = 0
    segment_count: int = 0
    distance_m: float = 0.0
    duration_s: float = 0.0
    consumption: Figure = NO_DRIVE
    posterior: ParameterDistribution | None = None
    prior: ParameterDistribution | None = None
    information: VehicleInformation | None = None
    problem: str = ""


def import_one(store: FleetStore, task: LogTask) -> LogOutcome:
    """Import one log into its vehicle's library."""
    outcome = LogOutcome(vehicle=task.vehicle, log=task.log)
    try:
        local = store.local
        if local is not None:
            folder = BuildFolder(local / task.vehicle)
            (imported,) = import_logs(folder, [folder.path / task.log], options=_OPTIONS)
            return replace(outcome, drive_id=imported.record.id, was_there=imported.was_there)
        return _import_remotely(store, task, outcome)
    except (LoganError, OSError) as error:
        return replace(outcome, problem=str(error))


def _import_remotely(store: FleetStore, task: LogTask, outcome: LogOutcome) -> LogOutcome:
    """Import in a folder of the worker's own, then put the finished drive into the store in one step."""
    with tempfile.TemporaryDirectory(prefix="logan-fleet-") as name:
        place = Path(name)
        log = store.fetch_log(task.vehicle, task.log, place)
        with log.open("rb") as stream:
            drive_id = drive_id_of([hashlib.file_digest(stream, "sha256").hexdigest()])
        if drive_id in task.known:
            return replace(outcome, drive_id=drive_id, was_there=True)
        folder = BuildFolder(place / "build")
        store.fetch_settings(task.vehicle, folder.path)
        (imported,) = import_logs(folder, [log], options=_OPTIONS)
        record = imported.record
        below = f"{task.vehicle}/drives"
        content = (folder.library / drive_file_name(record.number, record.id)).read_bytes()
        store.write(f"{below}/{drive_file_name(task.number, record.id)}", content)
        return replace(outcome, drive_id=record.id)


def reduce_one(store: FleetStore, stored: StoredDriveFile) -> DriveOutcome:
    """Reduce one drive to its segments and keep them in the store, unless they lie there already."""
    outcome = DriveOutcome(vehicle=stored.vehicle, drive_id=stored.id)
    try:
        record = store.read_record(stored)
        if record.damage:
            return replace(outcome, problem=record.damage)
        if record.is_excluded:
            return replace(outcome, problem=f"left out: {record.conditions.excluded_because}")
        build = build_of(store, stored.vehicle)
        path = f"{stored.vehicle}/drives/segments/{stored.id}-{segments_fingerprint(build, record)}.json"
        if store.read(path) is None:
            drive = trimmed(apply_corrections(store.read_drive(stored)))
            segments = admitted_segments(drive, record, build, drive_id=stored.id)
            store.write(path, _packed(segments))
        return replace(outcome, segments=path)
    except LoganError as error:
        return replace(outcome, problem=str(error))


def fit_one(store: FleetStore, task: VehicleTask) -> VehicleFit:
    """Fit one vehicle from its reduced drives."""
    try:
        build, measurements = _settings_in(store, task.vehicle)
        drives = [_unpacked(store, path) for path in task.segments]
    except (LoganError, ValueError) as error:
        return VehicleFit(vehicle=task.vehicle, problem=str(error))
    usable = [drive for drive in drives if not drive.refusal]
    prior = prior_of(build)
    if not usable:
        problem = drives[0].refusal if drives else "no drive took part"
        return VehicleFit(vehicle=task.vehicle, build=build.name, prior=prior, problem=problem)
    result = fit(prior, usable, measurements, build)
    mass = build.vehicle.mass_kg
    distance_m = sum(drive.distance_m for drive in usable)
    net_wh = sum(drive.measured_j for drive in usable) / 3600.0
    return VehicleFit(
        vehicle=task.vehicle,
        build=build.name,
        drive_count=len(usable),
        segment_count=result.segment_count,
        distance_m=distance_m,
        duration_s=sum(drive.duration_s for drive in usable),
        consumption=Estimate(net_wh / distance_m * 1000.0, "Wh/km", None, "measured"),
        posterior=with_sensor_errors(result, known_instruments(build), build).posterior,
        prior=prior,
        information=vehicle_information(
            task.vehicle, result.information, shared_prior(prior, build), mass.sigma / mass.value
        ),
    )


def build_of(store: FleetStore, vehicle: str) -> BuildSettings:
    """Settings of one vehicle, or of the kit where ``vehicle`` is empty and the fleet has any.

    Raises
    ------
    ConfigurationError
        With every problem found.
    """
    return _settings_in(store, vehicle)[0]


def _settings_in(store: FleetStore, vehicle: str) -> tuple[BuildSettings, tuple[Measurement, ...]]:
    """A vehicle's settings and measurements."""
    below = f"{vehicle}/" if vehicle else ""
    content = store.read(f"{below}build.toml")
    if content is None:
        raise ConfigurationError(f"'{vehicle or 'the fleet'}' has no build.toml", "Put the vehicle's settings there")
    return _settings_of(store, vehicle, content, store.read(f"{below}measurements.toml") if vehicle else None)


@lru_cache(maxsize=16)
def _settings_of(
    store: FleetStore, vehicle: str, content: bytes, measured: bytes | None
) -> tuple[BuildSettings, tuple[Measurement, ...]]:
    """Settings as they are written now; a worker that takes a vehicle's drives one by one reads them once."""
    local = store.local
    if local is not None:
        folder = BuildFolder(local / vehicle)
        return folder.settings(), folder.measurements()
    with tempfile.TemporaryDirectory(prefix="logan-fleet-") as name:
        if vehicle:
            store.fetch_settings(vehicle, Path(name))
        else:
            (Path(name) / "build.toml").write_bytes(content)
        folder = BuildFolder(Path(name))
        return folder.settings(), folder.measurements()


def _packed(segments: DriveSegments) -> bytes:
    return json.dumps(json_ready(segments), separators=(",", ":")).encode()


def _unpacked(store: FleetStore, path: str) -> DriveSegments:
    content = store.read(path)
    if content is None:
        raise NotEnoughDataError(f"{path} is gone", "Run the fit again")
    return DriveSegments.from_dict(json.loads(content))
