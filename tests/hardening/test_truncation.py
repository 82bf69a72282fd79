"""A small log of each format, cut off at every byte: what was whole before the cut is there, and the cut is told."""

from __future__ import annotations

import functools
import gzip
import zlib

import numpy as np
import pytest

from logan.errors import LoganError
from logan.frames.raw_columns import RawColumnsBuilder
from logan.frames.table import SignalTable
from logan.logs import mf4
from logan.logs.compression import open_log
from logan.logs.reading import recognise
from logan.pipeline.logs_reader import LogsReader, Reading
from tests.hardening.targets import FIXTURES, read_log
from tests.logs.harness import frames_of

LOGS = sorted(path for path in (FIXTURES / "logs").rglob("*") if path.is_file())
REST = mf4.Reader.rest
BINARY = (".blf", ".mf4", ".db", ".gpx")


def content_of(path, name):
    """Frames, or rows of a table; the report; refused as the user would see it where nothing is in it."""
    frames, rows = [], []
    reader = LogsReader([path], Reading(threads=1, format_name=name))
    builder = RawColumnsBuilder(lambda _: True, lambda *_: None, 100)
    tables = [part for part in reader.read(builder) if isinstance(part, SignalTable)]
    reader.check_not_empty(builder, tables)
    for table in tables:
        rows += [(column.name, *pair) for column in table for pair in zip(column.time_ns, column.value, strict=True)]
    if not tables:
        report = read_log(path, recognise(path) if name is None else reader.files[0][1], 64, take=frames.append)
        assert report.is_truncated == reader.reports[0].is_truncated
    found = [frame for table in frames for frame in frames_of(table)]
    return found, [row for row in rows if not np.isnan(row[2])], reader.reports[0]


def rest_though_damaged(reader):
    """Read on in the same process after a damaged file, which the user's never does: a new one takes half a second."""
    if reader.process.poll() is None:
        reader._is_well = True
    return REST(reader)


@pytest.mark.parametrize("log", LOGS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_what_was_whole_before_a_cut_is_there_and_the_cut_is_told(log, tmp_path, monkeypatch):
    monkeypatch.setattr(mf4.Reader, "rest", rest_though_damaged)
    whole, name = log.read_bytes(), recognise(log).name
    path = tmp_path / log.name
    path.write_bytes(whole)
    frames, rows, report = content_of(path, name)
    assert not report.is_truncated
    assert frames or rows
    told = 0
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        try:
            found, found_rows, report = content_of(path, name)
        except LoganError:
            continue  # told: without header or index nothing in it can be read, or it holds nothing
        # The line that a text was cut in may read as a shorter frame or row, which nothing in it shows.
        is_text = log.suffix not in BINARY
        sure = found[:-1] if is_text else found
        assert sure == frames[: len(sure)]
        if is_text and frames:
            assert len(found) >= frames_in_lines(log, name, tmp_path, whole[:cut].count(b"\n"))
        assert len(set(found_rows) - set(rows)) <= len({row[0] for row in rows})
        assert report.is_truncated or is_text or (found, found_rows) == (frames, rows)
        told += report.is_truncated
    assert told > 0 or log.suffix in (".mf4", ".db", ".gpx")


@functools.cache
def frames_in_lines(log, name, folder, lines):
    """Frames in the first lines of a log, all of them whole."""
    path = folder / f"lines{log.suffix}"
    path.write_bytes(b"".join(line + b"\n" for line in log.read_bytes().split(b"\n")[:lines]))
    try:
        return len(content_of(path, name)[0])
    except LoganError:
        return 0


def unpacked(path, size):
    """All that is read of a packed log, whether it is cut off, and what is told of it."""
    with open_log(path) as (stream, _):
        text = b"".join(iter(lambda: stream.read(size), b""))
        return text, stream.is_truncated, stream.notes


TEXT = b"".join(b"(1700000000.%06d) can0 123#%016X\n" % (row, row * 2654435761 % 2**64) for row in range(200))


def test_a_packed_log_that_is_cut_gives_all_that_its_bytes_hold(tmp_path):
    whole = gzip.compress(TEXT, mtime=0) + gzip.compress(b"# the second part\n" * 9, mtime=0)
    path, first = tmp_path / "drive.log.gz", len(gzip.compress(TEXT, mtime=0))
    for cut in range(4, len(whole)):
        path.write_bytes(whole[:cut])
        parts = (whole[: min(cut, first)], whole[first:cut])
        expected = b"".join(zlib.decompressobj(31).decompress(part) for part in parts)
        # The buffer is larger than all of the text, as that of the text readers is.
        text, is_cut, notes = unpacked(path, 2**21)
        assert text == expected
        assert (is_cut, notes) == (cut != first, [])
    path.write_bytes(whole)
    assert unpacked(path, 100) == (TEXT + b"# the second part\n" * 9, False, [])


@pytest.mark.parametrize("left", [b"r", b"rubbish", b"\0" * 70_000 + b"x" * 70_000, b"(1700000000.0) can0 1#00\n" * 9])
def test_what_lies_behind_a_packed_log_is_told_and_costs_nothing_of_it(tmp_path, left):
    path = tmp_path / "drive.log.gz"
    path.write_bytes(gzip.compress(TEXT) + left)
    text, is_cut, notes = unpacked(path, 2**21)
    assert (text, is_cut) == (TEXT, False)
    assert notes == [f"{path}: behind its packed log lie {len(left.lstrip(bytes(1)))} bytes of something else"]
    _, _, report = content_of(path, "candump")
    assert report.notes[-1:] == notes
    assert report.frame_count == 200


def test_filling_behind_a_packed_log_is_nothing(tmp_path):
    path = tmp_path / "drive.log.gz"
    path.write_bytes(gzip.compress(TEXT) + bytes(100_000) + gzip.compress(TEXT) + bytes(7))
    assert unpacked(path, 2**21) == (TEXT + TEXT, False, [])
