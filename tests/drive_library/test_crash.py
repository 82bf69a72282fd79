"""Whatever ends an import, the drive is there whole or has left no trace, and nothing else was touched."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from logan.drive_library.repository import DriveLibrary
from tests.drive_library.importers import (
    FULL_DISK_EXIT,
    assert_whole,
    import_drives,
    import_on_full_disk,
    import_until,
    start,
    stored_bytes,
    write_logs,
)
from tests.drive_library.small_drives import rows_of


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path]:
    folder, logs = tmp_path / "drives", tmp_path / "logs"
    write_logs(logs, range(1, 60))
    import_drives(folder, (1,), logs)
    return folder, logs


@pytest.mark.slow
def test_a_kill_at_any_instant_leaves_the_drive_whole_or_no_trace(places):
    folder, logs = places
    first = start(import_drives, folder, (2,), logs)
    first.join()
    began = time.perf_counter()
    start(import_drives, folder, (3,), logs).join()
    typical_s = time.perf_counter() - began
    rng = np.random.default_rng(11)
    for seed in range(4, 24):
        before = stored_bytes(folder)
        process = start(import_drives, folder, (seed,), logs)
        time.sleep(rng.uniform(0.0, 1.2 * typical_s))
        process.kill()
        process.join()
        assert_whole(folder, before, seed)


@pytest.mark.slow
def test_a_power_cut_at_every_step_leaves_the_drive_whole_or_no_trace(places):
    folder, logs = places
    outcomes = []
    for steps in range(40):
        before, seed = stored_bytes(folder), 10 + steps
        process = start(import_until, folder, seed, logs, steps)
        process.join()
        outcomes.append((process.exitcode, assert_whole(folder, before, seed)))
        if process.exitcode == 0:
            break
    assert outcomes[0] == (9, False)
    assert outcomes[-1] == (0, True)
    assert len(outcomes) > 8
    # Once the drive has its name, a later cut takes nothing back.
    assert [is_there for _, is_there in outcomes] == sorted(is_there for _, is_there in outcomes)


@pytest.mark.parametrize("limit_bytes", [0, 100, 4_000, 20_000, 60_000])
def test_a_full_disk_is_said_and_leaves_no_trace(places, limit_bytes):
    folder, logs = places
    before = stored_bytes(folder)
    process = start(import_on_full_disk, folder, 30, logs, limit_bytes)
    process.join()
    assert process.exitcode == FULL_DISK_EXIT
    assert not assert_whole(folder, before, 30)


def test_two_importers_at_once_store_every_drive_once(places):
    folder, logs = places
    importers = [start(import_drives, folder, seeds, logs) for seeds in (tuple(range(2, 12)), tuple(range(6, 16)))]
    for process in importers:
        process.join()
        assert process.exitcode == 0
    with DriveLibrary.open(folder) as library:
        assert library.check().is_whole
        assert [record.number for record in library.drives()] == list(range(1, 16))
        assert len({record.id for record in library.drives()}) == 15
        content = rows_of(library)
        library.rebuild()
        assert rows_of(library) == content
