"""Times in the wrong unit, lost lines and a foreign DBC end in red, and nothing is called a drive then."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from logan.cli.main import main
from logan.pipeline.logs_reader import Reading
from logan.pipeline.look import look
from logan.quality.signal_log import loss_flag, time_flags
from logan.results import Severity
from tests.pipeline.twin_fleet import write_fleet

DIALECTS = Path(__file__).parents[2] / "fixtures/dialects"
NS = 1_000_000_000


@pytest.fixture(scope="module")
def van(tmp_path_factory):
    folder = write_fleet(tmp_path_factory.mktemp("fleet"), vehicles=1, drives=1, duration_s=300.0) / "van-001"
    assert main(["plan", "-b", str(folder)]) == 0
    return folder


def red(summary):
    return {flag.code: flag for flag in summary.flags if flag.severity is Severity.RED}


@pytest.mark.parametrize(
    ("name", "unit", "likely"),
    [
        ("c_bytes_csv_ms_short_hex.csv", "s", "1,000 times too long"),
        ("d_bytes_csv_us_uptime.csv", "ms", "1,000 times too long"),
        ("d_bytes_csv_us_uptime.csv", "s", "1,000,000 times too long"),
        ("d_bytes_csv_us_uptime.csv", "ns", "1,000 times too short"),
        ("b_tabs_padded_ids_ms_long_uptime.txt", "us", "1,000 times too short"),
        ("e_bytes_csv_us_minus.csv", "ns", "1,000 times too short"),
    ],
)
def test_times_in_the_wrong_unit_are_red_with_the_likely_one(name, unit, likely):
    flags = look([DIALECTS / name], Reading(column_layout=f"time={unit}")).flags
    assert likely in flags[0].remedy
    assert flags[0].severity is Severity.RED


def test_the_right_unit_is_not_flagged():
    for path in DIALECTS.glob("[a-m]_*"):
        assert red(look([path])) == {}, path.name


@pytest.mark.parametrize(
    ("first_s", "last_s", "frames", "word"),
    [
        (0, 1, 20_001, "a bus carries fewer"),
        (0, 1000, 199, "a vehicle that is on sends more"),
        (852_076_800, 852_080_400, 10_000, "1997-01-01, which is too early"),
        (14_300_000_00, 4_102_444_800, 10**10, "in the future"),
    ],
)
def test_what_no_bus_carries_and_no_calendar_has_is_red(first_s, last_s, frames, word):
    flags = list(time_flags(first_s * NS, last_s * NS, frames))
    assert word in " ".join(flag.evidence for flag in flags)
    assert all(flag.severity is Severity.RED for flag in flags)


@pytest.mark.parametrize(("first_s", "last_s", "frames"), [(0, 1, 19_000), (0, 1000, 250), (0, 3600, 0), (0, 1, 3)])
def test_what_can_be_is_not_flagged(first_s, last_s, frames):
    assert list(time_flags(first_s * NS, last_s * NS, frames)) == []


@pytest.mark.parametrize(
    ("lost", "severity"),
    [(9, Severity.NOTE), (11, Severity.AMBER), (50, Severity.AMBER), (60, Severity.RED)],
)
def test_loss_is_amber_above_one_percent_and_red_above_five(lost, severity):
    assert loss_flag(1000 - lost, lost + 100, lost, ()).severity is severity


def damaged(log: Path, share: int) -> str:
    """The log with each n-th line spoiled."""
    lines = log.read_text().splitlines(keepends=True)
    return "".join(line.replace("#", "*", 1) if k % share == 0 else line for k, line in enumerate(lines))


def test_a_log_that_lost_a_tenth_is_no_drive_without_anyway(van, tmp_path, capsys):
    log = tmp_path / "lossy.log"
    log.write_text(damaged(next((van / "logs").glob("*.log")), 10))
    assert main(["import", str(log), "-b", str(van)]) == 2
    said = re.sub(r"\s+", " ", capsys.readouterr().err)
    assert "could not be read" in said
    assert "10.0 %" in said
    assert f"{log}:1: not of the form" in said
    assert "--anyway" in said
    assert main(["import", str(log), "-b", str(van), "--anyway", "--json"]) == 0
    (drive,) = json.loads(capsys.readouterr().out)["drives"]
    assert drive["record"]["summary"]["flag_counts"]["red"] >= 1
    assert "reason" in json.dumps(drive["record"]["summary"]["metrics"]["net_wh_per_km"])


def test_a_log_of_another_century_is_no_drive_without_anyway(van, tmp_path, capsys):
    text = next((van / "logs").glob("*.log")).read_text()
    seconds = re.match(r"\((\d+)\.", text)[1]
    log = tmp_path / "early.log"
    log.write_text(re.sub(r"^\((\d+)", lambda m: f"({int(m[1]) - int(seconds) + 852_076_800}", text, flags=re.M))
    assert main(["import", str(log), "-b", str(van)]) == 2
    assert "1997-01-01" in capsys.readouterr().err


def test_a_foreign_dbc_is_said_before_next(tmp_path, capsys):
    dbc = tmp_path / "other.dbc"
    dbc.write_text('BU_: X\nBO_ 5 Other: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X\n')
    assert main(["look", str(DIALECTS / "h_candump_short_ids.log"), "--dbc", str(dbc)]) == 0
    out = capsys.readouterr().out
    assert "RED: The DBC does not belong to this log" in out
    assert "Next:" not in out


def test_the_dbc_settles_whether_identifiers_are_decimal(tmp_path):
    log = tmp_path / "log.csv"
    rows = "".join(f"{k / 100:.4f},{(416, 613)[k % 2]},2,10,20\n" for k in range(60))
    log.write_text("time,id,len,b0,b1\n" + rows)
    dbc = tmp_path / "own.dbc"
    dbc.write_text('BU_: X\nBO_ 416 Pack: 2 X\n SG_ U : 0|8@1+ (1,0) [0|0] "V" X\n')
    summary = look([log], Reading(dbcs=[dbc], column_layout="bytes=hex"))
    assert {message.can_id: message.message for message in summary.messages} == {"1A0": "Pack", "265": ""}
