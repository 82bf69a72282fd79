from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.errors import LogReadError
from logan.logs import drive_table
from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.reading import read_blocks
from logan.logs.table_cells import NS_PER_S, NumberStyle, moment

MS = 10**6
START = 1_700_000_000 * NS_PER_S  # 2023-11-14 22:13:20 UTC


def read(tmp_path, content, *, wanted=None, layout=""):
    """Signals by name, and the report."""
    path = tmp_path / "drive.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    report = ReadReport(path=path)
    options = ReadOptions(column_layout=layout, wanted=wanted)
    (table,) = read_blocks(path, drive_table.FORMAT, options, report, then=lambda frames: frames)
    return {column.name: column for column in table}, report


def test_a_plain_table(tmp_path):
    columns, report = read(tmp_path, "time_s,Speed [km/h],pack_v\n0,10,400\n0.1,11.5,399.5\n")
    assert columns["Speed"].unit == "km/h"
    assert columns["pack_v"].unit == "v"
    assert columns["Speed"].time_ns.tolist() == [0, 100 * MS]
    assert columns["Speed"].value.tolist() == [10, 11.5]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [
        ("Speed [km/h]", "Speed", "km/h"),
        ("Speed (mph)", "Speed", "mph"),
        ("speed_kph", "speed_kph", "kph"),
        ("max. SoC [%)", "max. SoC", "%"),
        ("Pack Current {A}", "Pack Current", "A"),
        ("acc (m/s^2)", "acc", "m/s^2"),
        ("Oil level", "Oil level", ""),
        ("[x]", "[x]", ""),
    ],
)
def test_names_and_units_in_the_styles_people_write(tmp_path, header, name, unit):
    columns, _ = read(tmp_path, f"Time [s];{header}\n0;1\n1;2\n")
    assert columns[name].unit == unit
    assert columns[name].comment == header


def test_a_row_of_units_below_the_header(tmp_path):
    columns, report = read(tmp_path, "Time,Speed,Motor\ns,km/h,[degC]\n0,1,20\n0.5,2,21\n")
    assert (columns["Speed"].unit, columns["Motor"].unit) == ("km/h", "degC")
    assert columns["Speed"].time_ns.tolist() == [0, 500 * MS]
    assert report.skipped_count == 0


@pytest.mark.parametrize("delimiter", [";", "\t", ",", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_delimiter_and_line_end(tmp_path, delimiter, end):
    rows = [delimiter.join(cells) for cells in (["t_ms", "A", "B"], ["0", "1.5", "-2"], ["100", "2.5", "-3"])]
    columns, report = read(tmp_path, end.join(rows) + end)
    assert columns["A"].value.tolist() == [1.5, 2.5]
    assert columns["B"].time_ns.tolist() == [0, 100 * MS]
    assert report.skipped_count == 0


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["1,5", "-2,25"], [1.5, -2.25]),
        (["0,123", "0,456"], [0.123, 0.456]),
        (["1.234,5", "2,5"], [1234.5, 2.5]),
        (["1,234.5", "2.5"], [1234.5, 2.5]),
        (["1 234,5", "12 345 678,25"], [1234.5, 12345678.25]),
        (["1'234.5", "9.5"], [1234.5, 9.5]),
        (["1.5e3", "-2.5E-1"], [1500, -0.25]),
    ],
)
def test_numbers_in_national_styles(tmp_path, cells, values):
    columns, report = read(tmp_path, "Time [s];A\n" + "".join(f"{i};{cell}\n" for i, cell in enumerate(cells)))
    assert columns["A"].value.tolist() == values
    assert report.skipped_count == 0


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16"])
def test_every_encoding(tmp_path, encoding):
    columns, _ = read(tmp_path, "Time [s];Motor [°C]\n0;20,5\n1;21\n".encode(encoding))
    assert columns["Motor"].unit == "°C"
    assert columns["Motor"].value.tolist() == [20.5, 21]


def test_duplicate_names_are_numbered(tmp_path):
    columns, _ = read(tmp_path, "Time [s],Vent [C],Vent [C]\n0,1,2\n1,3,4\n")
    assert columns["Vent"].value.tolist() == [1, 3]
    assert columns["Vent (2)"].value.tolist() == [2, 4]


def test_blank_cells_are_absent_in_their_column_only(tmp_path):
    columns, report = read(tmp_path, "Time [s],GPS,V\n0,,400\n1,7,401\n2,NaN,\n3,N/A,402\n")
    assert columns["GPS"].time_ns.tolist() == [NS_PER_S]
    assert columns["V"].value.tolist() == [400, 401, 402]
    assert report.skipped_count == 0


def test_text_in_a_number_costs_its_cell_and_is_located(tmp_path):
    columns, report = read(tmp_path, "Time [s],V,A\n0,400,1\n1,ERR!,2\n2,401,3\n")
    assert columns["V"].value.tolist() == [400, 401]
    assert columns["A"].value.tolist() == [1, 2, 3]
    assert report.skipped_count == 1
    assert report.skipped[0].place.endswith("drive.csv:3")
    assert report.skipped[0].reason == "'ERR!' in column 'V' is no number"


def test_a_repeated_header_and_a_short_row_cost_themselves(tmp_path):
    columns, report = read(tmp_path, "Time [s],V,A\n0,1,2\nTime [s],V,A\n1,2\n2,3,4\n")
    assert columns["V"].value.tolist() == [1, 3]
    assert [part.reason for part in report.skipped] == ["the header again", "the row has 2 cells, and the header 3"]
    assert [part.place.rsplit(":", 1)[1] for part in report.skipped] == ["3", "4"]


@pytest.mark.parametrize("end", ["2,3", "2,3,\x00\x00\x00", "\x00\x00\x00\x00"])
def test_a_cut_off_end_is_normal(tmp_path, end):
    columns, report = read(tmp_path, f"Time [s],V,A\n0,1,2\n1,2,3\n{end}")
    assert columns["V"].value.tolist() == [1, 2]
    assert report.is_truncated
    assert report.skipped_count == 0


def test_a_last_row_without_a_newline_counts_if_it_is_whole(tmp_path):
    columns, report = read(tmp_path, "Time [s],V\n0,1\n1,2")
    assert columns["V"].value.tolist() == [1, 2]
    assert not report.is_truncated


def test_lines_above_the_header_are_passed_over(tmp_path):
    text = "Logger 5\nrecorded;by;nobody\n\nTime [s];V [V];A [A]\n0;1;2\n1;x;3\n2;3;4\n"
    columns, report = read(tmp_path, text)
    assert columns["V"].value.tolist() == [1, 3]
    assert report.skipped[0].place.endswith(":6")


def test_trailing_delimiters_make_no_column(tmp_path):
    columns, report = read(tmp_path, "Time [s],V,\n0,1,\n1,2,\n")
    assert list(columns) == ["V"]
    assert report.skipped_count == 0


def test_words_become_codes_with_a_value_table(tmp_path):
    columns, _ = read(tmp_path, "Time [s],Gear,Charging\n0,P,off\n1,D,on\n2,,on\n3,P,off\n")
    assert columns["Gear"].value.tolist() == [0, 1, 0]
    assert dict(columns["Gear"].choices) == {0: "P", 1: "D"}
    assert columns["Charging"].value.tolist() == [0, 1, 1, 0]


def test_words_below_a_unit_are_faults_and_no_codes(tmp_path):
    columns, report = read(tmp_path, "Time [s],Speed [km/h],Mode [-]\n0,fast,a\n1,slow,b\n2,fast,a\n")
    assert columns["Speed"].value.size == 0
    assert report.skipped_count == 3
    assert report.skipped[0].reason == "'fast' in column 'Speed' is no number"
    assert dict(columns["Mode"].choices) == {0: "a", 1: "b"}


def test_a_column_of_free_text_is_left_out_and_named(tmp_path):
    rows = "".join(f"{i},remark {chr(97 + i % 26)}{i},1\n" for i in range(100))
    columns, report = read(tmp_path, "Time [s],Remark,V\n" + rows)
    assert list(columns) == ["V"]
    assert "Remark" in report.notes[0]


@pytest.mark.parametrize(
    ("header", "cells", "times_ns"),
    [
        ("Time [s]", ["0.5", "0.75"], [500 * MS, 750 * MS]),
        ("Time [ms]", ["500", "750"], [500 * MS, 750 * MS]),
        ("timestamp_us", ["500000", "750000"], [500 * MS, 750 * MS]),
        ("Time", ["1700000000.123456", "1700000000.223456"], [1700000000123456000, 1700000000223456000]),
        ("timestamp", ["1700000000123", "1700000000223"], [1700000000123000000, 1700000000223000000]),
        ("Time", ["2023-11-14T22:13:20.5Z", "2023-11-14 22:13:21Z"], [1700000000500000000, 1700000001000000000]),
        ("Time", ["2023-11-15T00:13:20+02:00", "2023-11-15T00:13:21+02:00"], [START, START + NS_PER_S]),
        ("Zeit", ["14.11.2023 22:13:20", "14.11.2023 22:13:21"], [START, START + NS_PER_S]),
        ("Date Time", ["11/14/2023 10:13:20 PM", "11/14/2023 10:13:21 PM"], [START, START + NS_PER_S]),
        ("When", ["14-Nov-2023 22:13:20", "14-Nov-2023 22:13:21"], [START, START + NS_PER_S]),
        ("Time", ["23:59:59.9", "00:00:00.1"], [86399900 * MS, 86400100 * MS]),
        ("Elapsed", ["00:01:00", "00:01:01"], [60 * NS_PER_S, 61 * NS_PER_S]),
    ],
)  # fmt: skip
def test_times_in_every_notation(tmp_path, header, cells, times_ns):
    columns, report = read(tmp_path, f"{header};V\n" + "".join(f"{cell};1\n" for cell in cells))
    assert columns["V"].time_ns.tolist() == times_ns
    assert report.skipped_count == 0


def test_date_and_clock_in_columns_of_their_own(tmp_path):
    columns, _ = read(tmp_path, "Date,Time,V\n2023-11-14,23:59:59,1\n2023-11-15,00:00:00.5,2\n")
    assert columns["V"].time_ns.tolist() == [1700006399 * NS_PER_S, 1700006400 * NS_PER_S + 500 * MS]


def test_midnight_is_passed_once_although_blocks_are_parsed_apart(tmp_path, monkeypatch):
    monkeypatch.setattr(drive_table, "BLOCK_BYTES", 64)
    monkeypatch.setattr(drive_table, "HEAD_BYTES", 64)
    seconds = [(86390 + i) % 86400 for i in range(40)]
    rows = "".join(f"{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02},{i}\n" for i, s in enumerate(seconds))
    columns, _ = read(tmp_path, "Clock,V\n" + rows)
    np.testing.assert_array_equal(columns["V"].time_ns, (86390 + np.arange(40)) * NS_PER_S)


def test_a_unit_that_had_to_be_guessed_is_noted(tmp_path):
    columns, report = read(tmp_path, "Time,V\n0,1\n100,2\n200,3\n")
    assert columns["V"].time_ns.tolist() == [0, 100 * MS, 200 * MS]
    assert "read as ms" in report.notes[0]


def test_backward_steps_are_kept(tmp_path):
    columns, _ = read(tmp_path, "Time [s],V\n5,1\n4,2\n6,3\n")
    assert columns["V"].time_ns.tolist() == [5 * NS_PER_S, 4 * NS_PER_S, 6 * NS_PER_S]


def test_only_the_columns_asked_for(tmp_path):
    columns, _ = read(tmp_path, "Time [s],V [V],A [A]\n0,1,2\n1,2,3\n", wanted=frozenset({"A"}))
    assert list(columns) == ["A"]


def test_names_may_be_given_for_a_table_without_a_header(tmp_path):
    columns, _ = read(tmp_path, "0,1\n1,2\n", layout="Time [s],V [V]")
    assert columns["V"].value.tolist() == [1, 2]
    with pytest.raises(LogReadError, match="no header"):
        read(tmp_path, "0,1\n1,2\n")


def test_a_table_without_a_time_is_refused_with_what_was_seen(tmp_path):
    with pytest.raises(
        LogReadError, match=r"no column of the table holds the time \(columns: Speed, V; first row: 0,1\)"
    ):
        read(tmp_path, "Speed,V\n0,1\n1,2\n")
    with pytest.raises(LogReadError, match="first row: 10_00_00,1"):
        read(tmp_path, "Time,V\n10_00_00,1\n10_00_01,2\n")


@pytest.mark.parametrize(
    "cell",
    [
        "2024_05_01 10_00_{}",
        "2024_05_01_10_00_{}",
        "2024-05-01_10-00-{}",
        "2024.05.01 10.00.{}",
        " 2024_05_01T10_00_{}.5Z",
    ],
)
def test_a_moment_written_as_in_a_files_name_is_read(tmp_path, cell):
    rows = "\n".join(f"{cell.format(second)},{second}" for second in range(10, 20))
    columns, _ = read(tmp_path, f"Time,V [V]\n{rows}\n")
    first_ns = int(datetime(2024, 5, 1, 10, 0, 10, tzinfo=UTC).timestamp()) * 10**9 + (
        500_000_000 if ".5" in cell else 0
    )
    assert columns["V"].time_ns.tolist() == [first_ns + second * 10**9 for second in range(10)]


@pytest.mark.parametrize(
    "cell", ["2024_05_01", "2024_13_01 10_00_00", "24_05_01 10_00_00", "2024_05-01 10_00_00", "10_00_00"]
)
def test_what_can_be_several_moments_or_none_is_none(cell):
    assert moment(cell) is None


def test_underscores_group_the_digits_of_numbers(tmp_path):
    columns, _ = read(tmp_path, "Time [ms],V [V]\n12_345.5,1_360\n12_445.5,2_000_000\n12_545.5,-1_000.25\n")
    assert np.diff(columns["V"].time_ns).tolist() == [100_000_000, 100_000_000]
    assert columns["V"].value.tolist() == [1360.0, 2e6, -1000.25]
    for cell in ("1_2345", "1_23", "2024_123", "_123", "1__234", "1_234_5"):
        assert not NumberStyle().is_number(cell), cell


@pytest.mark.parametrize(
    "head",
    [
        b"(1436509052.249713) can0 123#1122334455667788\n",
        b"date Tue Jul 2 10:00:00 2024\nbase hex  timestamps absolute\n   0.1 1  123 Rx d 8 01 02 03 04 05 06 07 08\n",
        b";$FILEVERSION=2.1\n;$STARTTIME=45000.5\n;   Message   Time\n      1      0.5 DT 0123 Rx 8 01 02\n",
        bytes(range(256)) * 8,
        b"",
        b"\x00" * 100,
    ],
)
def test_what_is_no_table_of_channels_is_not_taken_for_one(head):
    assert not drive_table.looks_like(head)


@settings(deadline=None, max_examples=60)
@given(head=st.binary(max_size=300) | st.text(';,\t\n0123456789.eE-abT:[]() "', max_size=200).map(str.encode))
def test_looking_never_raises(head):
    assert drive_table.looks_like(head) in (True, False)


@settings(deadline=None, max_examples=40)
@given(data=st.data(), size=st.integers(40, 400))
def test_where_blocks_are_cut_changes_nothing(tmp_path_factory, data, size):
    cell = st.sampled_from(["1", "-2.5", "", "x", "7e2", "NaN", " 3 "])
    rows = data.draw(st.lists(st.tuples(cell, cell), min_size=4, max_size=60))
    text = "Time [s],A,B\n" + "".join(f"{i},{a},{b}\n" for i, (a, b) in enumerate(rows))
    folder = tmp_path_factory.mktemp("cut")
    whole, whole_report = read(folder, "Time [s],A,B\n0,1,1\n" + text.split("\n", 1)[1])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drive_table, "BLOCK_BYTES", size)
        pieced, report = read(folder, "Time [s],A,B\n0,1,1\n" + text.split("\n", 1)[1])
    assert report.skipped == whole_report.skipped
    for name, column in whole.items():
        np.testing.assert_array_equal(pieced[name].value, column.value)
        np.testing.assert_array_equal(pieced[name].time_ns, column.time_ns)


@settings(deadline=None, max_examples=60)
@given(text=st.text("0123456789.,;-e\n\"'xT:", max_size=300))
def test_garbage_rows_never_end_the_reading(tmp_path_factory, text):
    columns, report = read(
        tmp_path_factory.mktemp("fuzz"), f"Time [s];V;A\n0;1;2\n1;2;3\n2;3;4\n3;4;5\n{text}\n9;9;9\n"
    )
    assert columns["V"].value[:4].tolist() == [1, 2, 3, 4]
    assert columns["V"].value[-1] == 9 or report.skipped_count
