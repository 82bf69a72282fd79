"""Text with a frame in each line: layouts inferred, described or refused; the compiled reader keeps to the grammar."""

from __future__ import annotations

import pytest
from hypothesis import given, settings, strategies as st

from logan.errors import UsageError
from logan.logs.frame_text import FORMAT, READER, Grammar
from logan.logs.frame_text_layout import wishes_of
from logan.logs.frame_text_roles import infer_layout
from logan.logs.log_format import ReadOptions
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read_bytes

TABLES = {
    "data in one field, ms": (
        b"Time [ms],ID [hex],Bus,DLC,Data\n1.5,7FF,can0,3,0102FF\n2.25,18FF1122,can1,0,\n",
        [
            Frame(1_500_000, 0x7FF, b"\1\2\xff", bus="can0"),
            Frame(2_250_000, 0x18FF1122, b"", is_extended=True, bus="can1"),
        ],
    ),
    "byte columns, padded identifiers": (
        b"Time Stamp [us],ID,Extended,Dir,Bus,LEN,D1,D2,D3,D4,D5,D6,D7,D8\n"
        b"1500,000007FF,false,Rx,0,3,01,02,FF,00,00,00,00,00,\n1600,18FF1122,true,Rx,1,2,0A,0B,\n",
        [
            Frame(1_500_000, 0x7FF, b"\1\2\xff", bus="0"),
            Frame(1_600_000, 0x18FF1122, b"\x0a\x0b", is_extended=True, bus="1"),
        ],
    ),
    "spaced data, tabs, decimal identifiers": (
        b"time_s\tid_dec\tdata\n0.000001\t2047\t01 02 FF\n0.5\t2048\t\n",
        [Frame(1_000, 0x7FF, b"\1\2\xff"), Frame(500_000_000, 0x800, b"", is_extended=True)],
    ),
    "seconds by their microseconds, semicolons, 0x": (
        b"Timestamp;CAN ID;Data\n0.000001;0x7FF;0102FF\n0.000002;0x18FF1122;0x01\n",
        [Frame(1_000, 0x7FF, b"\1\2\xff"), Frame(2_000, 0x18FF1122, b"\1", is_extended=True)],
    ),
    "ns since 1970, decimal bytes, quotes": (
        b'time,id (hex),b0,b1,b2\n"1700000000000000001","7FF","1","2","255"\n1700000000000000002,1,7,,\n',
        [Frame(1_700_000_000_000_000_001, 0x7FF, b"\1\2\xff"), Frame(1_700_000_000_000_000_002, 1, b"\7")],
    ),
    "CAN FD, remote and error columns": (
        b"time [us],id [hex],fd,remote,error,data\n1,1,1,0,0,00112233445566778899\n2,2,0,1,0,\n3,3,0,0,1,\n",
        [
            Frame(1_000, 1, bytes.fromhex("00112233445566778899"), is_fd=True),
            Frame(2_000, 2, b"", is_remote=True),
            Frame(3_000, 3, b"", is_error=True),
        ],
    ),
}


@pytest.mark.parametrize("name", TABLES)
def test_a_table_that_says_what_it_holds_is_recognised_and_read(tmp_path, name):
    content, expected = TABLES[name]
    assert FORMAT.looks_like(content)
    frames, report = read_bytes(content, FORMAT, tmp_path)
    assert frames == expected
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"time,id [hex],data\n1,1,00\n2,1,00\n", "does not tell the unit of its times"),
        (b"time [ms],id,data\n1,100,00\n2,200,00\n", "may be hexadecimal or decimal"),
        (b"time [ms],id [hex],b0,b1\n1,100,1,2\n2,200,12,13\n", "data bytes may be hexadecimal or decimal"),
    ],
)
def test_what_can_be_read_in_two_ways_is_refused_with_the_remedy(content, problem):
    assert FORMAT.looks_like(content)
    found = infer_layout(content)
    assert problem in found.problem
    assert "--columns" in found.remedy


@pytest.mark.parametrize(
    ("columns", "row"),
    [
        ("time_ms,id_hex,length,data", "1500,7FF,3,0102FF"),
        ("time_s,bus,id_dec,bytes_dec", "1.5,,2047,1,2,255"),
        ("time_us,-,id_hex,extended,bytes_hex", "1500000,x,7FF,0,01,02,FF"),
        ("time_ns, id_hex, data", "1500000000|7ff|01-02-ff"),
    ],
)
def test_a_table_without_header_is_read_as_described(tmp_path, columns, row):
    content = f"logger 1.2\n{row}\n{row}\n".encode()
    frames, report = read_bytes(content, FORMAT, tmp_path, options=ReadOptions(column_layout=columns))
    assert frames == [Frame(1_500_000_000, 0x7FF, b"\1\2\xff")] * 2
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("columns", "problem"),
    [
        ("time_ms,id_hex", "lacks data"),
        ("time_ms,data", "lacks id"),
        ("time=min", "no kind of column"),
        ("x", "no kind of column"),
    ],
)
def test_a_description_that_is_not_enough_is_refused(columns, problem):
    with pytest.raises(UsageError, match=problem):
        wishes_of(columns)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("x,7FF,1,00", "'x' is no time"),
        ("99999999999999999,7FF,1,00", "out of range"),
        ("1,7GF,1,00", "'7GF' is no identifier"),
        ("1,20000000,1,00", "out of range"),
        ("1,B0000000,1,00", "out of range"),
        ("1,7FF,9x,00", "'9x' is no data length"),
        ("1,7FF,1,0G", "'0G' is no data"),
        ("1,7FF,1,0001", "2 data bytes where its length says 1"),
        ("1", "'' is no identifier"),
    ],
)
def test_a_broken_row_costs_itself_alone_and_says_why(tmp_path, row, reason):
    good = "1,7FF,1,00\n" * 8
    frames, report = read_bytes(f"time [ms],id [hex],length,data\n{good}{row}\n{good}".encode(), FORMAT, tmp_path)
    assert len(frames) == 16
    assert report.skipped_count == 1
    assert report.skipped[0].place.endswith(":10")
    assert reason in report.skipped[0].reason


LAYOUTS = {
    "time_ms,id_hex,length,data": "{time},{id:X},{n},{data}",
    "time_s,bus,id_dec,extended,data": "{time},{bus},{id},{flag},{spaced}",
    "time_us,id_hex,bus,length,bytes_hex": "{time},{id:08x},{bus},{n},{columns}",
    "time_ns,id_hex,remote,bytes_dec": "{whole},0x{id:x},{flag},{decimals}",
}
_ROW = st.fixed_dictionaries(
    {
        "whole": st.one_of(st.integers(0, 9999), st.integers(0, 10**18)),
        "fraction": st.one_of(
            st.just(""), st.integers(0, 999_999).map(".{:06d}".format), st.integers(0, 99).map(".{}".format)
        ),
        "id": st.one_of(st.integers(0, 0x8FF), st.integers(0, 0x2FFFFFFF)),
        "bus": st.sampled_from(["0", "1", "can0", "powertrain", "-", " 1"]),
        "n": st.integers(0, 9),
        "flag": st.sampled_from([0, 1, 1, "true", "?"]),
        "data": st.binary(max_size=9),
    }
)
_DAMAGE = st.one_of(st.none(), st.none(), st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)))


def _row(style: str, row: dict) -> bytes:
    data = row["data"]
    return style.format(
        time=f"{row['whole']}{row['fraction']}",
        whole=row["whole"],
        id=row["id"],
        bus=row["bus"],
        n=row["n"],
        flag=row["flag"],
        data=data.hex(),
        spaced=data.hex(" ").upper(),
        columns=",".join(f"{byte:02X}" for byte in data),
        decimals=",".join(str(byte) for byte in data),
    ).encode()


def _described(columns: str):
    """Layout of rows as the user describes it, with commas."""
    row = {"whole": 1, "fraction": ".25", "id": 0x123, "bus": "can0", "n": 8, "flag": 0, "data": bytes(range(8))}
    return infer_layout(_row(LAYOUTS[columns], row) + b"\n", columns).layout


@pytest.mark.parametrize("columns", LAYOUTS)
@settings(deadline=None, max_examples=40)
@given(cases=st.lists(st.tuples(_ROW, _DAMAGE), min_size=1, max_size=40))
def test_the_compiled_reader_takes_only_what_the_grammar_takes_and_reads_it_alike(columns, cases):
    lines = [damaged(_row(LAYOUTS[columns], row), damage) for row, damage in cases]
    layout = _described(columns)
    assert_keeps_to_grammar(lines, Grammar(layout).parse_line, READER, layout, b"")


@pytest.mark.parametrize("columns", LAYOUTS)
def test_the_compiled_reader_takes_the_usual_rows(columns):
    rows = [
        {
            "whole": 1000 + k,
            "fraction": ".25",
            "id": k,
            "bus": "can0",
            "n": k % 9,
            "flag": 0,
            "data": bytes(range(k, k + k % 9)),
        }
        for k in range(1, 200)
    ]
    layout = _described(columns)
    assert not compiled_frames((_row(LAYOUTS[columns], row) for row in rows), READER, layout, b"").left.size


@pytest.mark.parametrize(
    "head", [b"", b"\x00\xff" * 50, b"time,speed\n1,2\n", b"(1.0) can0 123#11\n", b"id,name\n1,a\n"]
)
def test_other_content_is_not_recognised(head):
    assert not FORMAT.looks_like(head)
