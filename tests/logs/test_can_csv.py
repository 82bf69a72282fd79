"""CSV of frames: the grammar, and that the compiled reader keeps to it."""

from __future__ import annotations

import base64

import pytest
from hypothesis import given, settings, strategies as st

from logan.logs.can_csv import FORMAT, HEADER, READER, Grammar
from logan.logs.log_format import ReadOptions
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read_bytes


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (
            "1483389946.197,0xdadada,1,0,0,6,WzQyLCA5XQ==",
            Frame(1483389946197000000, 0xDADADA, b"[42, 9]", is_extended=True),
        ),
        ("0.0001,0x7ff,0,0,0,8,AQIDBAUGBwg=", Frame(100_000, 0x7FF, bytes(range(1, 9)))),
        ("1e-05,0x1,0,0,0,0,", Frame(10_000, 1, b"")),
        ("0.00010000000000000002,0x1,0,0,0,0,", Frame(100_000, 1, b"")),
        ("5,0x1,0,0,0,0,", Frame(5_000_000_000, 1, b"")),
        ("1.5,0x1,0,1,0,4,", Frame(1_500_000_000, 1, b"", is_remote=True)),
        ("1.5,0x0,1,0,1,0,", Frame(1_500_000_000, 0, b"", is_extended=True, is_error=True)),
        (
            "1.5,0x1,0,0,0,12," + base64.b64encode(bytes(range(12))).decode(),
            Frame(1_500_000_000, 1, bytes(range(12)), is_fd=True),
        ),
        ("1.5,0x1,0,0,0,8,AQI=", Frame(1_500_000_000, 1, b"\1\2")),
    ],
)
def test_each_kind_of_line_is_read(tmp_path, line, frame):
    line = line.replace(",6,WzQyLCA5XQ==", ",7,WzQyLCA5XQ==")
    frames, report = read_bytes(HEADER + b"\r\n" + line.encode() + b"\r\n", FORMAT, tmp_path)
    assert frames == [frame]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("1.5,0x1,0,0,0,2,AQIDBA==", "4 data bytes where its length says 2"),
        ("1.5,0x1,0,0,0,65,", "its length says 65"),
        ("1.5,0x800,0,0,0,0,", "0x800 is out of range"),
        ("1.5,0x20000000,1,0,0,0,", "out of range"),
        ("1.5,0x1,0,0,0,2,AQI", "not of the form"),
        ("1.5,0x1,0,0,0,2,A*I=", "not of the form"),
        ("1.5,0x1,2,0,0,0,", "not of the form"),
        ("1.5,1,0,0,0,0,", "not of the form"),
        ("1.x,0x1,0,0,0,0,", "not of the form"),
        ("1.5,0x1,0,0,0", "not of the form"),
        ("9999999999.0,0x1,0,0,0,0,", "beyond the year 2262"),
        ("1e30,0x1,0,0,0,0,", "beyond the year 2262"),
    ],
)
def test_a_broken_line_costs_itself_alone_and_says_why(tmp_path, line, reason):
    good = "1.5,0x1,0,0,0,2,AQI=\n"
    frames, report = read_bytes(b"\xef\xbb\xbf" + HEADER + f"\n{good}{line}\n{good}".encode(), FORMAT, tmp_path)
    assert len(frames) == 2
    assert report.skipped_count == 1
    assert report.skipped[0].place.endswith(":3")
    assert reason in report.skipped[0].reason


def test_the_bus_is_named_from_outside(tmp_path):
    frames, _ = read_bytes(HEADER + b"\n1.5,0x1,0,0,0,0,\n", FORMAT, tmp_path, options=ReadOptions(bus="powertrain"))
    assert frames[0].bus == "powertrain"


_LINE = st.builds(
    lambda time, can_id, extended, remote, error, length, data, cut: (
        f"{time!r},{can_id:#x},{extended},{remote},{error},{length},{base64.b64encode(data).decode()[:cut]}"
    ),
    st.one_of(st.floats(0, 2e9), st.floats(0, 2e9).map(lambda time: round(time, 6)), st.integers(0, 99)),
    st.one_of(st.integers(0, 0x8FF), st.integers(0, 0x2FFFFFFF)),
    st.sampled_from([0, 1, 1, 2]),
    st.sampled_from([0, 0, 0, 1]),
    st.sampled_from([0, 0, 0, 1]),
    st.integers(0, 10),
    st.binary(max_size=9),
    st.sampled_from([None, None, None, 3, 12]),
)
_DAMAGE = st.one_of(st.none(), st.none(), st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)))


@settings(deadline=None, max_examples=80)
@given(
    st.lists(st.tuples(st.one_of(_LINE, _LINE, _LINE, st.text(" -~\t", max_size=50)), _DAMAGE), min_size=1, max_size=40)
)
def test_the_compiled_reader_takes_only_what_the_grammar_takes_and_reads_it_alike(cases):
    lines = [damaged(line.encode(), damage) for line, damage in cases]
    assert_keeps_to_grammar(lines, Grammar().parse_line, READER, b"")


def test_the_compiled_reader_takes_the_usual_lines():
    rows = [
        f"{1_700_000_000 + k * 0.123456!r},{k:#x},1,0,0,{k % 65},{base64.b64encode(bytes(range(k % 65))).decode()}"
        for k in range(1, 2000)
    ]
    frames = compiled_frames((row.encode() for row in rows), READER, b"powertrain")
    assert not frames.left.size
    assert frames.payload[63].tolist() == list(range(64))
    assert frames.buses == ["powertrain"]


@pytest.mark.parametrize(
    "head", [b"", b"\x00\xff" * 50, b"time,id,data\n1,2,3", b"timestamp,speed\n1,2", b"(1.0) can0 123#11"]
)
def test_other_content_is_not_recognised(head):
    assert not FORMAT.looks_like(head)


@pytest.mark.parametrize("head", [HEADER, HEADER + b"\r\n", b"\xef\xbb\xbf" + HEADER, b"1.5,0x1,0,0,0,2,AQI=\n"])
def test_it_is_recognised_with_and_without_header(head):
    assert FORMAT.looks_like(head)
