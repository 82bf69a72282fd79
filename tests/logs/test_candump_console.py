"""What candump shows on the console."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.errors import LogReadError
from logan.logs.candump_console import FORMAT, READER, parse_line
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read_bytes


@pytest.mark.from_memory("can-utils candump(1), output as the tool prints it")
@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (" (1436509052.249713)  can0  123   [3]  11 22 AB", Frame(1436509052249713000, 0x123, b"\x11\x22\xab")),
        (" (000.000012)  can0  RX - -  123   [1]  11", Frame(12_000, 0x123, b"\x11")),
        (" (000.000012)  can0  TX B E  12345678  [02]  11 22", Frame(12_000, 0x12345678, b"\x11\x22", True, True)),
        (" (2015-07-10 06:17:32.249713)  can0       123   [0] ", Frame(1436509052249713000, 0x123, b"")),
        (" (000.000012)  can0  123   [2]  remote request", Frame(12_000, 0x123, b"", is_remote=True)),
        (" (000.000012)  can0  20000004   [2]  00 04   ERRORFRAME", Frame(12_000, 4, b"\0\4", is_error=True)),
        (" (000.000012)  can0  123   [4]  11 22 33 41   '.\"3A'", Frame(12_000, 0x123, b"\x11\x22\x33A")),
        (" (000.000012)  can0  123   [4]  11 22", Frame(12_000, 0x123, b"\x11\x22")),
    ],
)
def test_each_kind_of_line_is_read(tmp_path, line, frame):
    frames, report = read_bytes(f"{line}\n\tcontroller-problem\n".encode(), FORMAT, tmp_path)
    assert frames == [Frame(**{**vars(frame), "bus": "can0"})]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (" (000.000012)  can0  123   [1]  11 22", "2 data bytes where its length says 1"),
        (" (000.000012)  can0  123   [9]  11", "its length says 9"),
        (" (000.000012)  can0  40000000   [1]  11", "out of range"),
        (" (000.000012)  can0  123   [1]  1G", "not of the form"),
        (" (2015-13-10 08:17:32.249713)  can0  123   [1]  11", "is no date"),
        ("  can0  123   [1]  11", "has no time"),
        (" (9999999999.000000)  can0  123   [1]  11", "beyond the year 2262"),
        (" (9999-12-31 06:17:32.249713)  can0  123   [1]  11", "beyond the year 2262"),
    ],
)
def test_a_broken_line_costs_itself_alone_and_says_why(tmp_path, line, reason):
    good = " (000.000012)  can0  123   [1]  11\n"
    frames, report = read_bytes(f"{good}{line}\n{good}".encode(), FORMAT, tmp_path)
    assert len(frames) == 2
    assert report.skipped_count == 1
    assert reason in report.skipped[0].reason


def test_output_without_times_is_refused_with_the_remedy(tmp_path):
    content = b"  can0  123   [1]  11\n" * 3
    assert FORMAT.looks_like(content)
    with pytest.raises(LogReadError, match="carries no times") as caught:
        read_bytes(content, FORMAT, tmp_path)
    assert "candump -L" in caught.value.remedy


def test_times_from_line_to_line_are_summed_up(tmp_path):
    content = "".join(f" (000.{step:06d})  can0  123   [1]  11\n" for step in [0, 50, 10, 20, 10, 30] * 3)
    frames, _ = read_bytes(content.encode(), FORMAT, tmp_path, chunk_bytes=80)
    assert [frame.time_ns for frame in frames[:7]] == [0, 50_000, 60_000, 80_000, 90_000, 120_000, 120_000]


_LINE = st.builds(
    lambda time, bus, way, number, length, data, tail: f"{time}  {bus}  {way}{number}   [{length}]  {data}{tail}",
    st.one_of(
        st.datetimes().map(lambda moment: f" ({moment:%Y-%m-%d %H:%M:%S}.{moment.microsecond:06d})"),
        st.tuples(st.integers(1890, 2210), st.integers(0, 13), st.integers(0, 32), st.integers(20, 25)).map(
            lambda parts: "({:04}-{:02}-{:02} {:02}:59:59.5)".format(*parts)
        ),
        st.sampled_from(["(1436509052.249713)", " (000.000012)", "(2015-07-10 06:17:32.249713)", "(1.5)", "(x.5)", ""]),
    ),
    st.sampled_from(["can0", "vcan12", "a_long_bus_name1"]),
    st.sampled_from(["", "", "RX - -  ", "TX B E  ", "RX B B  ", "TX - "]),
    st.one_of(st.integers(0, 0xFFF).map("{:03X}".format), st.integers(0, 0x3FFFFFFF).map("{:08X}".format)),
    st.sampled_from(["0", "3", "8", "9", "03", "08", "64", "65"]),
    st.one_of(st.binary(max_size=9).map(lambda data: data.hex(" ").upper()), st.sampled_from(["1 22", "ab", "11'"])),
    st.sampled_from(["", "", "   '.4A'", " ' ", "  remote request", "   ERRORFRAME", " x"]),
)
_DAMAGE = st.one_of(st.none(), st.none(), st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)))


@settings(deadline=None, max_examples=120)
@given(st.lists(st.tuples(st.one_of(_LINE, _LINE, st.text(" -~\t", max_size=50)), _DAMAGE), min_size=1, max_size=30))
def test_the_compiled_reader_takes_only_what_the_grammar_takes_and_reads_it_alike(cases):
    lines = [damaged(line.encode(), damage) for line, damage in cases]
    assert_keeps_to_grammar(lines, parse_line, READER)


def test_the_compiled_reader_takes_the_usual_lines():
    rows = [f" (17000000{k:02}.{k:06d})  can{k % 2}  {k:03X}   [{k % 9}] {' 5A' * (k % 9)}" for k in range(100)]
    rows += [f" (000.{k:06d})  vcan0  RX B -  18FF{k:04X}   [{k % 65:02}] {' 5A' * (k % 65)}" for k in range(100)]
    rows += [" (1.000000)  can0  123   [2]  41 42   'AB'", "(2024-02-29 23:59:59.25)  can0  123   [0]"]
    frames = compiled_frames((row.encode() for row in rows), READER)
    assert not frames.left.size
    assert frames.length[100:165].tolist() == list(range(65))


def test_the_compiled_reader_knows_every_day_of_two_centuries():
    days = np.arange("1970-01-01", "2201-01-01", dtype="datetime64[D]")
    frames = compiled_frames((f" ({day} 06:17:32.249713)  can0  123   [0]".encode() for day in days), READER)
    assert not frames.left.size
    of_day_ns = ((6 * 60 + 17) * 60 + 32) * 1_000_000_000 + 249_713_000
    np.testing.assert_array_equal(frames.time_ns, days.astype("datetime64[ns]").astype(np.int64) + of_day_ns)
