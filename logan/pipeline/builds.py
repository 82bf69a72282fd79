"""A build's folder: where its settings, channels and plans are; and its drive library as the faces use it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache, partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.drive_library.bin import (
    bring_back as bring_back,
    empty_bin as empty_bin,
    in_bin,
    put_into_bin as put_into_bin,
)
from logan.drive_library.durable import write_durably
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import EVERY_DRIVE, UP_TO_DATE, DriveLibrary
from logan.errors import ConfigurationError, in_our_words
from logan.pipeline.notes import conditions_version
from logan.results import Told, silent
from logan.version import science_edition

if TYPE_CHECKING:
    from logan.drive_library.records import CheckReport, DriveRecord
    from logan.model.measurement import Measurement
    from logan.settings import BuildSettings, ChannelMap
    from logan.units import DisplayUnits

BUILD_FILE = "build.toml"
CHANNELS_FILE = "channels.toml"
MEASUREMENTS_FILE = "measurements.toml"


@dataclass(frozen=True, slots=True)
class BuildFolder:
    """The places of one build.

    Parameters
    ----------
    path : Path
        The folder that holds ``build.toml``.
    """

    path: Path

    @property
    def settings_file(self) -> Path:
        """``build.toml``."""
        return self.path / BUILD_FILE

    @property
    def channels_file(self) -> Path:
        """``channels.toml``."""
        return self.path / CHANNELS_FILE

    @property
    def measurements_file(self) -> Path:
        """``measurements.toml``; may be missing."""
        return self.path / MEASUREMENTS_FILE

    @property
    def library(self) -> Path:
        """Folder of the drive library."""
        return self.path / "drives"

    @property
    def plans(self) -> Path:
        """Folder of the frozen plans."""
        return self.path / "plans"

    @property
    def reports(self) -> Path:
        """Folder of the reports."""
        return self.path / "reports"

    def settings(self) -> BuildSettings:
        """Read and check ``build.toml``, and what was compared with the sensors in ``measurements.toml``.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.build import read_build

        build = read_build(self.settings_file)
        if not self.measurements_file.is_file():
            return build
        from logan.configuration.measurements import read_readings

        return replace(build, instruments=replace(build.instruments, readings=read_readings(self.measurements_file)))

    def certificate(self) -> Mapping[str, str]:
        """What the builder entered for the certificate, word by word.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.build import certificate_entries

        return certificate_entries(self.settings_file)

    def channel_map(self) -> ChannelMap:
        """Read and check ``channels.toml``.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.channel_map import read_channel_map

        return read_channel_map(self.channels_file)

    def measurements(self) -> tuple[Measurement, ...]:
        """Read and check ``measurements.toml``, beside the certified B of the build; nothing without such a file.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.measurements import read_measurements
        from logan.model.plan import plan_of

        measured = read_measurements(self.measurements_file)
        linear = plan_of(self.settings()).linear_n_s_per_m if measured else 0.0
        return tuple(replace(one, linear_n_s_per_m=linear) for one in measured)


def find_build(path: Path) -> BuildFolder:
    """Find the build at a folder, or at the nearest folder above it.

    Raises
    ------
    ConfigurationError
        If there is none.
    """
    start = path.resolve()
    for folder in (start, *start.parents):
        if (folder / BUILD_FILE).is_file():
            return BuildFolder(folder)
    raise ConfigurationError("there is no build here or above", "Make one with: logan new FOLDER", path)


def shown_units(path: Path) -> DisplayUnits:
    """Units that a build is shown in; the default where there is no readable build."""
    from logan.configuration.problems import display_units_of
    from logan.units import DisplayUnits

    try:
        return display_units_of(find_build(path).settings_file)
    except ConfigurationError:
        return DisplayUnits()


def new_build(folder: Path, units: DisplayUnits | None = None) -> tuple[Path, ...]:
    """Make the folder of a new build from the templates; nothing that stands is overwritten.

    Parameters
    ----------
    folder : Path
        Folder to make.
    units : DisplayUnits, optional
        What the settings are written in, and everything is shown in; the US system where left out.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    ConfigurationError
        If a build stands there already, or the folder cannot be written.
    """
    build = BuildFolder(folder)
    if any(file.exists() for file in (build.settings_file, build.channels_file, build.measurements_file)):
        raise ConfigurationError("a build stands here already", "Choose another folder, or edit that one", folder)
    from logan.configuration.problems import template

    with in_our_words(ConfigurationError, "cannot write there: {}", "Choose another folder", folder):
        folder.mkdir(parents=True, exist_ok=True)
        for target in (build.channels_file, build.measurements_file):
            with target.open("x", encoding="utf-8") as stream:
                stream.write(template(target.name, units))
        # Last and whole: with it the folder is a build, which others may read at once.
        text = template(BUILD_FILE, units)
        if (name := folder.resolve().name).isprintable():  # else it is none to print on a sheet
            text = text.replace('"My conversion"', json.dumps(name, ensure_ascii=False), 1)
        write_durably(build.settings_file, text.encode())
    return build.settings_file, build.channels_file, build.measurements_file


def dbcs_near(path: Path) -> tuple[tuple[Path, ...], Mapping[str, tuple[Path, ...]]]:
    """DBCs of the build at or above a folder; none where there is no readable build."""
    try:
        build = find_build(path).settings()
    except ConfigurationError:
        return (), {}
    return build.dbc_paths, build.dbc_by_bus


def library_folder(path: Path) -> Path:
    """Folder of the library at, in or above a path."""
    if (path / "library.json").is_file() or any(path.glob("[0-9]*-*.parquet")):
        return path
    if (path / "drives").is_dir():
        return path / "drives"
    return find_build(path).library


def open_library(path: Path, *, create: bool = False) -> DriveLibrary:
    """Open the library of a build, given its folder or the library's own.

    Raises
    ------
    DriveLibraryError
        If there is none and ``create`` is False.
    ConfigurationError
        If there is no build either.
    """
    return DriveLibrary.open(library_folder(path), create=create)


def bring_up_to_date(library: DriveLibrary, folder: BuildFolder, *, told: Told = silent) -> tuple[int, ...]:
    """Analyse again the drives whose figures rest on other settings than the build's, and no others.

    Where neither ``build.toml`` nor a drive changed since it was last asked, that is seen at once.

    Parameters
    ----------
    library : DriveLibrary
        The build's drives.
    folder : BuildFolder
        The build.
    told : callable, optional
        Told which drive is analysed.

    Returns
    -------
    tuple of int
        Numbers of the drives that were analysed; none where the library cannot be written.

    Raises
    ------
    ConfigurationError
        With every problem of the settings.
    """
    stamp = settings_stamp(folder)
    if not library.is_writable or _is_current(library, stamp):
        return ()
    from logan.pipeline.stored import analyse_stored

    build = folder.settings()
    stale = _stale_drives(library, build)
    for record in stale:
        told(f"analysing drive {record.number} with the settings as they are now")
        analyse_stored(library, record, build)
    library.set_analysis(EVERY_DRIVE, UP_TO_DATE, stamp, True)
    return tuple(record.number for record in stale)


def stale_drives(library: DriveLibrary, folder: BuildFolder) -> tuple[DriveRecord, ...]:
    """Drives whose figures rest on other settings than the build's.

    Raises
    ------
    ConfigurationError
        With every problem of the settings.
    """
    return () if _is_current(library, settings_stamp(folder)) else _stale_drives(library, folder.settings())


def _is_current(library: DriveLibrary, stamp: str) -> bool:
    """Whether it can be seen at once that no figure rests on other settings."""
    return bool(stamp and library.analysis(EVERY_DRIVE, UP_TO_DATE, stamp)) or not library.drive_count


def _stale_drives(library: DriveLibrary, build: BuildSettings) -> tuple[DriveRecord, ...]:
    from logan.pipeline.stored import analysis_fingerprint, calibrated

    build = calibrated(library, build)
    # Once for equal conditions: naming all settings takes milliseconds, and most drives have none noted.
    fingerprint_of = cache(partial(analysis_fingerprint, build))
    return tuple(
        record
        for record in library.drives()
        if not record.damage and record.summary.fingerprint != fingerprint_of(record.conditions)
    )


def settings_stamp(folder: BuildFolder) -> str:
    """Hash of the settings as they are written; empty where they cannot be read."""
    try:
        content = folder.settings_file.read_bytes()
        if folder.measurements_file.is_file():
            content += folder.measurements_file.read_bytes()
    except OSError:
        return ""
    return sha256(science_edition().encode() + content).hexdigest()


def drives_kept_raw(folder: BuildFolder) -> int:
    """How many stored drives can be decoded again without their logs."""
    if not folder.library.is_dir():
        return 0
    with DriveLibrary.open(folder.library) as library:
        return sum(record.has_raw for record in library.drives())


def check_library(path: Path) -> CheckReport:
    """Read every file of a library from end to end, and look for drives that it holds twice."""
    from logan.pipeline.importing import repeats_in

    with open_library(path) as library:
        return replace(library.check(), repeats=repeats_in(library))


def rebuild_library(path: Path) -> int:
    """Make the index again from the files; returns the number of drives."""
    with open_library(path) as library:
        return library.rebuild()


def remove_drive(path: Path, drive: str) -> DriveRecord:
    """Take a drive out for good; returns what it was."""
    with open_library(path) as library:
        record = library.record(drive)
        library.remove(record.number)
        return record


_METRICS: Final = ("net_wh_per_km", "peak_current_a", "least_red_margin_k", "limit_events")


def drive_list(library: DriveLibrary, *, most: int = -1) -> dict[str, Any]:
    """Every drive (or the first ``most``) in a row, without opening a drive file; how many there are; the bin."""
    rows = [drive_row(record) for record in library.drives(most=most)]
    return {"schema": "drive-list/1", "rows": rows, "count": library.drive_count, "bin": in_bin(library)}


def drive_row(record: DriveRecord) -> dict[str, Any]:
    """One drive in a list, as last worked out: SI, None where it is not known; and the version of its notes."""
    summary, conditions = record.summary, record.conditions
    own = {name: getattr(record, name) for name in ("number", "start_ns", "damage", "is_excluded")}
    told = ("tags", "note", "change", "excluded_because", "included_because")
    noted = {name: getattr(conditions, name) for name in told}
    return {
        **own,
        **noted,
        **{name: summary.value(name) for name in _METRICS},
        "sigma_wh_per_km": getattr(summary.metrics.get("net_wh_per_km"), "sigma", None),
        "duration_s": summary.duration_s or record.duration_s,
        "distance_m": summary.distance_m,
        "grade": summary.grade,
        "red": summary.flag_counts.get("red", 0),
        "amber": summary.flag_counts.get("amber", 0),
        "fit": record.part_in_fit,
        "version": conditions_version(conditions),
    }
