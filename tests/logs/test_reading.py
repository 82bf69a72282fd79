import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.errors import LogReadError, UnknownLogFormatError, UsageError
from logan.frames.table import FrameTable
from logan.logs import reading
from logan.logs.log_format import PADDING, LogFormat, ParsedChunk, ReadOptions, ReadReport, SkippedLine
from logan.logs.reading import read_blocks, recognise
from logan.logs.registry import format_named, identify


def numbers_as_frames(numbers):
    count = len(numbers)
    no = np.zeros(count, bool)
    return FrameTable(
        time_ns=np.array(numbers, np.int64),
        can_id=np.zeros(count, np.uint32),
        is_extended=no,
        is_fd=no,
        is_remote=no,
        is_error=no,
        bus=np.zeros(count, np.uint8),
        length=np.zeros(count, np.uint8),
        payload=np.zeros((count, 8), np.uint8),
        buses=("",),
    )


@dataclass
class NumberParser:
    """A toy format: one whole number a line is one frame with that time."""

    join: Callable | None = None

    def parse_chunk(self, text, size):
        assert not text[size : size + PADDING].any()
        lines = text[:size].tobytes().split(b"\n")
        assert lines.pop() == b""
        numbers = [int(line) for line in lines if line.isdigit()]
        skipped = [SkippedLine(i, "no number") for i, line in enumerate(lines) if not line.isdigit()]
        return ParsedChunk(numbers_as_frames(numbers), len(lines), len(skipped), tuple(skipped[:3]))


NUMBERS = LogFormat(
    name="numbers",
    description="one number a line",
    looks_like=lambda head: head[:1].isdigit(),
    parser=lambda head, path, options: NumberParser(),
)


def read(path, log_format=NUMBERS, *, threads=1, chunk_bytes=reading.CHUNK_BYTES, then=None):
    report = ReadReport(path=path)
    options = ReadOptions(threads=threads)
    then = then or (lambda frames: frames.time_ns.tolist())
    parts = read_blocks(path, log_format, options, report, then, chunk_bytes=chunk_bytes)
    return [number for part in parts for number in part], report


@settings(deadline=None, max_examples=120)
@given(
    lines=st.lists(st.integers(0, 10**9).map(str) | st.sampled_from(["", "x", "-" * 40]), max_size=60),
    chunk_bytes=st.integers(1, 80),
    threads=st.sampled_from([1, 2, 3]),
    has_last_newline=st.booleans(),
)
def test_neither_chunks_nor_threads_change_what_is_read(
    tmp_path_factory, lines, chunk_bytes, threads, has_last_newline
):
    path = tmp_path_factory.mktemp("log") / "a.txt"
    path.write_text("\n".join(lines) + ("\n" if has_last_newline and lines else ""))
    whole, whole_report = read(path)
    pieced, report = read(path, threads=threads, chunk_bytes=chunk_bytes)
    assert pieced == whole == [int(line) for line in lines if line.isdigit()]
    assert report.skipped_count == whole_report.skipped_count
    assert report.skipped[:1] == whole_report.skipped[:1]
    assert report.is_truncated == whole_report.is_truncated
    assert (report.frame_count, report.sha256) == (whole_report.frame_count, whole_report.sha256)
    assert report.bytes_read == report.size_bytes == path.stat().st_size


def test_skipped_lines_are_located_across_chunks(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("1\n2\nx\n3\n4\ny\n5\n")
    _, report = read(path, chunk_bytes=4)
    assert [part.place for part in report.skipped] == [f"{path}:3", f"{path}:6"]
    assert report.skipped_count == 2


@pytest.mark.parametrize(("end", "frames", "is_truncated"), [("12", [1, 12], False), ("12x", [1], True)])
def test_a_last_line_without_a_newline_is_a_frame_or_a_cut_off_end(tmp_path, end, frames, is_truncated):
    path = tmp_path / "a.txt"
    path.write_text("1\n" + end)
    numbers, report = read(path)
    assert (numbers, report.is_truncated, report.skipped_count) == (frames, is_truncated, 0)


def test_an_endless_line_costs_itself_and_no_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(reading, "MAX_LINE_BYTES", 100)
    path = tmp_path / "a.txt"
    path.write_text("1\n" + "7" * 1000 + "\n2\n")
    numbers, report = read(path, chunk_bytes=30)
    assert numbers == [1, 2]
    assert [part.place for part in report.skipped] == [f"{path}:2"]


def test_join_runs_in_the_order_of_the_file(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("1\n" * 1000)
    total = 0

    def join(frames):
        nonlocal total
        summed = total + np.cumsum(frames.time_ns)
        total = int(summed[-1]) if summed.size else total
        return numbers_as_frames(summed)

    summing = LogFormat(
        name="deltas", description="", looks_like=lambda head: True, parser=lambda *_: NumberParser(join=join)
    )
    numbers, _ = read(path, summing, threads=2, chunk_bytes=64)
    assert numbers == list(range(1, 1001))


@pytest.mark.parametrize("threads", [1, 2])
def test_what_goes_wrong_in_a_thread_is_raised_and_no_thread_stays(tmp_path, threads):
    path = tmp_path / "a.txt"
    path.write_text("1\n" * 1000)
    with pytest.raises(ZeroDivisionError):
        read(path, threads=threads, chunk_bytes=64, then=lambda frames: 1 // 0)
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("logan-read")]


def test_leaving_in_the_middle_ends_the_threads(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("1\n" * 1000)
    parts = read_blocks(path, NUMBERS, ReadOptions(threads=2), ReadReport(path=path), len, chunk_bytes=64)
    next(parts)
    parts.close()
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("logan-read")]


def test_a_format_that_needs_a_file_gets_one_even_from_an_archive(tmp_path):
    import gzip
    from pathlib import Path

    names = []

    def read_file(stream, path, options, report):
        names.append(stream.name)
        assert Path(stream.name).read_bytes() == b"content"
        report.skip("a part", byte_offset=7)
        yield numbers_as_frames([1])

    binary = LogFormat(name="b", description="", looks_like=lambda head: True, read=read_file, needs_file=True)
    plain, packed = tmp_path / "a.bin", tmp_path / "a.gz"
    plain.write_bytes(b"content")
    packed.write_bytes(gzip.compress(b"content"))
    for path in (plain, packed):
        numbers, report = read(path, binary)
        assert numbers == [1]
        assert report.skipped[0].place == f"{path} at byte 7"
    assert names[0] == str(plain)
    assert not Path(names[1]).exists()


OTHER = LogFormat(
    name="other", description="", looks_like=lambda head: head[:1] == b"1", parser=lambda *_: NumberParser()
)


def test_the_one_format_that_recognises_a_file_is_taken(tmp_path):
    assert identify(tmp_path, b"2\n", (NUMBERS, OTHER)) is NUMBERS


def test_between_two_formats_the_user_chooses(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("1\n")
    with pytest.raises(UnknownLogFormatError, match=r"several log formats fit.*numbers, other"):
        recognise(path, None, (NUMBERS, OTHER))
    assert recognise(path, "other", (NUMBERS, OTHER)) is OTHER


def test_a_file_of_no_format_is_told_what_it_seems_to_be(tmp_path):
    with pytest.raises(UnknownLogFormatError, match="no log that is known here: it seems to be text"):
        identify(tmp_path, b"x", (NUMBERS, OTHER))
    with pytest.raises(UnknownLogFormatError, match="no log format 'nmbers'"):
        format_named("nmbers", (NUMBERS, OTHER))


@pytest.mark.parametrize("head", [b"", b"\r\n \t", b"\x00" * 9, b"\xef\xbb\xbf"])
def test_an_empty_log_is_called_empty(tmp_path, head):
    with pytest.raises(LogReadError, match="the log is empty"):
        identify(tmp_path, head, (NUMBERS,))


@pytest.mark.parametrize("head", [b"Time [s],Speed [km/h]\r\n", b"a;b", b"\xef\xbb\xbfTime\tV\n"])
def test_a_heading_without_a_row_is_called_that(tmp_path, head):
    with pytest.raises(LogReadError, match="a heading and no row"):
        identify(tmp_path, head, (NUMBERS,))


def test_a_format_gives_a_parser_or_a_reader():
    with pytest.raises(UsageError, match="either a parser or a read function"):
        LogFormat(name="none", description="", looks_like=lambda head: True)
