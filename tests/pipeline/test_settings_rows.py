"""Rows of scenarios, alternatives, curves and measurements: read, changed, refused, guarded."""

import json

import pytest

from logan.errors import ConfigurationError, ConflictError, UsageError
from logan.pipeline.builds import BuildFolder, new_build
from logan.pipeline.settings_rows import ROWS, read_rows, save_rows


@pytest.fixture
def folder(tmp_path):
    new_build(tmp_path / "mine")
    return BuildFolder(tmp_path / "mine")


@pytest.mark.parametrize("name", ROWS)
def test_rows_read_and_saved_again_change_no_byte(folder, name):
    before = folder.settings_file.read_bytes(), folder.measurements_file.read_bytes()
    save_rows(folder, name, [(row, row) for row in read_rows(folder, name)["rows"]])
    assert (folder.settings_file.read_bytes(), folder.measurements_file.read_bytes()) == before


@pytest.mark.parametrize(
    ("name", "row", "of"),
    [
        ("scenario", {"name": "work", "speed": "55 mph", "round_trip": "true"}, lambda b: b.scenarios[-1].name),
        ("pack.alternative", {"name": "small", "cells_in_series": "80", "cells_in_parallel": "2",
                              "cell_capacity": "63 Ah", "cell_nominal_voltage": "3.65 V"}, None),
        ("gearing.alternative", {"name": "short", "reductions": '{ "drive unit" = 9.1, axle = 1.2 }'}, None),
        ("limits.curve", {"component": "fuse", "points": '[["1 s", "1200 A"], ["60 s", "600 A"]]'},
         lambda b: b.limits.curves[-1].component),
    ],
)  # fmt: skip
def test_a_new_row_is_in_the_settings(folder, name, row, of):
    save_rows(folder, name, [(None, row)])
    assert {key: read_rows(folder, name)["rows"][-1][key] for key in row} == row
    build = folder.settings()
    if of is not None:
        assert of(build) == next(iter(row.values()))
    save_rows(folder, name, [(row, None)])
    assert row not in read_rows(folder, name)["rows"]


def test_a_measurement_is_kept_and_a_wrong_one_refused(folder):
    row = {"kind": "mass", "value": "3640 lb ± 18 lb", "source": "truck scale"}
    save_rows(folder, "measurement", [(None, row)])
    (found,) = folder.measurements()
    assert found.value == pytest.approx(3640 * 0.45359237)
    before = folder.measurements_file.read_bytes()
    with pytest.raises(ConfigurationError):
        save_rows(folder, "measurement", [(row, {**row, "value": "3640"})])
    assert folder.measurements_file.read_bytes() == before


def test_a_wrong_row_is_refused_by_name_and_the_file_left_alone(folder):
    before = folder.settings_file.read_bytes()
    with pytest.raises(ConfigurationError) as refused:
        save_rows(folder, "scenario", [(None, {"name": "x", "speed": "fast"})])
    assert any("speed" in problem for problem in refused.value.problems)
    assert folder.settings_file.read_bytes() == before
    with pytest.raises(UsageError):
        read_rows(folder, "build")


def test_two_people_who_change_different_rows_lose_nothing(folder):
    sunday, work, dump = ({"name": name, "speed": "55 mph"} for name in ("sunday", "work", "dump"))
    save_rows(folder, "scenario", [(None, row) for row in (sunday, work, dump)])
    text = folder.settings_file.read_text(encoding="utf-8")
    folder.settings_file.write_text(text.replace('name = "sunday"', 'name = "sunday" # with the dog'), encoding="utf-8")
    save_rows(folder, "scenario", [(work, {**work, "speed": "60 mph"}), (dump, None)])  # one of them
    save_rows(folder, "scenario", [(sunday, {**sunday, "payload": "100 lb"})])  # the other, who read before that
    rows = {row["name"]: row for row in read_rows(folder, "scenario")["rows"]}
    assert (rows["work"]["speed"], rows["sunday"]["payload"], "dump" in rows) == ("60 mph", "100 lb", False)


def test_a_row_that_was_changed_elsewhere_is_told_with_both_texts_and_kept(folder):
    work, other = {"name": "work", "speed": "55 mph"}, {"name": "work trip", "speed": "55 mph"}
    save_rows(folder, "scenario", [(None, work), (None, other)])
    theirs, mine = {**work, "speed": "60 mph"}, {**work, "speed": "65 mph"}
    save_rows(folder, "scenario", [(work, theirs)])
    before = folder.settings_file.read_bytes()
    with pytest.raises(ConflictError) as refused:
        save_rows(folder, "scenario", [(other, None), (work, mine)])
    assert [(key, json.loads(a), json.loads(b)) for key, a, b in refused.value.texts] == [
        ("scenario work", mine, theirs)
    ]
    assert folder.settings_file.read_bytes() == before  # not the other change alone either
    save_rows(folder, "scenario", [(work, theirs)])  # the same was saved elsewhere: nothing to ask
    with pytest.raises(ConflictError):
        save_rows(folder, "scenario", [(work, None)])
    save_rows(folder, "scenario", [(theirs, None)])
    with pytest.raises(ConflictError) as refused:
        save_rows(folder, "scenario", [(theirs, mine)])
    assert refused.value.texts[0][2] == "{}"  # taken out elsewhere
    save_rows(folder, "scenario", [(theirs, None)])  # gone already
