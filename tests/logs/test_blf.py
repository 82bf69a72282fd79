"""BLF: every kind of object, damaged files, and the chain through look-alikes."""

from __future__ import annotations

import io
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.errors import LogReadError
from logan.logs.blf import FORMAT, frame_blocks
from logan.logs.blf_frames import frames_of as frames_in
from logan.logs.blf_objects import GATHER_BYTES, find_objects
from logan.logs.log_format import ReadReport
from tests.logs.blf_writing import START_NS, an_object, classic, container, file_header, marker
from tests.logs.harness import Frame, frames_of


def read(content: bytes, *, threads: int = 1, group_bytes: int = 1 << 20) -> tuple[list[Frame], ReadReport]:
    report = ReadReport(Path("drive.blf"))
    blocks = frame_blocks(io.BytesIO(content), Path("drive.blf"), report, threads=threads, group_bytes=group_bytes)
    return [frame for block in blocks for frame in frames_of(block)], report


def log_of(*objects: bytes) -> bytes:
    return file_header() + container(b"".join(objects))


FD_64 = struct.Struct("<BBBBLLLLLLLHBBL")


@pytest.mark.parametrize(
    ("an_object", "frame"),
    [
        (classic(0x123, b"\1\2\3", channel=2), Frame(START_NS, 0x123, b"\1\2\3", bus="2")),
        (classic(0x123 | 1 << 31, b"\1" * 8), Frame(START_NS, 0x123, b"\1" * 8, is_extended=True, bus="1")),
        (classic(0x123, b"\1" * 8, dlc=51), Frame(START_NS, 0x123, b"\1" * 8, bus="1")),
        (classic(0x123, b"\1" * 8, flags=0x80), Frame(START_NS, 0x123, b"", is_remote=True, bus="1")),
        (classic(1, b"", ticks=7, flags=0), Frame(START_NS + 7, 1, b"", bus="1")),
        (classic(1, b"", ticks=7, version=2), Frame(START_NS + 7, 1, b"", bus="1")),
        (
            an_object(1, struct.pack("<HBBL8s", 1, 0, 0, 1, b""), ticks=7, flags=1),
            Frame(START_NS + 70_000, 1, b"", bus="1"),
        ),
        (
            an_object(86, struct.pack("<HBBL8s8x", 1, 0, 2, 5, b"\6\7\0\0\0\0\0\0")),
            Frame(START_NS, 5, b"\6\7", bus="1"),
        ),
        (
            an_object(100, struct.pack("<HBBLLBBB5x64s", 1, 0, 15, 5, 0, 0, 1, 64, bytes(range(64)))),
            Frame(START_NS, 5, bytes(range(64)), is_fd=True, bus="1"),
        ),
        (
            an_object(101, FD_64.pack(1, 9, 12, 0, 5, 0, 0x1000, 0, 0, 0, 0, 0, 0, 0, 0) + b"\1" * 12),
            Frame(START_NS, 5, b"\1" * 12, is_fd=True, bus="1"),
        ),
        (
            an_object(101, FD_64.pack(1, 9, 12, 0, 5, 0, 0x1000, 0, 0, 0, 0, 0, 0, 0, 0) + b"\1" * 4),
            Frame(START_NS, 5, b"\1" * 4 + bytes(8), is_fd=True, bus="1"),
        ),
        (
            an_object(101, FD_64.pack(1, 8, 8, 0, 5, 0, 0x1000, 0, 0, 0, 0, 0, 0, 78, 0) + b"\1" * 6 + b"more"),
            Frame(START_NS, 5, b"\1" * 6 + bytes(2), is_fd=True, bus="1"),
        ),
        (
            an_object(73, struct.pack("<HHLBBBxLLH2x8s", 3, 0, 0, 0, 0, 2, 0, 0x99, 0, b"\5\6")),
            Frame(START_NS, 0x99, b"\5\6", is_error=True, bus="3"),
        ),
        (an_object(2, struct.pack("<HH", 3, 0)), Frame(START_NS, 0, b"", is_error=True, bus="3")),
        (
            an_object(104, struct.pack("<BBBBHHHBBL", 3, 0, 0, 0, 0, 0, 0, 0, 0, 9)),
            Frame(START_NS, 9, b"", is_error=True, bus="3"),
        ),
    ],
)
def test_each_kind_of_frame_object_is_read(an_object, frame):
    frames, report = read(log_of(an_object))
    assert frames == [frame]
    assert report.skipped_count == 0
    assert not report.is_truncated


@pytest.mark.parametrize(
    "broken",
    [
        an_object(1, b"\1\0\0"),
        an_object(100, struct.pack("<HBBLLBBB5x64s", 1, 0, 15, 5, 0, 0, 1, 65, b"")),
        an_object(100, struct.pack("<HBBLLBBB5x8s", 1, 0, 15, 5, 0, 0, 1, 64, b"")),
        an_object(101, FD_64.pack(1, 9, 65, 0, 5, 0, 0x1000, 0, 0, 0, 0, 0, 0, 0, 0)),
        classic(5, b"", ticks=1 << 63),
        classic(0x800, b""),  # standard, of twelve bits
        classic(0xFFFFFFFF, b""),  # extended, of more than twenty-nine
        classic(0xA0000001, b""),
        classic(5, b"").replace(b"\x20\0\1\0", b"\x20\0\3\0"),
        classic(5, b"").replace(b"\x20\0\1\0", b"\x28\0\1\0"),
    ],
)
def test_a_frame_that_makes_no_sense_costs_itself_alone(broken):
    frames, report = read(log_of(classic(1, b"\1"), broken, classic(2, b"\2")))
    assert [frame.can_id for frame in frames] == [1, 2]
    assert report.skipped_count == 1
    assert "at byte 144" in report.skipped[0].place
    assert "makes no sense, 48 bytes into the unpacked container" in report.skipped[0].reason


@pytest.mark.parametrize("size", [0, 15, 47, 49, 4000, 1 << 31])
def test_a_damaged_size_costs_one_object(size):
    damaged = bytearray(classic(2, b"\2"))
    damaged[8:12] = size.to_bytes(4, "little")
    frames, report = read(log_of(classic(1, b"\1"), bytes(damaged), *[classic(3, b"\3")] * 3))
    ids = [frame.can_id for frame in frames]
    assert ids in ([1, 3, 3, 3], [1, 2, 3, 3, 3], [1, 2, 3, 3])
    assert report.skipped_count >= 1


def test_a_damaged_start_costs_one_object():
    frames, report = read(
        log_of(classic(1, b"\1"), classic(2, b"").replace(b"LOBJ", b"LXBJ"), classic(3, b""), classic(4, b""))
    )
    assert [frame.can_id for frame in frames] == [1, 3, 4]
    assert report.skipped_count == 1
    assert "no object starts where one should" in report.skipped[0].reason


@pytest.mark.parametrize("length", range(9))
@pytest.mark.parametrize("padding", [True, False])
def test_look_alikes_in_markers_are_no_objects(length, padding):
    look_alike = classic(9, b"\1" * 8)
    text = b"x" * length + look_alike + b"LOBJ"
    log = [marker(text) if padding else marker(text)[: 32 + 40 + len(text) + 6], classic(1, b""), classic(2, b"")] * 3
    frames, report = read(log_of(*log))
    assert [frame.can_id for frame in frames] == [1, 2] * 3
    assert report.skipped_count == 0


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.sampled_from([classic(1, b"\1"), classic(2, b"\2" * 8, version=2), marker(b"LOBJ odd"), marker(b"odd")]),
        max_size=40,
    ),
    st.integers(1, 700),
    st.sampled_from([0, 2]),
    st.integers(1, 3000),
    st.sampled_from([1, 2]),
)
def test_containers_may_cut_objects_anywhere(objects, cut, method, group_bytes, threads):
    content = b"".join(objects)
    pieces = [content[at : at + cut] for at in range(0, len(content), cut)]
    log = file_header() + b"".join(container(piece, method=method) for piece in pieces)
    frames, report = read(log, group_bytes=group_bytes, threads=threads)
    kinds = [struct.unpack_from("<L", an_object, 12)[0] for an_object in objects]
    assert len(frames) == kinds.count(1)
    assert report.skipped_count == 0
    assert not report.is_truncated


usual = st.builds(
    classic,
    st.integers(0, 0x7FF) | st.integers(0, 0x1FFFFFFF).map(lambda can_id: can_id | 0x80000000),
    st.binary(min_size=8, max_size=8),
    ticks=st.integers(0, 2**40),
)
unusual = st.builds(
    classic,
    st.just(0x123),
    st.just(b"12345678"),
    channel=st.sampled_from([1, 2]),
    flags=st.sampled_from([0, 0x80]),
    dlc=st.sampled_from([0, 3, 8, 9, 15]),
    ticks=st.sampled_from([5, 2**62, 2**63]),
)


@settings(deadline=None, max_examples=150)
@given(objects=st.lists(usual, min_size=1, max_size=8), odd=st.lists(unusual, max_size=2))
def test_classic_frames_alone_are_read_as_they_are_among_others(objects, odd):
    content = b"".join([*objects, *odd])
    data = np.frombuffer(content + bytes(GATHER_BYTES), np.uint8)
    found = find_objects(data, 0, len(content))
    assert found.classic is not None
    quick, quick_broken = frames_in(data, found, START_NS)
    slow, slow_broken = frames_in(data, replace(found, classic=None), START_NS)
    assert frames_of(quick) == frames_of(slow)
    assert quick_broken.tolist() == slow_broken.tolist()


@pytest.mark.parametrize("length", [12, 13, 14, 15])
def test_where_objects_start_is_found_with_and_without_the_first_look(length):
    content = classic(0x123, b"12345678") + marker(b"x" * length) + classic(0x124, b"1234")
    data = np.frombuffer(content + bytes(GATHER_BYTES), np.uint8)
    found = find_objects(data, 0, len(content))
    again = find_objects(data, 0, len(content), is_aligned=False)
    assert found.at.tolist() == again.at.tolist()
    assert len(found.at) == 3
    assert found.broken_at == again.broken_at == ()
    assert found.is_aligned or length % 4


def test_objects_outside_containers_are_read():
    frames, report = read(file_header() + classic(1, b"") + container(classic(2, b"")) + classic(3, b""))
    assert [frame.can_id for frame in frames] == [1, 2, 3]
    assert report.skipped_count == 0


def test_a_container_packed_in_an_unknown_way_costs_itself_alone():
    frames, report = read(file_header() + container(classic(1, b""), method=7) + container(classic(2, b"")))
    assert [frame.can_id for frame in frames] == [2]
    assert "method 7" in report.skipped[0].reason


def test_damage_in_a_packed_container_costs_what_it_covers():
    whole = b"".join(classic(number, bytes([number % 251, number * 7 % 256])) for number in range(2000))
    packed = bytearray(container(whole))
    packed[len(packed) // 2] ^= 0xFF
    frames, report = read(file_header() + bytes(packed) + container(b"".join(classic(2000, b"") for _ in range(3))))
    assert report.skipped_count >= 1
    assert len(frames) > 500
    assert [frame.can_id for frame in frames[:500]] == list(range(500))
    assert [frame.can_id for frame in frames[-2:]] == [2000, 2000]


def test_a_damaged_container_header_costs_one_container():
    broken = container(classic(1, b"")).replace(b"LOBJ", b"XOBJ", 1)
    frames, report = read(file_header() + broken + container(classic(2, b"")))
    assert [frame.can_id for frame in frames] == [2]
    assert report.skipped_count == 1
    assert report.skipped[0].place == "drive.blf at byte 144"


def test_the_end_may_be_cut_off_anywhere():
    content = file_header() + container(b"".join(classic(number, b"\1\2\3") for number in range(50)), method=0)
    for end in range(72, len(content)):
        frames, report = read(content[:end])
        assert [frame.can_id for frame in frames] == list(range(len(frames)))
        assert report.skipped_count == 0
        assert len(frames) == max(end - 144 - 32, 0) // 48
        assert report.is_truncated == (end > 144)


def test_a_file_without_its_header_is_refused_with_the_reason():
    with pytest.raises(LogReadError, match="header is missing or cut off"):
        read(b"LOGG\0")
    assert not FORMAT.looks_like(b"LOBJ")


def test_a_container_that_claims_gigabytes_takes_no_memory():
    log = bytearray(file_header() + container(classic(1, b"")))
    log[144 + 8 : 144 + 12] = (0xFFFFFFF0).to_bytes(4, "little")
    frames, report = read(bytes(log) + container(classic(2, b"")))
    assert [frame.can_id for frame in frames] == [2]
    assert report.skipped_count == 1


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_flipped_bits_raise_nothing_and_cost_little(data):
    objects = [classic(1, b"\1"), marker(b"LOBJ"), classic(2, b"\2")] * 30
    is_packed = data.draw(st.booleans())
    log = bytearray(file_header() + container(b"".join(objects), method=2 if is_packed else 0))
    flips = data.draw(st.integers(1, 4))
    for _ in range(flips):
        log[data.draw(st.integers(72, len(log) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    frames, _ = read(bytes(log))
    # A flipped bit can make a CAN FD frame (type 100) of a marker (type 96); damage in packed data can repeat parts.
    assert len(frames) <= 60 + flips or is_packed
    assert all(abs(frame.time_ns) < 1 << 63 for frame in frames)
