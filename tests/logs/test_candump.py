"""Candump logs: the grammar, and that the compiled reader keeps to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.logs.candump import FORMAT, READER, parse_line, times_count_from_last
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read_bytes


@pytest.mark.from_memory("can-utils candump(1) and cansend(1); log lines as in its README")
@pytest.mark.parametrize(
    ("line", "frame"),
    [
        ("(1436509052.249713) vcan0 044#2A366C2BBA", Frame(1436509052249713000, 0x44, bytes.fromhex("2A366C2BBA"))),
        ("(0.0) vcan0 001#8d00100100820100", Frame(0, 1, bytes.fromhex("8d00100100820100"))),
        ("(1.000002) can0 12345678# R", Frame(1000002000, 0x12345678, b"", is_extended=True)),
        ("(1.000002) can0 123#11.22.33 T", Frame(1000002000, 0x123, b"\x11\x22\x33")),
        ("(1.000002) can0 123##311223344", Frame(1000002000, 0x123, b"\x11\x22\x33\x44", is_fd=True)),
        ("(1.000002) can0 123##a" + "ab" * 64, Frame(1000002000, 0x123, b"\xab" * 64, is_fd=True)),
        ("(1.000002) can0 123#R", Frame(1000002000, 0x123, b"", is_remote=True)),
        ("(1.000002) can0 123#R8", Frame(1000002000, 0x123, b"", is_remote=True)),
        ("(1.000002) can0 123#1122334455667788_9", Frame(1000002000, 0x123, bytes.fromhex("1122334455667788"))),
        ("(1.000002) can0 20000080#0000000000000000", Frame(1000002000, 0x80, bytes(8), is_error=True)),
        ("(1.000002) can0 20000004#0004000000000000", Frame(1000002000, 4, b"\0\4" + bytes(6), is_error=True)),
        ("   (1.5)   can0\t123#00   ", Frame(1500000000, 0x123, b"\0")),
    ],
)
def test_each_kind_of_line_is_read(tmp_path, line, frame):
    frames, report = read_bytes(f"{line}\n".encode(), FORMAT, tmp_path)
    assert frames == [replace(frame, bus=line.split()[1])]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("(1.000002) can0 123#112", "no frame's data"),
        ("(1.000002) can0 123#112233445566778899", "no frame's data"),
        ("(1.000002) can0 123#11g2", "no frame's data"),
        ("(1.000002) can0 123##", "no frame's data"),
        ("(1.000002) can0 123##0" + "11" * 65, "no frame's data"),
        ("(1.000002) can0 123#11_9", "eight data bytes"),
        ("(1.000002) can0 40000000#11", "out of range"),
        ("(1.000002) can0 80000000#11", "out of range"),
        ("(1.000002) can0 123456789#11", "not of the form"),
        ("(1.000002 can0 123#11", "not of the form"),
        ("(1.0000021234) can0 123#11", "not of the form"),
        ("1.000002) can0 123#11", "not of the form"),
        ("(1.000002) can0 123#11 X", "not of the form"),
        ("(1.000002) 123#11", "not of the form"),
        ("(1.000002) can0 12345#81:00:12345678#11223344", "no frame's data"),
    ],
)
def test_a_broken_line_costs_itself_alone_and_says_why(tmp_path, line, reason):
    good = "(1.000001) can0 123#11\n"
    frames, report = read_bytes(f"{good}{line}\n{good}".encode(), FORMAT, tmp_path)
    assert len(frames) == 2
    assert report.skipped_count == 1
    assert report.skipped[0].place == f"{tmp_path / 'log'}:2"
    assert reason in report.skipped[0].reason


def test_comments_and_empty_lines_are_passed_over(tmp_path):
    frames, report = read_bytes(b"# from the garage\r\n\r\n(1.000001) can0 123#11\r\n  \n", FORMAT, tmp_path)
    assert len(frames) == 1
    assert report.skipped_count == 0


def test_times_from_line_to_line_are_summed_up_across_chunks(tmp_path):
    content = "".join(f"({step:010.6f}) can0 123#11\n" for step in [0.0, 0.5, 0.1, 0.2, 0.1, 0.3] * 20)
    frames, _ = read_bytes(content.encode(), FORMAT, tmp_path, chunk_bytes=100)
    expected_ns = np.cumsum([0, 500_000_000, 100_000_000, 200_000_000, 100_000_000, 300_000_000] * 20)
    assert [frame.time_ns for frame in frames] == expected_ns.tolist()


def test_times_that_only_grow_are_kept_as_they_are(tmp_path):
    frames, _ = read_bytes(
        b"(000.000000) can0 123#11\n(000.500000) can0 123#11\n(000.700000) can0 1x#11\n", FORMAT, tmp_path
    )
    assert [frame.time_ns for frame in frames] == [0, 500_000_000]


def test_absolute_times_that_step_back_are_kept():
    times_ns = np.array([1_700_000_000, 1_700_000_002, 1_700_000_001] * 10) * 1_000_000_000
    assert not times_count_from_last(times_ns)


_HEX = "0123456789abcdefABCDEF"
_LINES = st.one_of(
    st.builds(
        lambda seconds, micro, bus, number, data, tail: f"({seconds}.{micro:06d}) {bus} {number}#{data}{tail}",
        st.one_of(st.integers(0, 99), st.integers(1_700_000_000, 1_700_000_003)),
        st.integers(0, 999_999),
        st.sampled_from(["can0", "can1", "vcan12", "a_long_bus_name1", "0"]),
        st.one_of(st.integers(0, 0xFFF).map("{:03X}".format), st.integers(0, 0xFFFFFFFF).map("{:08x}".format)),
        st.one_of(
            st.text(_HEX, max_size=18),
            st.binary(max_size=8).map(bytes.hex),
            st.binary(max_size=66).map(lambda data: "#1" + data.hex()),
            st.sampled_from(["R", "r4", "1122334455667788_9", "11.22"]),
        ),
        st.sampled_from(["", " R", " T", " r", " "]),
    ),
    st.text(" -~\t", max_size=50),
)
_DAMAGE = st.one_of(st.none(), st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)))


@settings(deadline=None, max_examples=80)
@given(st.lists(st.tuples(_LINES, _DAMAGE), min_size=1, max_size=30))
def test_the_compiled_reader_takes_only_what_the_grammar_takes_and_reads_it_alike(cases):
    lines = [damaged(line.encode(), damage) for line, damage in cases]
    assert_keeps_to_grammar(lines, parse_line, READER)


def test_the_compiled_reader_takes_every_kind_of_line():
    rows = [f"({1_700_000_000 + k // 5}.{k:06d}) can{k % 3} {k:03X}#{'5A' * (k % 9)} R" for k in range(500)]
    rows += [f"(1700000200.{k:06d}) vcan0 18FF{k:04X}##1{'5A' * (k % 65)}" for k in range(200)]
    rows += ["(1.5) can0 123#R", "(1.5) can0 123#R4_9", "(1.5) can0 123#11.22", "  (1.5)\tcan0  20000080#00 T "]
    rows += ["(1.000000001) can0 123#1122334455667788_A", "(0.0) can0 001#\r"]
    assert not compiled_frames((row.encode() for row in rows), READER).left.size


@pytest.mark.parametrize("line", [b"can0  123   [8]  11 22", b"date Mon", b"", b"\x00\xff" * 50])
def test_other_content_is_not_recognised(line):
    assert not FORMAT.looks_like(line)
