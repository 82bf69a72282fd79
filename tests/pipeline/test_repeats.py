from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.drive.drive import Channel, Drive
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder, check_library
from logan.pipeline.importing import import_logs, repeat_flags, repeats_in
from tests.drive_library.small_drives import log_source
from tests.pipeline.twin_fleet import write_fleet

DAY_NS = 86_400_000_000_000


def town_drive(seed: int, *, start_ns: int | None = None, step_s: float = 0.2, log: str = "") -> Drive:
    """Ten minutes of invented speeds; another log of the same drive has other samples of the same speeds."""
    rng = np.random.default_rng(seed)
    knots = np.concatenate([[0.0], np.abs(rng.normal(10.0, 6.0, 60))])
    time_s = np.arange(0.0, 600.0, step_s)
    speed = Channel(name="speed", time_s=time_s, value=np.interp(time_s, np.arange(61) * 10.0, knots))
    return Drive(channels={"speed": speed}, start_ns=start_ns, sources=(log_source(log or f"drive {seed}"),))


@pytest.fixture
def library(tmp_path):
    with DriveLibrary.open(tmp_path / "drives", create=True) as opened:
        yield opened


def test_the_same_drive_from_another_log_is_named(library):
    library.add(town_drive(1))
    library.add(town_drive(2))
    again = town_drive(1, step_s=0.5, log="exported again")
    (flag,) = repeat_flags(again, library)
    assert (flag.code, "drive 1 " in flag.evidence) == ("duplicate_drive", True)
    library.add(again)
    (repeat,) = repeats_in(library)
    assert (repeat.first, repeat.second, repeat.is_same) == (1, 3, True)


def test_two_drives_at_one_time_are_named(library):
    library.add(town_drive(1, start_ns=DAY_NS))
    (flag,) = repeat_flags(town_drive(2, start_ns=DAY_NS + 300 * 10**9), library)
    assert flag.code == "overlapping_drive"
    assert flag.evidence.startswith("300 s")
    library.add(town_drive(2, start_ns=DAY_NS + 300 * 10**9))
    (repeat,) = repeats_in(library)
    assert (repeat.is_same, repeat.overlap_s) == (False, pytest.approx(300.0, abs=1.0))


@pytest.mark.parametrize("start_ns", [None, DAY_NS + 590 * 10**9, DAY_NS - 590 * 10**9, 5 * DAY_NS])
def test_drives_one_after_the_other_or_without_a_clock_are_left_in_peace(library, start_ns):
    library.add(town_drive(1, start_ns=DAY_NS))
    assert repeat_flags(town_drive(2, start_ns=start_ns), library) == ()


def test_a_drive_imported_again_does_not_repeat_itself(library):
    record = library.add(town_drive(1, start_ns=DAY_NS))
    assert repeat_flags(town_drive(1, start_ns=DAY_NS), library, own_id=record.id) == ()
    assert repeats_in(library) == ()


def test_a_damaged_drive_is_passed_over(library):
    library.add(town_drive(1))
    path = library.path(1)
    path.write_bytes(path.read_bytes()[:200])
    library.refresh()
    assert repeat_flags(replace(town_drive(1), sources=(log_source("again"),)), library) == ()


def test_import_and_check_say_that_a_renamed_and_shortened_log_is_there_already(tmp_path):
    folder = BuildFolder(write_fleet(tmp_path, vehicles=1, drives=1, duration_s=180.0) / "van-001")
    log = folder.path / "logs" / "001.log"
    other = log.with_name("copied.log")
    other.write_text("".join(log.read_text().splitlines(keepends=True)[:-40]))
    first, second = import_logs(folder, [log, other])
    assert first.notes == ()
    assert any("already in the library" in note for note in second.notes)
    assert second.record.summary.flag_counts["amber"] > first.record.summary.flag_counts["amber"]
    report = check_library(folder.path)
    assert report.is_whole
    assert [(repeat.first, repeat.second) for repeat in report.repeats] == [(1, 2)]
