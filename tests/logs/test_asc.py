# ruff: noqa: E501 -- lines of logs are as long as they are
"""ASC logs: header, the grammar of events, and that the compiled reader keeps to it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings, strategies as st

from logan.logs.asc import FORMAT, READER, Grammar, Header, parse_header, parse_moment
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read_bytes

HEADER = b"date Sat Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\ninternal events logged\n"
START_NS = 1_506_783_973_191_000_000
"""2017-09-30 15:06:13.191 UTC."""

FD_TAIL = "  102203  133   303000 e0006659 46500250 4b140250 20011736 2001040d"


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (
            "   0.019968 1  64              Rx   d 4 64 00 00 00  Length = 0 BitCount = 0 ID = 100",
            Frame(19968000, 0x64, b"\x64\0\0\0"),
        ),
        (
            "  13.258671 1  3FF             Tx   d D 55 AA 01 02 03 04 05 06  Length = 232016",
            Frame(13258671000, 0x3FF, bytes.fromhex("55AA010203040506")),
        ),
        (
            "   3.098426 12  18EBFF00x       Rx d 8 01 A0 0F A6 60 3B D1 40",
            Frame(3098426000, 0x18EBFF00, bytes.fromhex("01A00FA6603BD140"), is_extended=True, bus="12"),
        ),
        ("     2.5010 2   C8             Tx   d 2 09 08", Frame(2501000000, 0xC8, b"\x09\x08", bus="2")),
        ("   2.510001 2 100 Tx r", Frame(2510001000, 0x100, b"", is_remote=True, bus="2")),
        (
            "   2.520002 3 200 Tx r Length = 1704000 BitCount = 145 ID = 88888888x",
            Frame(2520002000, 0x200, b"", is_remote=True, bus="3"),
        ),
        ("   2.501010 1 ErrorFrame ECC: 10100010", Frame(2501010000, 0, b"", is_error=True)),
        (
            "   0.5 1 EngineData Rx d 1 07  Length = 1 BitCount = 2 ID = 418119424x",
            Frame(500000000, 0x18EBFF00, b"\7", is_extended=True),
        ),
        ("   0.5 1 123 Rx d 0", Frame(500000000, 0x123, b"")),
        ("   0.5 1 123 Rx d 8 01 02", Frame(500000000, 0x123, b"\1\2")),
        ("   0.5 1 123 rx D 1 ff", Frame(500000000, 0x123, b"\xff")),
        (
            "  30.005021 CANFD   1 Rx        300                                   1 0 8  8 11 c2 03 04 05 06 07 08 "
            + FD_TAIL,
            Frame(30005021000, 0x300, bytes.fromhex("11c2030405060708"), is_fd=True),
        ),
        (
            "  30.005071 CANFD   3 Rx        30a  Generic_Name_12                  1 1 2  2 01 02 " + FD_TAIL,
            Frame(30005071000, 0x30A, b"\1\2", is_fd=True, bus="3"),
        ),
        (
            "  30.300981 CANFD   3 Tx     50005x                                0 1 5 0 140000 73 200050 7a60 46500250",
            Frame(30300981000, 0x50005, b"", is_extended=True, is_fd=True, is_remote=True, bus="3"),
        ),
        (
            "  30.300981 CANFD   3 Tx     50005x                                0 1 0 0 140000 73 1000 7a60 46500250",
            Frame(30300981000, 0x50005, b"", is_extended=True, is_fd=True, bus="3"),
        ),
        (
            "  30.806898 CANFD   5 Tx ErrorFrame Not Acknowledge error",
            Frame(30806898000, 0, b"", is_fd=True, is_error=True, bus="5"),
        ),
    ],
)
def test_each_kind_of_event_is_read(tmp_path, line, frame):
    frames, report = read_bytes(HEADER + line.encode() + b"\n", FORMAT, tmp_path)
    assert frames == [replace(frame, time_ns=START_NS + frame.time_ns, bus=frame.bus or "1")]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    "line",
    [
        "   0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0",
        "   1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
        "   3.297743 1  J1939TP FEE3p        6    0  0   -   Rx   d 23 A0 0F A6 60 3B D1 40 1F DE 80 25 DF C0",
        "   0.000000 Start of measurement",
        "//0.000000 previous log file: drive_03.asc",
        "   0.100000 1  64              TxRq d 1 00",
        "   0.100000 log trigger event",
        "",
        "End TriggerBlock",
    ],
)
def test_other_events_are_passed_over(tmp_path, line):
    frames, report = read_bytes(HEADER + line.encode() + b"\r\n   0.5 1 123 Rx d 0\r\n", FORMAT, tmp_path)
    assert len(frames) == 1
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("   0.019968 1  64              Rx   d 4 64 0G 00 00", "'0G' is no data byte"),
        ("   0.019968 1  64              Rx   d 8 64 00  Length = 0", "'Length' is no data byte"),
        ("   0.019968 1  64              Rx   d G 64 00", "'G' is no data length"),
        ("   0.019968 1  64              Rx   d", "'' is no data length"),
        ("   0.019968 1  800             Rx   d 1 64", "identifier 800 is out of range"),
        ("   0.019968 1  20000000x       Rx   d 1 64", "is out of range"),
        ("   0.019968 1  EngineData      Rx   d 1 64", "'EngineData' is no identifier"),
        ("   0.019968 1  0x64            Rx   d 1 64", "'0x64' is no identifier"),
        ("   0.019968 1  64              Rz   d 1 64", "neither Rx nor Tx"),
        ("   0.0199y8 1  64              Rx   d 1 64", "does not start with a time"),
        ("  30.005021 CANFD   1 Rx        300   1 0 8 65 11", "at most 64 data bytes"),
        ("  30.005021 CANFD   1 Rx        300   1 2 8 8 11", "not of the form"),
    ],
)
def test_a_broken_line_costs_itself_alone_and_says_why(tmp_path, line, reason):
    good = "   0.019967 1  64              Rx   d 4 64 00 00 00\n"
    frames, report = read_bytes(HEADER + f"{good}{line}\n{good}".encode(), FORMAT, tmp_path)
    assert len(frames) == 2
    assert report.skipped_count == 1
    assert report.skipped[0].place.endswith(":5")
    assert reason in report.skipped[0].reason


def test_decimal_base(tmp_path):
    header = HEADER.replace(b"hex", b"dec")
    frames, _ = read_bytes(header + b"   0.5 1  100             Rx   d 3 100 255 0\n", FORMAT, tmp_path)
    assert (frames[0].can_id, frames[0].data) == (100, bytes([100, 255, 0]))
    _, report = read_bytes(header + b"   0.5 1  100             Rx   d 3 100 256 0\n", FORMAT, tmp_path)
    assert "'256' is no data byte" in report.skipped[0].reason


@pytest.mark.parametrize("chunk_bytes", [60, 200, 1 << 20])
def test_relative_times_are_summed_up_over_all_events(tmp_path, chunk_bytes):
    header = HEADER.replace(b"absolute", b"relative")
    lines = [b"   0.100000 1  64 Rx d 1 00", b"   0.200000 1  Statistic: D 0 R 0", b"   0.300000 2  65 Rx d 1 01"] * 5
    frames, _ = read_bytes(header + b"\n".join(lines) + b"\n", FORMAT, tmp_path, chunk_bytes=chunk_bytes)
    steps_ms = [100, 600] + [100 + 600 * cycle + extra for cycle in range(1, 5) for extra in (0, 500)]
    assert [frame.time_ns for frame in frames] == [START_NS + step * 1_000_000 for step in steps_ms]


@pytest.mark.parametrize(
    ("text", "moment_ns"),
    [
        ("Sat Sep 30 15:06:13.191 2017", START_NS),
        ("Sam Sep 30 15:06:13.191 2017", START_NS),
        ("Sat Sep 30 03:06:13.191 PM 2017", START_NS),
        ("Sat Sep 30 03:06:13.191 pm 2017", START_NS),
        ("Don Okt 5 00:00:00 2017", 1_507_161_600_000_000_000),
        ("Mit Mär 1 12:00:00 am 2017", 1_488_326_400_000_000_000),
        ("Fri Dez 1 12:00:00.5 2017", 1_512_129_600_005_000_000),
        ("Fri Dez 1 12:00:00.000001 2017", 1_512_129_600_000_001_000),
        ("Fri Foo 1 12:00:00 2017", None),
        ("Fri Feb 31 12:00:00 2017", None),
        ("2017-12-01", None),
        ("Fri Dez 1 12:00:00 9999", None),  # a time in ns from 1970 ends in 2262
    ],
)
def test_dates(text, moment_ns):
    assert parse_moment(text.encode()) == moment_ns
    assert moment_ns is None or parse_moment(text.encode("latin-1")) == moment_ns


def test_the_start_of_the_measurement_wins_over_the_date_of_the_file():
    head = (
        HEADER
        + b"// version 9.0.0\nBegin Triggerblock Sat Sep 30 15:06:14.191 2017\n   0.000000 Start of measurement\n"
    )
    assert parse_header(head) == Header(16, False, START_NS + 1_000_000_000)
    assert parse_header(b"base dec timestamps relative\n") == Header(10, True, 0)


_IDS = st.one_of(st.integers(0, 0xFFF).map("{:X}".format), st.integers(0, 0x2FFFFFFF).map("{:x}x".format))
_CLASSIC = st.builds(
    lambda style, seconds, micro, bus, can_id, way, kind, dlc, data, tail: style.format(
        time=f"{seconds}.{micro:06d}",
        bus=bus,
        id=can_id,
        way=way,
        kind=kind,
        dlc=dlc,
        data=data.hex(" ").upper(),
        tail=tail,
    ),
    st.sampled_from(
        ["{time:>11} {bus}  {id:<15} {way:<4} {kind} {dlc:x} {data}{tail}"] * 3
        + [
            "{time:>12} {bus}  {id:<15} {way} {kind} {dlc:x} {data} {tail}",
            " {time} {bus} {id} {way} {kind} {dlc:X} {data}",
        ]
    ),
    st.one_of(st.integers(0, 3), st.integers(0, 99_999_999)),
    st.integers(0, 999_999),
    st.sampled_from([1, 1, 1, 2, 12]),
    _IDS,
    st.sampled_from(["Rx", "Tx", "Rx", "TxRq"]),
    st.sampled_from(["d", "d", "d", "r"]),
    st.integers(0, 17),
    st.binary(max_size=9),
    st.sampled_from(["", "  Length = 1 BitCount = 2 ID = 3", " "]),
)
_FD = st.builds(
    lambda micro, bus, can_id, name, dlc, data, extra: (
        f"  30.{micro:06d} CANFD {bus:>3} Rx   {can_id:>8}  {name:>32} 1 0 {dlc:x} {len(data) + extra:>2} {data.hex(' ')}{FD_TAIL}"
    ),
    st.integers(0, 999_999),
    st.integers(1, 3),
    _IDS,
    st.sampled_from(["", "", "Some_Name"]),
    st.integers(0, 15),
    st.binary(max_size=64),
    st.sampled_from([0, 0, 0, 1]),
)
_DAMAGE = st.one_of(st.none(), st.none(), st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)))


@settings(deadline=None, max_examples=120)
@given(
    st.sampled_from([16, 16, 10]),
    st.lists(
        st.tuples(st.one_of(_CLASSIC, _CLASSIC, _FD, st.text(" -~\t", max_size=50)), _DAMAGE), min_size=1, max_size=40
    ),
)
def test_the_compiled_reader_takes_only_what_the_grammar_takes_and_reads_it_alike(base, cases):
    lines = [damaged(line.encode(), damage) for line, damage in cases]
    grammar = Grammar(Header(base, start_ns=START_NS))
    assert_keeps_to_grammar(lines, grammar.parse_line, READER, base == 10, START_NS)


@pytest.mark.parametrize(
    ("is_decimal", "style"), [(False, "{:<15X}"), (False, "{:X}x"), (True, "{:<15}"), (True, "{}x")]
)
def test_the_compiled_reader_takes_the_usual_lines(is_decimal, style):
    rows = [
        f"{k / 7:11.6f} {k % 2 + 1}  {style.format(k)} Rx   d {k % 9} {('90 ' * (k % 9)).strip()}"
        for k in range(1, 500)
    ]
    rows += ["   1.5 1  7FF  Tx   r", "   1.5 1  7FF  Tx   r 8 Length = 0"] if not is_decimal else []
    rows += ["   1.5 2  ErrorFrame", "   1.5 2  ErrorFrame\tECC: 10100010", "   1.5 CANFD   2 Rx  ErrorFrame  0 0"]
    frames = compiled_frames((row.encode() for row in rows), READER, is_decimal, 0)
    assert not frames.left.size
    assert frames.payload[4, :5].tolist() == [90 if is_decimal else 0x90] * 5


@pytest.mark.parametrize("identifier", ["{:X}", "18FF{:04X}x"])
def test_the_compiled_reader_takes_the_usual_long_frames(identifier):
    sizes = (1, 8, 12, 16, 20, 24, 32, 48, 64)
    rows = []
    for k in range(1, 400):
        size, number = sizes[k % 9], identifier.format(k)
        data = bytes(range(k % 100, k % 100 + size)).hex(" ")
        rows.append(
            f"{k / 7:11.6f} CANFD {k % 2 + 1:>3} Rx   {number:>8}  {'':>32} 1 0 {k % 16:x} {size:>2} {data}{FD_TAIL}"
        )
    frames = compiled_frames((row.encode() for row in rows), READER, False, 0)
    assert not frames.left.size
    assert frames.length[1:10].tolist() == [12, 16, 20, 24, 32, 48, 64, 1, 8]
    assert frames.payload[7, :65].tolist() == list(range(8, 72))


@pytest.mark.parametrize(
    "head", [b"", b"\x00\xff" * 50, b"(1.0) can0 123#11", b"time,id,data\n0.1,2,3", b"date,speed\n1,2"]
)
def test_other_content_is_not_recognised(head):
    assert not FORMAT.looks_like(head)


@pytest.mark.parametrize("head", [HEADER, b"// comment\n" + HEADER, b"   0.5 1  123             Rx   d 1 00\n"])
def test_it_is_recognised_by_its_header_or_a_frame(head):
    assert FORMAT.looks_like(head)
