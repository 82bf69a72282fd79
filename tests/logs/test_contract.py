"""What every log format keeps to: a format that is registered is a format that is tested."""

from __future__ import annotations

import gzip
import zipfile
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
import zstandard
from hypothesis import given, settings, strategies as st

from logan.errors import LogReadError
from logan.logs import text_lines
from logan.logs.log_format import HEAD_BYTES, ReadOptions
from logan.logs.reading import recognise
from logan.logs.registry import LOG_FORMATS, format_named, identify
from tests.logs.contract import SAMPLES, Sample
from tests.logs.harness import Frame, assert_same, read


def _zipped(log: Path, path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(log, "folder/drive.log")


PACKINGS = {
    "gz": lambda log, path: path.write_bytes(gzip.compress(log.read_bytes())),
    "zst": lambda log, path: path.write_bytes(zstandard.ZstdCompressor().compress(log.read_bytes())),
    "zip": _zipped,
}

TEXT_SAMPLES = [sample for sample in SAMPLES if sample.is_text]
FRAME_FORMATS = [log_format for log_format in LOG_FORMATS if log_format.holds_frames]


@pytest.fixture(scope="module", params=SAMPLES, ids=lambda sample: sample.name)
def sample(request) -> Sample:
    return request.param


@pytest.fixture(scope="module")
def messages(sample):
    return sample.messages(400)


@pytest.fixture(scope="module")
def log(sample, messages, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp(sample.name) / f"drive{sample.suffix}"
    sample.write(path, messages)
    return path


@pytest.fixture(scope="module")
def frames(sample, log) -> list[Frame]:
    return read(log, format_named(sample.name))[0]


def test_every_format_of_frames_is_under_contract():
    assert {log_format.name for log_format in FRAME_FORMATS} == {sample.name for sample in SAMPLES}


def test_the_frames_written_are_the_frames_read(sample, messages, frames):
    expected = sample.expected(messages)
    # Writers name buses in their own ways; that different ones stay different is what counts here.
    names = dict(zip((frame.bus for frame in expected), (frame.bus for frame in frames), strict=False))
    assert len(set(names.values())) == len(names)
    shift_ns = 0 if sample.is_dated else frames[0].time_ns - expected[0].time_ns
    expected = [replace(frame, bus=names[frame.bus], time_ns=frame.time_ns + shift_ns) for frame in expected]
    assert_same(frames, expected, within_ns=sample.within_ns)


def test_the_frames_are_those_that_python_can_reads(sample, log, frames):
    # Formats that python-can does not read are held against what was written, above.
    expected = sample.oracle(log) if sample.oracle else frames
    assert_same(frames, expected, within_ns=sample.within_ns)


@pytest.mark.parametrize("chunk_bytes", [97, 1000, 65_536])
def test_the_size_of_chunks_changes_nothing(sample, log, frames, chunk_bytes):
    assert read(log, format_named(sample.name), chunk_bytes=chunk_bytes)[0] == frames


@pytest.mark.parametrize("threads", [2, 3])
def test_the_number_of_threads_changes_nothing(sample, log, frames, threads):
    options = ReadOptions(threads=threads)
    assert read(log, format_named(sample.name), chunk_bytes=2000, options=options)[0] == frames


def test_a_whole_log_has_nothing_skipped(sample, log):
    _, report = read(log, format_named(sample.name))
    assert (report.skipped_count, report.is_truncated) == (0, False)


@pytest.mark.parametrize("packing", PACKINGS)
def test_a_packed_log_gives_the_same_frames(sample, log, frames, tmp_path, packing):
    path = tmp_path / f"packed-{packing}"
    PACKINGS[packing](log, path)
    assert recognise(path).name == sample.name
    found, report = read(path, format_named(sample.name))
    assert found == frames
    assert (report.skipped_count, report.is_truncated) == (0, False)


def test_exactly_one_format_recognises_it(sample, log):
    head = log.read_bytes()[:HEAD_BYTES]
    assert identify(log, head).name == sample.name


def test_the_end_may_be_cut_off_anywhere(sample, log, frames, tmp_path):
    content = log.read_bytes()
    random = Random(5)
    for _ in range(12 if sample.is_text else 4):
        path = tmp_path / log.name
        path.write_bytes(content[: random.randrange(len(content) // 4, len(content))])
        try:
            found, report = read(path, format_named(sample.name))
        except LogReadError:
            # Files with their index at the end cannot be read without it, which is said.
            assert not sample.is_text
            continue
        whole = found[:-1] if sample.is_text else found
        assert whole == frames[: len(whole)]
        assert report.skipped_count == 0


def test_flipped_bits_raise_no_fault_and_cost_little(sample, log, frames, tmp_path):
    content = log.read_bytes()
    random = Random(7)
    known = {(frame.can_id, frame.data) for frame in frames}
    for _ in range(12 if sample.is_text else 4):
        damaged = bytearray(content)
        for _ in range(3):
            damaged[random.randrange(len(damaged) // 3, len(damaged))] ^= 1 << random.randrange(8)
        path = tmp_path / log.name
        path.write_bytes(damaged)
        try:
            found, _ = read(path, format_named(sample.name))
        except LogReadError:
            assert not sample.is_text
            continue
        if sample.is_text:
            assert len(found) >= len(frames) - 6  # a newline that flips costs both lines that it parted
            assert sum((frame.can_id, frame.data) not in known for frame in found) <= 3


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("sample", TEXT_SAMPLES, ids=lambda sample: sample.name, indirect=True)
def test_damaged_text_is_read_alike_with_and_without_compiled_readers(sample, log, tmp_path, monkeypatch, seed):
    damaged, random = bytearray(log.read_bytes()), Random(seed)
    for _ in range(150):
        place = random.randrange(500, len(damaged))
        damaged[place : place + random.choice((0, 1, 1, 1, 9))] = random.choice(
            (b"", b"\n", b"\r", b" ", b"\t", b"0", b"f", b"9", bytes([random.randrange(256)]), b"1" * 20)
        )
    path = tmp_path / log.name
    path.write_bytes(damaged)
    compiled_frames, compiled_report = read(path, format_named(sample.name))
    monkeypatch.setattr(text_lines, "compiled_reader", lambda name: None)
    strict_frames, strict_report = read(path, format_named(sample.name))
    assert compiled_frames == strict_frames
    assert strict_report.skipped_count > 10
    assert (compiled_report.skipped_count, compiled_report.skipped) == (
        strict_report.skipped_count,
        strict_report.skipped,
    )


@pytest.mark.parametrize("log_format", LOG_FORMATS, ids=lambda log_format: log_format.name)
@settings(deadline=None, max_examples=30)
@given(
    head=st.one_of(
        st.binary(max_size=300), st.text(max_size=300).map(str.encode), st.text("0123456789.,;:() #\n\tRTxd")
    )
)
def test_recognising_raises_nothing(log_format, head):
    head = head.encode() if isinstance(head, str) else head
    assert log_format.looks_like(head) in (True, False)
