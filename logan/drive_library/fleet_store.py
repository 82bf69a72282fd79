"""Many vehicles under one prefix: a folder, or an object store through fsspec.

Each vehicle is a build's folder: ``build.toml``, ``channels.toml``, its DBCs, ``logs/`` and
``drives/``, the same files as a single build has. An index is a local thing and is not
needed here: a drive file says everything itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from logan.drive.drive import Drive
from logan.drive_library.drive_file import read_drive, read_header
from logan.drive_library.durable import write_durably
from logan.drive_library.folder import DRIVE_NAME, StoredFile
from logan.drive_library.header import Notes, notes_from
from logan.drive_library.intake import record_from
from logan.drive_library.records import DriveRecord
from logan.errors import DriveLibraryError, MissingExtraError, UsageError, in_our_words

BUILD_FILE: Final = "build.toml"
_NOT_SETTINGS: Final = ("logs", "drives", "plans", "reports")
_MAX_SETTINGS_BYTES: Final = 64 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredDriveFile:
    """One drive of one vehicle, by name alone.

    Parameters
    ----------
    vehicle : str
        Name of the vehicle's folder.
    name : str
        Name of the drive's file.
    number : int
        The drive's number within the vehicle.
    id : str
        The drive's id.
    """

    vehicle: str
    name: str
    number: int
    id: str

    def __str__(self) -> str:
        return f"{self.vehicle}/{self.name}"


@dataclass(frozen=True, slots=True)
class FleetStore:
    """The vehicles under one prefix; travels to workers as its address alone.

    Parameters
    ----------
    url : str
        Folder, or address that fsspec knows.
    options : mapping of str to object
        For the file system; credentials come from its own environment.
    """

    url: str
    options: Mapping[str, Any] = field(default_factory=dict, hash=False)

    def connect(self) -> tuple[Any, str]:
        """File system and root.

        Raises
        ------
        MissingExtraError
            If fsspec, or what the address needs, is not installed.
        UsageError
            If the address makes no sense.
        """
        try:
            from fsspec.core import url_to_fs
        except ImportError as error:
            raise MissingExtraError("fleet", "A fleet") from error
        try:
            system, root = url_to_fs(self.url, **dict(self.options))
        except ImportError as error:
            raise UsageError(f"{self.url} needs another package ({error})", "Install what fsspec asks for") from error
        except ValueError as error:
            raise UsageError(f"{self.url} is no address of a fleet", "Give a folder or an address") from error
        return system, str(root).rstrip("/")

    @property
    def local(self) -> Path | None:
        """The folder, where the fleet lies on a disk; else None."""
        system, root = self.connect()
        protocol = system.protocol if isinstance(system.protocol, str) else system.protocol[0]
        return Path(root) if protocol in ("file", "local") else None

    def vehicles(self) -> tuple[str, ...]:
        """Names of the folders that hold a build, sorted.

        Raises
        ------
        DriveLibraryError
            If there is none.
        """
        system, root = self.connect()
        names = sorted(PurePosixPath(path).parent.name for path in system.glob(f"{root}/*/{BUILD_FILE}"))
        if not names:
            raise DriveLibraryError(
                f"no vehicle lies at {self.url}",
                f"Each vehicle is a folder with a {BUILD_FILE}; make one with: logan new",
            )
        return tuple(names)

    def logs(self, vehicle: str) -> tuple[str, ...]:
        """Paths of a vehicle's logs below its folder, sorted; hidden files are passed over."""
        system, root = self.connect()
        base = f"{root}/{vehicle}/"
        found = [str(path) for path in system.find(f"{base}logs")]
        return tuple(sorted(path[len(base) :] for path in found if not PurePosixPath(path).name.startswith(".")))

    def drive_files(self, vehicle: str) -> tuple[StoredDriveFile, ...]:
        """A vehicle's drives by id; one that is there twice counts once."""
        system, root = self.connect()
        by_id: dict[str, StoredDriveFile] = {}
        for path in sorted(system.glob(f"{root}/{vehicle}/drives/*.parquet")):
            name = PurePosixPath(path).name
            if match := DRIVE_NAME.match(name):
                stored = StoredDriveFile(vehicle=vehicle, name=name, number=int(match["number"]), id=match["id"])
                by_id.setdefault(stored.id, stored)
        return tuple(by_id[drive_id] for drive_id in sorted(by_id))

    def read_drive(self, stored: StoredDriveFile) -> Drive:
        """A drive with the conditions last noted for it.

        Raises
        ------
        DriveLibraryError
            If the file is damaged.
        """
        system, root = self.connect()
        with system.open(f"{root}/{stored.vehicle}/drives/{stored.name}", "rb") as stream:
            drive = read_drive(stream)
        notes = self.read_notes(stored)
        return drive if notes.conditions is None else replace(drive, conditions=notes.conditions)

    def read_record(self, stored: StoredDriveFile) -> DriveRecord:
        """A drive's record, from its header and notes; a damaged one says so."""
        system, root = self.connect()
        path = f"{root}/{stored.vehicle}/drives/{stored.name}"
        size_bytes = int(system.size(path) or 0)
        entry = StoredFile(stored.number, stored.id, Path(stored.name), size_bytes, "")
        with system.open(path, "rb") as stream:
            return record_from(
                entry, header=lambda: read_header(stream), notes=lambda: self.read_notes(stored), has_raw=False
            )

    def read_notes(self, stored: StoredDriveFile) -> Notes:
        """Notes of a drive; empty where there are none."""
        content = self.read(f"{stored.vehicle}/drives/notes/{stored.id}.json")
        return Notes() if content is None else notes_from(content, Path(stored.name))

    def read(self, path: str) -> bytes | None:
        """Bytes of a file below the root; None where there is none."""
        system, root = self.connect()
        try:
            content: bytes = system.cat_file(f"{root}/{path}")
        except (FileNotFoundError, NotADirectoryError):
            return None
        return content

    def write(self, path: str, content: bytes) -> None:
        """Put a file below the root in one step.

        Raises
        ------
        DriveLibraryError
            If it cannot be written.
        """
        system, root = self.connect()
        target = f"{root}/{path}"
        with in_our_words(DriveLibraryError, f"{path} cannot be written ({{}})", "Make room, or check the permissions"):
            if self.local is not None:
                Path(target).parent.mkdir(parents=True, exist_ok=True)
                write_durably(Path(target), content)
            else:
                system.pipe_file(target, content)

    def fetch_settings(self, vehicle: str, target: Path) -> None:
        """Copy a vehicle's settings and DBCs into a folder: everything but logs and what logan made."""
        system, root = self.connect()
        base, total = f"{root}/{vehicle}/", 0
        for path in system.find(base):
            relative = PurePosixPath(str(path)[len(base) :])
            if relative.parts[0] in _NOT_SETTINGS or ".." in relative.parts:
                continue
            content: bytes = system.cat_file(path)
            total += len(content)
            if total > _MAX_SETTINGS_BYTES:
                raise DriveLibraryError("the settings of a vehicle are too large", "Keep logs in logs/", None)
            place = target.joinpath(*relative.parts)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)

    def fetch_log(self, vehicle: str, log: str, target: Path) -> Path:
        """Copy one log into a folder, under its own name."""
        system, root = self.connect()
        place = target / PurePosixPath(log).name
        system.get_file(f"{root}/{vehicle}/{log}", str(place))
        return place
