"""Imports that run in a process of their own, so that they can be killed."""

from __future__ import annotations

import multiprocessing
import os
import resource
import time
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from pathlib import Path

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns
from logan.frames.table import SignalTable
from tests.drive_library.small_drives import assert_same_drive, rows_of, small_drive, small_summary

SAMPLES = 4000
FULL_DISK_EXIT = 3


def context() -> multiprocessing.context.ForkServerContext:
    """Processes forked from one that has everything imported and has not started a thread."""
    forked = multiprocessing.get_context("forkserver")
    forked.set_forkserver_preload(["tests.drive_library.importers", "pyarrow.parquet"])
    return forked


def start(work: Callable[..., None], *arguments: object) -> BaseProcess:
    process = context().Process(target=work, args=arguments)
    process.start()
    return process


def frames() -> MessageColumns:
    rng = np.random.default_rng(2)
    return MessageColumns(
        time_ns=np.arange(SAMPLES, dtype=np.int64) * 10_000_000,
        length=np.full(SAMPLES, 8, np.uint8),
        payload=rng.integers(0, 256, (SAMPLES, 8)).astype(np.uint8),
    )


def import_drives(folder: Path, seeds: tuple[int, ...], logs: Path) -> None:
    """What an import does, with the log and its frames kept."""
    with DriveLibrary.open(folder, create=True) as library:
        for seed in seeds:
            log = logs / f"drive {seed}.log"
            with library.raw_aside() as raw:
                raw.append(FrameKey("can0", 0x1A0, False), frames())
                raw.end_part(SignalTable(columns=(), log_format="candump", frame_count=SAMPLES))
                library.add(small_drive(seed, SAMPLES), summary=small_summary(seed), raw=raw, keep_logs=[log])


def import_until(folder: Path, seed: int, logs: Path, steps: int) -> None:
    """Import, and lose the power at the given call that puts something on the medium.

    What was written and not put on the medium by then is lost, whatever name it has.
    """
    from logan.drive_library import durable

    left, begun_ns, on_medium = steps, time.time_ns(), set()
    real_sync, real_replace = os.fsync, Path.replace

    def tick() -> None:
        nonlocal left
        left -= 1
        if left < 0:
            for path in folder.rglob("*"):
                status = path.stat()
                if path.is_file() and status.st_mtime_ns >= begun_ns and status.st_ino not in on_medium:
                    os.truncate(path, status.st_size // 2)
            os._exit(9)

    def fsync(descriptor: int) -> None:
        tick()
        real_sync(descriptor)
        on_medium.add(os.fstat(descriptor).st_ino)

    def replace(self: Path, target: Path) -> Path:
        tick()
        return real_replace(self, target)

    durable.os.fsync, Path.replace = fsync, replace
    import_drives(folder, (seed,), logs)


def import_on_full_disk(folder: Path, seed: int, logs: Path, limit_bytes: int) -> None:
    """Import while no file may grow beyond a limit; exits with a code of its own when that was said properly."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
    try:
        import_drives(folder, (seed,), logs)
    except DriveLibraryError:
        os._exit(FULL_DISK_EXIT)


def write_logs(logs: Path, seeds: range) -> None:
    logs.mkdir(exist_ok=True)
    for seed in seeds:
        (logs / f"drive {seed}.log").write_text(f"drive {seed}")


def stored_bytes(folder: Path) -> dict[str, bytes]:
    """Every file of the library that is a measurement."""
    kinds = ("*.parquet", "raw/*", "logs/*", "notes/*")
    return {str(path.relative_to(folder)): path.read_bytes() for kind in kinds for path in folder.glob(kind)}


def assert_whole(folder: Path, before: dict[str, bytes], seed: int) -> bool:
    """What stood is untouched, and the drive is there whole or has left no trace; returns whether it is there."""
    with DriveLibrary.open(folder, create=True) as library:
        report = library.check()
        assert report.is_whole, report
        after = stored_bytes(folder)
        assert {name: after.get(name) for name in before} == before
        fresh = sorted(set(after) - set(before))
        record = library.find_by_source([small_drive(seed, 10).sources[0].sha256])
        assert [path.name for path in (folder / ".incoming").iterdir()] in ([], ["lock"])
        if record is None:
            assert fresh == []
            return False
        assert len(fresh) in (0, 3)
        assert record.summary == small_summary(seed)
        assert_same_drive(library.load(record.number), small_drive(seed, SAMPLES))
        (part,) = library.raw(record.number).parts
        assert sum(part.counts.values()) == SAMPLES
        assert library._folder.kept_logs()[record.sources[0].sha256].read_text() == f"drive {seed}"
        content = rows_of(library)
        library.rebuild()
        assert rows_of(library) == content
        return True
