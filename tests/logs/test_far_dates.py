"""A year 2424 in one row, point or header costs itself; a number of 5,000 digits costs its line."""

from __future__ import annotations

import pytest

from logan.logs import asc, blf, drive_table, gpx_track
from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from tests.logs.harness import read, read_bytes

_POINT = '<trkpt lat="1.0{k}" lon="2.0"><time>{year}-05-15T12:00:0{k}Z</time></trkpt>'


def tables(path, log_format):
    report = ReadReport(path)
    (table,) = read_blocks(path, log_format, ReadOptions(), report, then=lambda frames: frames)
    return table, report


@pytest.mark.parametrize(
    ("header", "row", "far"),
    [
        ("time,speed [km/h]", "2024-05-15 12:00:0{k},{k}", "2424-05-15 12:00:09,9"),
        ("Time [s],speed [km/h]", "17157762{k}0,{k}", "14337000000,9"),
        ("Time [ms],speed [km/h]", "17157762{k}0000,{k}", "1e300,9"),
    ],
)
def test_a_row_of_a_table(tmp_path, header, row, far):
    path = tmp_path / "log.csv"
    rows = [row.format(k=k) for k in range(9)]
    path.write_text("\n".join([header, *rows[:5], far, *rows[5:], ""]))
    table, report = tables(path, drive_table.FORMAT)
    (column,) = table.columns
    assert column.value.tolist() == list(range(9))
    assert (report.skipped_count, report.skipped[0].place[-2:]) == (1, ":7")


def test_a_point_of_a_track(tmp_path):
    points = [_POINT.format(k=k, year=2424 if k == 3 else 2024) for k in range(6)]
    path = tmp_path / "log.gpx"
    path.write_text(f'<gpx version="1.1"><trk><trkseg>{"".join(points)}</trkseg></trk></gpx>')
    table, report = tables(path, gpx_track.FORMAT)
    assert table.columns[0].value.size == 5
    assert report.skipped[0].reason == "points of a time beyond the year 2262"


@pytest.mark.parametrize("year", [2300, 2424, 9999])
def test_the_start_in_a_blf_header(year):
    assert blf._system_time_ns([year, 5, 0, 15, 12, 0, 0, 0]) == 0
    assert blf._system_time_ns([2024, 5, 0, 15, 12, 0, 0, 0]) == 1_715_774_400 * 10**9


@pytest.mark.parametrize("base", ["dec", "hex"])
@pytest.mark.parametrize(
    "line", ["0.1 1 {n} Rx d 1 01", "0.1 1 123 Rx d {n} 01", "0.1 1 123 Rx d 1 {n}", "0.{n} 1 1 Rx d 0"]
)
def test_a_number_of_5000_digits_in_an_asc_log(tmp_path, base, line):
    good = "0.2 1 123 Rx d 1 01"
    text = f"date Tue Jul 2 10:00:00 2024\nbase {base}  timestamps absolute\n{line.format(n='1' * 5000)}\n{good}\n"
    frames, report = read_bytes(text.encode(), asc.FORMAT, tmp_path)
    assert len(frames) == 1
    assert report.skipped_count == 1


def test_a_line_of_a_text_of_frames(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"2024-05-15 12:00:0{k}.250,1A0,2,0A FF" for k in range(9)]
    path.write_text("\n".join(["time,id,len,data", *rows[:5], "2424-05-15 12:00:09.250,1A0,2,0A FF", *rows[5:], ""]))
    frames, report = read(path, recognise(path))
    assert len(frames) == 9
    assert "beyond the year 2262" in report.skipped[0].reason
