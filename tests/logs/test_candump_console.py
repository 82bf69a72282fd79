"""What candump shows on the console."""

from __future__ import annotations

import pytest

from logan.errors import LogReadError
from logan.logs.candump_console import FORMAT
from tests.logs.harness import Frame, read_bytes


@pytest.mark.published("can-utils candump(1), output as the tool prints it")
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
        (" (000.000012)  can0  923   [1]  11", "out of range"),
        (" (000.000012)  can0  123   [1]  1G", "not of the form"),
        (" (2015-13-10 08:17:32.249713)  can0  123   [1]  11", "is no date"),
        ("  can0  123   [1]  11", "has no time"),
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
