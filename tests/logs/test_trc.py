"""TRC logs: every version's columns, and that the compiled reader keeps to the grammar."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from logan.errors import LogReadError
from logan.logs.text_lines import FD_LENGTHS
from logan.logs.trc import COLUMNS_OF, FORMAT, READER, Grammar, Header, is_usual, parse_header
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read_bytes

START_NS = 1_506_809_173_191_000_000
"""2017-09-30 22:06:13.191 UTC, which is 43008.920986006946 days from the format's day zero."""


def header(version: str) -> bytes:
    if version == "1.0":
        return b";##########\n;    Start time: 18.12.2021 14:28:07.062\n;----+-   ---+---  ----+---  +  -+ -- -- ...\n"
    columns = f";$COLUMNS={','.join(COLUMNS_OF[version])}\n" if version >= "2" else ""
    return f";$FILEVERSION={version}\n;$STARTTIME=43008.920986006946\n{columns};\n".encode()


@pytest.mark.parametrize(
    ("version", "line", "frame"),
    [
        ("1.0", "     1)     17535  00000100  3  00 01 02", Frame(17535000000, 0x100, b"\0\1\2", is_extended=True)),
        ("1.0", "    12)     48937      0704  1  RTR", Frame(48937000000, 0x704, b"", is_remote=True)),
        (
            "1.1",
            "     1)     17535.4  Tx     00000100  2  00 07 ",
            Frame(17535400000, 0x100, b"\0\7", is_extended=True),
        ),
        ("1.1", "    12)     48937.6  Rx         0704  1  RTR", Frame(48937600000, 0x704, b"", is_remote=True)),
        ("1.1", "    12)     48937.6  Error      0008  5  00 19 08 00 00", Frame(48937600000, 0, b"", is_error=True)),
        ("1.2", "     1)     17535.400 2  Rx        0100  1    09", Frame(17535400000, 0x100, b"\x09", bus="2")),
        (
            "1.3",
            "     1)     17535.400 1  Tx    00000100 -  2    00 01",
            Frame(17535400000, 0x100, b"\0\1", is_extended=True),
        ),
        ("2.0", "      1     17535.400 DT 00000100 Tx 2  00 01", Frame(17535400000, 0x100, b"\0\1", is_extended=True)),
        ("2.0", "     12     48937.600 RR     0704 Rx 1", Frame(48937600000, 0x704, b"", is_remote=True)),
        (
            "2.0",
            "      1     17535.400 FB     0100 Tx 12 00 01 02 03 04 05 06 07 08 09 0A 0B",
            Frame(17535400000, 0x100, bytes(range(12)), is_fd=True),
        ),
        (
            "2.1",
            "      1      2501.000 DT 2      00C8 Tx -  8    09 08 07 06 05 04 03 02",
            Frame(2501000000, 0xC8, bytes(range(9, 1, -1)), bus="2"),
        ),
        (
            "2.1",
            "      1      2501.000 FD 2      00C8 Tx -  9    00 01 02 03 04 05 06 07 08 09 0A 0B",
            Frame(2501000000, 0xC8, bytes(range(12)), is_fd=True, bus="2"),
        ),
        (
            "2.1",
            "      1      2501.000 DT 2      00C8 Tx -  9    00 01 02 03 04 05 06 07",
            Frame(2501000000, 0xC8, bytes(range(8)), bus="2"),
        ),
        ("2.1", "      1      2501.000 DT 2      00C8 Tx -  8    00 01", Frame(2501000000, 0xC8, b"\0\1", bus="2")),
        ("2.1", "      1      2501.000 DT 2      00C8 Tx -  0", Frame(2501000000, 0xC8, b"", bus="2")),
        (
            "2.1",
            "      1      2501.000 ER 2         - Rx -  5    00 19 08 00 00",
            Frame(2501000000, 0, b"", is_error=True, bus="2"),
        ),
    ],
)
def test_each_version_and_kind_of_line_is_read(tmp_path, version, line, frame):
    frames, report = read_bytes(header(version) + line.encode() + b"\r\n", FORMAT, tmp_path)
    start_ns = 0 if version == "1.0" else START_NS
    assert frames == [replace(frame, time_ns=start_ns + frame.time_ns, bus=frame.bus or "1")]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("version", "line"),
    [
        ("1.0", "     2)     17540  FFFFFFFF  4  00 00 00 08 -- -- -- -- BUSHEAVY"),
        ("1.1", "     2)     17540.3  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY "),
        ("1.3", "     2)     17540.300 1  Warng FFFFFFFF -  4    00 00 00 08 BUSHEAVY"),
        ("2.0", "      2     17540.300 ST          Rx    00 00 00 08"),
        ("2.1", "      2     17540.300 ST 1         - Rx -  4    00 00 00 08"),
        ("2.1", "      2     17540.300 EV user event"),
        ("2.1", ";Begin Triggerblock"),
        ("2.1", ""),
    ],
)
def test_other_lines_are_passed_over(tmp_path, version, line):
    frames, report = read_bytes(header(version) + line.encode() + b"\r\n", FORMAT, tmp_path)
    assert frames == []
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("      1      2501.000 DT 2      00C8 Tx -  2    09 0G", "'0G' is no data byte"),
        ("      1      2501.000 DT 2      00C8 Tx -  2    09 08 07", "3 data bytes where its length says 2"),
        ("      1      2501.000 DT 2      00C8 Tx -  x    09 08", "'x' is no data length"),
        ("      1      2501.000 DT 2      00C8 Tx -  16   09 08", "16 is more data than a frame holds"),
        ("      1      2501.000 DT 2      0800 Tx -  1    09", "0800 is out of range"),
        ("      1      2501.000 DT 2  20000000 Tx -  1    09", "out of range"),
        ("      1      2501.000 DT 2      00G8 Tx -  1    09", "'00G8' is no identifier"),
        ("      1      2501.000 DT x      00C8 Tx -  1    09", "'x' is no bus number"),
        ("      1      2501.000 DX 2      00C8 Tx -  1    09", "'DX' is no type of line"),
        ("      1      2501.000 DT 2      00C8 Tz -  1    09", "neither Rx nor Tx"),
        ("      1      25x1.000 DT 2      00C8 Tx -  1    09", "a number and a time in ms"),
        ("      y      2501.000 DT 2      00C8 Tx -  1    09", "a number and a time in ms"),
        ("      1", "a number and a time in ms"),
    ],
)
def test_a_broken_line_costs_itself_alone_and_says_why(tmp_path, line, reason):
    good = "      1      2501.000 DT 2      00C8 Tx -  1    09\n"
    frames, report = read_bytes(header("2.1") + f"{good}{line}\n{good}".encode(), FORMAT, tmp_path)
    assert len(frames) == 2
    assert report.skipped_count == 1
    assert report.skipped[0].place.endswith(":6")
    assert reason in report.skipped[0].reason


def test_a_version_that_is_not_known_is_refused_with_the_remedy():
    with pytest.raises(LogReadError, match=r"TRC version 3\.0 is not known\. Save the trace as version 2\.1"):
        parse_header(b";$FILEVERSION=3.0\n", Path("drive.trc"))
    with pytest.raises(LogReadError, match="'NOD' are not enough"):
        parse_header(b";$FILEVERSION=2.0\n;$COLUMNS=N,O,D\n", Path("drive.trc"))


def test_the_columns_that_the_header_names_are_used(tmp_path):
    head = b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,I,l,d,D\n"
    frames, _ = read_bytes(head + b" 1 2.5 DT 00C8 2 Rx 09 08\n", FORMAT, tmp_path)
    assert frames == [Frame(2_500_000, 0xC8, b"\x09\x08", bus="1")]
    assert parse_header(head, Path("x")) == Header("NOTIldD", 0)


_LINE = st.builds(
    lambda style, number, whole, micro, kind, bus, can_id, way, length, data, tail: style.format(
        number=number,
        time=f"{whole}.{micro:03d}",
        kind=kind,
        bus=bus,
        id=can_id,
        way=way,
        length=length,
        data=data.hex(" ").upper(),
        tail=tail,
    ),
    st.sampled_from(
        ["{number:>7} {time:>13} {kind} {bus:>2} {id:>8} {way} -  {length:<4} {data}{tail}"] * 4
        + [" {number} {time} {kind} {bus} {id} {way} - {length} {data}"]
    ),
    st.integers(0, 99_999_999),
    st.one_of(st.integers(0, 99_999), st.integers(0, 99_999_999_999)),
    st.integers(0, 999),
    st.sampled_from(["DT", "DT", "DT", "DT", "FD", "RR", "ST", "ER"]),
    st.sampled_from([1, 1, 2, 12]),
    st.one_of(
        st.integers(0, 0xFFF).map("{:04X}".format),
        st.integers(0, 0x2FFFFFFF).map("{:08x}".format),
        st.integers(0, 0xFFFFFF).map("{:07X}".format),
    ),
    st.sampled_from(["Rx", "Tx"]),
    st.integers(0, 10),
    st.binary(max_size=9),
    st.sampled_from(["", "", " ", "  ", " 0"]),
)
_LONG = st.builds(
    lambda number, micro, kind, bus, can_id, code, size, extra, tail: (
        f"{number:>7} {12 + micro / 1000:>13.3f} {kind} {bus:>2} {can_id:>8} Rx -  {code:<4} "
        f"{bytes(range(size + extra)).hex(' ')}{tail}"
    ),
    st.integers(0, 99_999),
    st.integers(0, 999),
    st.sampled_from(["FD", "FB", "FE", "BI"]),
    st.sampled_from([1, 2, 12]),
    st.sampled_from(["0123", "07FF", "18FF50E5", "0FFF"]),
    *(st.shared(st.integers(0, 15), key="code").map(take) for take in (lambda code: code, FD_LENGTHS.__getitem__)),
    st.sampled_from([0, 0, 0, 1]),
    st.sampled_from(["", "", " "]),
)
_DAMAGE = st.one_of(st.none(), st.none(), st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)))


@settings(deadline=None, max_examples=80)
@given(
    st.lists(
        st.tuples(st.one_of(_LINE, _LINE, _LONG, _LONG, st.text(" -~\t", max_size=50)), _DAMAGE),
        min_size=1,
        max_size=40,
    )
)
def test_the_compiled_reader_takes_only_what_the_grammar_takes_and_reads_it_alike(cases):
    lines = [damaged(line.encode(), damage) for line, damage in cases]
    columns = COLUMNS_OF["2.1"]
    grammar = Grammar(Header(columns, START_NS))
    assert_keeps_to_grammar(lines, grammar.parse_line, READER, columns.encode(), START_NS)


@pytest.mark.parametrize(
    ("version", "style", "lengths"),
    [
        ("2.0", "{k:>7} {k:>13.3f} FD     0300 Rx {n:<2}  {data}", FD_LENGTHS),
        ("2.1", "{k:>7} {k:>13.3f} FB  1  18FF50E5 Rx -  {n:<4} {data}", range(16)),
    ],
)
def test_the_compiled_reader_takes_long_frames(version, style, lengths):
    rows = []
    for k in range(1, 400):
        size = FD_LENGTHS[k % 15 + 1]
        rows.append(style.format(k=k, n=lengths[k % 15 + 1], data=bytes(range(k % 100, k % 100 + size)).hex(" ")))
    frames = compiled_frames((row.encode() for row in rows), READER, COLUMNS_OF[version].encode(), 0)
    assert not frames.left.size
    assert frames.length[1:15].tolist() == [*FD_LENGTHS[3:], FD_LENGTHS[1]]
    assert frames.payload[13, :65].tolist() == list(range(14, 78))
    assert ((frames.kind & 2) != 0).all()


@pytest.mark.parametrize(
    ("version", "style"),
    [
        ("1.0", "{k:>6}) {time:>9.0f}  {id:>8}  {n}  {data}"),
        ("1.1", "{k:>6}) {time:>11.1f}  Tx     {id:>8}  {n}  {data}"),
        ("1.3", "{k:>6}) {time:>13.3f} 1  Tx    {id:>8} -  {n}    {data}"),
        ("2.0", "{k:>7} {time:>13.3f} DT {id:>8} Tx {n}  {data}"),
        ("2.1", "{k:>7} {time:>13.3f} DT {bus:>2} {id:>8} Rx -  {n}    {data}"),
        ("2.1", "{k:>7} {time:>13.3f} FB {bus:>2} {id:>8} Rx -  {n}    {data}"),
    ],
)
def test_the_compiled_reader_takes_the_usual_lines(version, style):
    rows = [
        style.format(
            k=k,
            time=k * 1.7,
            bus=k % 2 + 1,
            id=f"{k:04X}" if k % 3 else f"{k:08X}",
            n=k % 8 + 1,
            data=("5A " * (k % 8 + 1)).strip(),
        )
        for k in range(1, 500)
    ]
    columns = COLUMNS_OF[version]
    assert is_usual(columns)
    assert not compiled_frames((row.encode() for row in rows), READER, columns.encode(), 0).left.size


@pytest.mark.parametrize(
    "head", [b"", b"\x00\xff" * 50, b"(1.0) can0 123#11", b"; a comment\ntime;speed\n1;2\n", b"time,id\n1,2"]
)
def test_other_content_is_not_recognised(head):
    assert not FORMAT.looks_like(head)


@pytest.mark.parametrize("version", COLUMNS_OF)
def test_it_is_recognised(version):
    assert FORMAT.looks_like(header(version) + b"     1)     17535  00000100  3  00 01 02\n")


@pytest.mark.parametrize("columns", ["O,T,I,d,l,D", "N,O,I,d,L,T,D", "N,O,T,I,d,l,D,x", "N,O,T,I,d,l,l,D"])
def test_columns_that_the_compiled_reader_does_not_know_are_left_to_the_grammar(columns):
    assert not is_usual(columns.replace(",", ""))


def test_columns_without_a_line_number_are_read(tmp_path):
    head = b";$FILEVERSION=2.1\n;$COLUMNS=O,T,I,d,l,D\n"
    frames, _ = read_bytes(head + b" 2.5 DT 00C8 Rx 2 09 08\n", FORMAT, tmp_path)
    assert frames == [Frame(2_500_000, 0xC8, b"\x09\x08", bus="1")]


def test_a_start_that_times_would_run_over_from_is_taken_for_none():
    assert parse_header(b";$FILEVERSION=1.1\n;$STARTTIME=999999.5\n", Path("drive.trc")).start_ns == 0
