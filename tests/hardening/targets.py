"""What takes bytes from strangers, each as a function that gives a result or raises a ``LoganError``.

``TARGETS`` is shared by the property test, which tries a few hundred damaged inputs of each in every run of the
suite, and by ``tests.hardening.fuzz``, which tries a hundred thousand.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import gzip
import io
import json
import shutil
import signal
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import zstandard

from logan.dbc.loading import compile_dbc
from logan.drive_cycles.route import load_route
from logan.drive_library.drive_file import read_drive, read_header, verify_drive_file, write_drive_file
from logan.drive_library.header import Notes, notes_from, write_notes
from logan.drive_library.raw_file import RawFile
from logan.drive_library.repository import DriveLibrary
from logan.errors import LoganError, UsageError
from logan.frames.table import FrameTable, SignalTable
from logan.logs import mf4
from logan.logs.log_format import LogFormat, ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.logs.registry import LOG_FORMATS, format_named
from logan.logs.text_lines import LATEST_NS, MAX_EXTENDED_ID, MAX_STANDARD_ID
from logan.pipeline.builds import BuildFolder
from logan.pipeline.plan_files import _seal_of, freeze_plan, load_plan
from logan.results import json_ready
from tests.drive_library.small_drives import small_drive, small_summary
from tests.hardening.page_target import ask_page, page_requests

ROOT = Path(__file__).resolve().parents[2]
FIXTURES = ROOT / "fixtures"
CORPUS = Path(__file__).with_name("corpus")
"""Inputs that once made something fall, by target."""

SCRATCH = Path(tempfile.mkdtemp(prefix="logan-hardening-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
atexit.register(shutil.rmtree, SCRATCH, ignore_errors=True)
MOST_FRAMES_PER_BYTE = 1.0
"""No format says a frame in less than a byte, unless it is packed."""


@dataclass(frozen=True)
class Target:
    """One entrance for bytes from strangers.

    ``run`` returns a result that it checked itself or raises a ``LoganError``; anything else is a fault.
    """

    name: str
    seeds: Callable[[], list[bytes]]
    run: Callable[[bytes], object]


def check_frames(table: FrameTable) -> None:
    """What no bus can carry is not handed on, whatever the file says."""
    count = len(table)
    columns = (table.can_id, table.is_extended, table.is_fd, table.is_remote, table.is_error, table.bus, table.length)
    assert all(column.shape == (count,) for column in columns)
    if not count:
        return
    largest = np.where(table.is_extended, MAX_EXTENDED_ID, MAX_STANDARD_ID)
    assert (table.is_error | (table.can_id <= largest)).all(), "an identifier that cannot be"
    assert int(table.bus.max()) < len(table.buses)
    assert int(table.length.max()) <= table.payload.shape[1]
    behind = np.arange(table.payload.shape[1]) >= table.length[:, np.newaxis]
    assert not table.payload[behind].any(), "bytes past the length"
    assert int(np.abs(table.time_ns).max()) <= LATEST_NS + 10**17, "a time that no date has"


def check_signals(table: SignalTable) -> None:
    for column in table:
        assert len(column.time_ns) == len(column.value)


def read_log(
    path: Path, log_format: LogFormat, chunk_bytes: int, take: Callable[[FrameTable], object] = len
) -> ReadReport:
    """Read a log to its end, checking and handing on each block of frames."""
    report = ReadReport(path)
    options = ReadOptions(threads=1, is_hashed=False)
    for block in read_blocks(path, log_format, options, report, _same, chunk_bytes=chunk_bytes):
        if isinstance(block, SignalTable):
            check_signals(block)
        else:
            check_frames(block)
            take(block)
    return report


def _same(table: FrameTable) -> FrameTable:
    return table


def _read(name: str, content: bytes) -> object:
    path = SCRATCH / "log"
    path.write_bytes(content)
    if not content or content[-1] % 8 == 0:
        with contextlib.suppress(LoganError):
            recognise(path)
    # Small chunks, so that their ends fall anywhere; what the file says picks the size, so that a case can be repeated.
    report = read_log(path, format_named(name), 64 + sum(content[:8]))
    assert report.frame_count <= MOST_FRAMES_PER_BYTE * max(len(content), 1) or content[:2] in (
        b"\x1f\x8b",
        b"PK",
        b"\x28\xb5",
    )
    return report


@functools.cache
def _mf4_reader() -> list[mf4.Reader]:
    """The process that reads, which unlike the user's goes on after a damaged file: else a case took a second."""
    return [_new_mf4_reader()]


def _new_mf4_reader() -> mf4.Reader:
    signal.setitimer(signal.ITIMER_REAL, 0.0)  # its start is no part of the case before
    reader = mf4.Reader()
    reader.ask()
    reader.patience_s = 2.0
    return reader


def _mf4(content: bytes) -> object:
    """Whatever asammdf does, in a process that may die of it; frames must be possible, and nothing is left behind."""
    path = SCRATCH / "log.mf4"
    path.write_bytes(content)
    (reader,) = readers = _mf4_reader()
    part = reader.ask(str(path))
    while isinstance(part, FrameTable):
        check_frames(part)
        part = reader.ask()
    if part is None:
        if reader.ask() is None:
            reader.end()
            readers[:] = [_new_mf4_reader()]
        raise UsageError("the process that read it came to nothing", "")
    return part


def _log_seeds(name: str) -> list[bytes]:
    if name == "gpx":
        return _track_seeds()
    return [path.read_bytes() for path in _files("drive_table" if name == "table" else name.replace("-", "_"))]


def _track_seeds() -> list[bytes]:
    """Some points of each track: the others say the same."""
    tracks = [path.read_bytes() for path in _files("gpx")]
    return [b"</trkpt>".join([*track.split(b"</trkpt>")[0:-1:6], track.split(b"</trkpt>")[-1]]) for track in tracks]


def _files(folder: str) -> list[Path]:
    place = FIXTURES / "logs" / folder
    return sorted(place.iterdir()) if place.is_dir() else []


def _packed_seeds() -> list[bytes]:
    text = (FIXTURES / "logs" / "candump" / "seven_frames.log").read_bytes() * 3
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("drive.log", text)
    return [gzip.compress(text), zstandard.compress(text), archive.getvalue()]


def _dbc_seeds() -> list[bytes]:
    return [path.read_bytes() for path in sorted([*(FIXTURES / "dbc").iterdir(), *(ROOT / "dbc_user").glob("*.dbc")])]


@functools.cache
def _build() -> BuildFolder:
    from logan.demo.conversion import write_build

    (SCRATCH / "build").mkdir(exist_ok=True)
    write_build(SCRATCH / "build")
    return BuildFolder(SCRATCH / "build")


def _templates(name: str) -> list[bytes]:
    from logan.configuration.problems import template

    return [template(name).encode()]


def _settings(content: bytes) -> object:
    folder = _build()
    folder.settings_file.write_bytes(content)
    return folder.settings()


def _channel_map(content: bytes) -> object:
    folder = _build()
    folder.channels_file.write_bytes(content)
    return folder.channel_map()


def _measurements(content: bytes) -> object:
    folder = _build()
    folder.measurements_file.write_bytes(content)
    return folder.measurements()


def _notes_seeds() -> list[bytes]:
    path = SCRATCH / "notes.json"
    write_notes(path, Notes(conditions=small_drive().conditions, summary=small_summary()), SCRATCH)
    return [path.read_bytes()]


def _notes(content: bytes) -> object:
    notes = notes_from(content)
    json.dumps(json_ready(notes), allow_nan=False)
    return notes


def _plan_seeds() -> list[bytes]:
    """A plan with two of everything that it lists: of twenty, the others say the same and cost a case its time."""
    from logan.pipeline.plan import make_plan

    folder = _fresh_build()
    path = freeze_plan(make_plan(folder.settings(), np.random.default_rng(1)), folder.path)
    plan = _two_of_each(json.loads(path.read_text())["plan"])
    return [json.dumps({"sha256": _seal_of(plan), "plan": plan}, ensure_ascii=False).encode()]


def _two_of_each(said: object) -> object:
    if isinstance(said, list):
        rows = all(isinstance(one, dict) for one in said)
        return [_two_of_each(one) for one in said[: 2 if rows else None]]
    return {key: _two_of_each(one) for key, one in said.items()} if isinstance(said, dict) else said


def _fresh_build() -> BuildFolder:
    from logan.demo.conversion import write_build

    place = Path(tempfile.mkdtemp(dir=SCRATCH))
    write_build(place)
    return BuildFolder(place)


def _sealed_plan(content: bytes) -> object:
    """The plan within a file, damaged and sealed anew: what its hash would otherwise keep out."""
    try:
        plan = json.loads(content)["plan"]
        said = {"sha256": _seal_of(plan), "plan": plan}
    except (ValueError, KeyError, TypeError, RecursionError):
        return _plan(content)
    return _plan(json.dumps(said, ensure_ascii=False).encode("utf-8", "surrogatepass"))


def _plan(content: bytes) -> object:
    path = SCRATCH / "plan.json"
    path.write_bytes(content)
    return load_plan(path)


def _drive_seeds() -> list[bytes]:
    path = SCRATCH / "seed.parquet"
    write_drive_file(path, small_drive(samples=20), drive_id="0" * 16, summary=small_summary())
    return [path.read_bytes(), (FIXTURES / "drives" / "library_v1.parquet").read_bytes()]


def _drive_file(content: bytes) -> object:
    path = SCRATCH / "drive.parquet"
    path.write_bytes(content)
    with contextlib.suppress(LoganError):
        read_header(path)
    with contextlib.suppress(LoganError):
        read_drive(path)
    return verify_drive_file(path)


@functools.cache
def _library() -> Path:
    """A library with a drive, its frames and its notes, to damage copies of."""
    from logan.demo.conversion import TRUTH, write_build
    from logan.demo.messages import candump_lines
    from logan.demo.routes import mixed_route
    from logan.demo.twin import drive_twin
    from logan.pipeline.importing import import_logs

    root = Path(tempfile.mkdtemp(dir=SCRATCH))
    write_build(root)
    rng = np.random.default_rng(3)
    drive = drive_twin(TRUTH, mixed_route(rng, duration_s=60.0), rng=rng)
    log = root / "drive.log"
    log.write_text("\n".join(candump_lines(drive.measured, 1_700_000_000.0)) + "\n", encoding="ascii")
    folder = BuildFolder(root)
    import_logs(folder, [log])
    return folder.library


def _raw_seeds() -> list[bytes]:
    from logan.drive_library.raw_file import RawFileWriter
    from logan.frames.raw_columns import RawColumnsBuilder
    from logan.pipeline.logs_reader import LogsReader, Reading

    path = SCRATCH / "seed.frames"
    path.unlink(missing_ok=True)
    with RawFileWriter(path) as writer:
        builder = RawColumnsBuilder(lambda _: True, writer.append, 4)
        reader = LogsReader([FIXTURES / "logs" / "candump" / "seven_frames.log"], Reading(threads=1))
        list(reader.read(builder))
        writer.end_part(SignalTable(columns=(), log_format="candump"))
        writer.finish()
    return [path.read_bytes()]


def _raw_file(content: bytes) -> object:
    path = SCRATCH / "drive.frames"
    path.write_bytes(content)
    raw = RawFile(path)
    for part in raw.parts:
        for key in part.counts:
            for columns in part.blocks(key):
                assert len(columns.time_ns) == len(columns)
    raw.verify()
    return raw


def _library_file(name: str) -> Callable[[bytes], object]:
    """A library one of whose small files holds the content: it opens with its drive, or says what is wrong."""

    def run(content: bytes) -> object:
        place = SCRATCH / f"library of {name}"
        if not place.is_dir():
            shutil.copytree(_library(), place)
        (place / name).write_bytes(content)
        with DriveLibrary.open(place) as library:
            records = library.drives()
            assert len(records) == 1 or content.startswith(b"SQLite"), "the drive is gone"
            if not content or content[-1] % 8 == 0:
                library.load(1)
                json_ready(records)
            return records

    return run


def _route(content: bytes) -> object:
    path = SCRATCH / "route.gpx"
    path.write_bytes(content)
    return load_route(path)


TARGETS = {
    target.name: target
    for target in (
        *(
            Target(
                log_format.name,
                functools.partial(_log_seeds, log_format.name),
                _mf4 if log_format is mf4.FORMAT else functools.partial(_read, log_format.name),
            )
            for log_format in LOG_FORMATS
        ),
        Target("packed log", _packed_seeds, functools.partial(_read, "candump")),
        Target("dbc", _dbc_seeds, lambda content: compile_dbc(content, Path("drive.dbc"))),
        Target("settings", lambda: _templates("build.toml"), _settings),
        Target("channel map", lambda: _templates("channels.toml"), _channel_map),
        Target("measurements", lambda: _templates("measurements.toml"), _measurements),
        Target("notes", _notes_seeds, _notes),
        Target("plan", _plan_seeds, _plan),
        Target("plan sealed anew", _plan_seeds, _sealed_plan),
        Target("route", _track_seeds, _route),
        Target("drive file", _drive_seeds, _drive_file),
        Target("frames file", _raw_seeds, _raw_file),
        Target("library mark", lambda: [(_library() / "library.json").read_bytes()], _library_file("library.json")),
        Target("index", lambda: [(_library() / "index.sqlite").read_bytes()], _library_file("index.sqlite")),
        Target("cache", lambda: [(_library() / "cache.sqlite").read_bytes()], _library_file("cache.sqlite")),
        Target("page", page_requests, ask_page),
    )
}
