"""The same few frames in every format, as files that lie in the project."""

from dataclasses import replace
from pathlib import Path

import pytest

from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.logs.registry import LOG_FORMATS
from tests.logs.harness import Frame, assert_same, read

LOGS = Path(__file__).resolve().parents[2] / "fixtures" / "logs"
START_NS = 1_716_105_600 * 10**9  # 2024-05-19 08:00:00 UTC
MS = 10**6

FRAMES = [
    Frame(START_NS, 0x123, bytes.fromhex("1122334455667788"), bus="1"),
    Frame(START_NS + 10 * MS, 0x18FF50E5, b"\1\2\3", is_extended=True, bus="2"),
    Frame(START_NS + 20 * MS + 500_000, 0x7FF, b"", bus="1"),
    Frame(START_NS + 30 * MS, 0x124, b"", is_remote=True, bus="1"),
    Frame(START_NS + 40 * MS, 0, b"", is_error=True, bus="1"),
    Frame(START_NS + 50 * MS, 0x200, bytes(range(12)), is_fd=True, bus="1"),
    Frame(START_NS + 60 * MS, 0x123, bytes.fromhex("11223344"), bus="1"),
]
CLASSIC = [frame for frame in FRAMES if not frame.is_fd]
DATA = [frame for frame in CLASSIC if not frame.is_remote and not frame.is_error]


def on(bus_of, frames):
    return [replace(frame, bus=bus_of[frame.bus]) for frame in frames]


ONE, NONE = {"1": "1", "2": "1"}, {"1": "", "2": ""}
CASES = {
    "asc/decimal_relative.asc": FRAMES,
    "asc/seven_frames.asc": FRAMES,
    "blf/seven_frames.blf": FRAMES,
    "can_csv/six_frames.csv": on(NONE, CLASSIC),
    "candump/seven_frames.log": on({"1": "can1", "2": "can2"}, FRAMES),
    "candump_console/seven_frames.txt": on({"1": "can1", "2": "can2"}, FRAMES),
    "mf4/seven_frames.mf4": on({"1": "0", "2": "1"}, FRAMES),
    "frame_text/four_frames.csv": DATA,
    "sqlite/six_frames.db": on(NONE, CLASSIC),
    "trc/version_1_1.trc": on(ONE, CLASSIC),
    "trc/version_2_1.trc": FRAMES,
}


@pytest.mark.parametrize("name", CASES)
def test_the_frames_of_a_file_are_those_listed(name):
    path = LOGS / name
    log_format = recognise(path)
    assert log_format.name.replace("-", "_") == path.parent.name
    frames, report = read(path, log_format)
    # Two of the formats hold times as float64 seconds, which step by 0.2 us today; in a list they are rounded.
    assert_same(frames, CASES[name], within_ns=500)
    assert (report.skipped_count, report.is_truncated) == (0, False)


def test_every_format_has_a_file():
    folders = {path.parent.name for path in LOGS.glob("*/*")}
    names = {"drive_table" if each.name == "table" else each.name.replace("-", "_") for each in LOG_FORMATS}
    assert folders == names
    listed = {path.relative_to(LOGS).as_posix() for path in LOGS.glob("*/*")}
    assert listed - CASES.keys() == {"candump/every_kind.log", "drive_table/logger.csv", "gpx/street.gpx"}


def test_the_drive_table():
    path = LOGS / "drive_table/logger.csv"
    (table,) = read_blocks(path, recognise(path), ReadOptions(), ReadReport(path), then=lambda frames: frames)
    columns = {column.name: column for column in table}
    assert {name: column.value.tolist() for name, column in columns.items()} == {
        "Speed": [0.0, 3.6, 7.2],
        "Pack V": [382.5, 381.9, 380.1],
        "Pack I": [1.2, 48.7],
        "Gear": [0.0, 1.0, 1.0],
    }
    assert columns["Speed"].time_ns.tolist() == [START_NS, START_NS + 500 * MS, START_NS + 1000 * MS]
    assert columns["Pack I"].time_ns.tolist() == [START_NS, START_NS + 1000 * MS]
    assert dict(columns["Gear"].choices) == {0: "N", 1: "D"}
    assert [columns[name].unit for name in ("Speed", "Pack V", "Pack I")] == ["km/h", "V", "A"]
