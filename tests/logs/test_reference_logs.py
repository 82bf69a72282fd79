"""The logs that python-can tests its own readers with, read by both."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import can
import pytest

from logan.logs.asc import parse_header
from logan.logs.reading import recognise
from tests.logs.harness import assert_same, frame_of, read
from tests.registry_files import registry_folder

pytestmark = pytest.mark.registry

READERS = {".asc": can.ASCReader, ".blf": can.BLFReader, ".trc": can.TRCReader}


@pytest.fixture(scope="module")
def folder() -> Path:
    return registry_folder("python-can", "test/data")


def _reference(path: Path) -> list:
    with READERS[path.suffix](path) as log:
        frames = []
        for message in log:
            if isinstance(message.channel, int) and path.suffix != ".trc":
                message.channel += 1
            frames.append(frame_of(message))
        return frames


@pytest.mark.parametrize("suffix", READERS)
def test_every_log_is_recognised_and_read_equal(folder, suffix):
    paths = sorted(folder.glob(f"*{suffix}"))
    assert len(paths) >= 5
    for path in paths:
        log_format = recognise(path)
        assert log_format.name == suffix[1:], path.name
        frames, report = read(path, log_format)
        start_ns = parse_header(path.read_bytes()).start_ns if suffix == ".asc" else 0
        expected = [replace(frame, time_ns=frame.time_ns + start_ns) for frame in _reference(path)]
        # Some of them are made up byte by byte, with standard identifiers that no bus could carry.
        possible = [frame for frame in expected if frame.is_extended or frame.can_id <= 0x7FF]
        assert_same(frames, possible, within_ns=1000)
        assert report.skipped_count == len(expected) - len(possible), (path.name, report.skipped)


def test_a_compressed_log_is_read_equal(folder):
    path = folder / "test_CanMessage.asc.gz"
    frames, _ = read(path, recognise(path))
    assert frames == read(folder / "test_CanMessage.asc", recognise(folder / "test_CanMessage.asc"))[0]
