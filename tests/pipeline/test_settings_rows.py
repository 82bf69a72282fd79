"""Rows of scenarios, alternatives, curves and measurements: read, changed, refused, guarded."""

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
    found = read_rows(folder, name)
    save_rows(folder, name, found["rows"], version=found["version"])
    assert (folder.settings_file.read_bytes(), folder.measurements_file.read_bytes()) == before


@pytest.mark.parametrize(
    ("name", "row", "of"),
    [
        ("scenario", {"name": "work", "speed": "55 mph", "ambient": "40 °F"}, lambda b: b.scenarios[-1].name),
        ("pack.alternative", {"name": "small", "cells_in_series": "80", "cells_in_parallel": "2",
                              "cell_capacity": "63 Ah", "cell_nominal_voltage": "3.65 V"}, None),
        ("gearing.alternative", {"name": "short", "reductions": '{ "drive unit" = 9.1, axle = 1.2 }'}, None),
        ("limits.curve", {"component": "fuse", "points": '[["1 s", "1200 A"], ["60 s", "600 A"]]'},
         lambda b: b.limits.curves[-1].component),
    ],
)  # fmt: skip
def test_a_new_row_is_in_the_settings(folder, name, row, of):
    found = read_rows(folder, name)
    save_rows(folder, name, [*found["rows"], row], version=found["version"])
    assert {key: read_rows(folder, name)["rows"][-1][key] for key in row} == row
    build = folder.settings()
    if of is not None:
        assert of(build) == next(iter(row.values()))
    with pytest.raises(ConflictError):
        save_rows(folder, name, [], version=found["version"])


def test_a_measurement_is_kept_and_a_wrong_one_refused(folder):
    row = {"kind": "mass", "value": "3640 lb ± 18 lb", "source": "truck scale"}
    save_rows(folder, "measurement", [row])
    (found,) = folder.measurements()
    assert found.value == pytest.approx(3640 * 0.45359237)
    before = folder.measurements_file.read_bytes()
    with pytest.raises(ConfigurationError):
        save_rows(folder, "measurement", [{**row, "value": "3640"}])
    assert folder.measurements_file.read_bytes() == before


def test_a_wrong_row_is_refused_by_name_and_the_file_left_alone(folder):
    before = folder.settings_file.read_bytes()
    found = read_rows(folder, "scenario")
    with pytest.raises(ConfigurationError) as refused:
        save_rows(folder, "scenario", [*found["rows"], {"name": "x", "speed": "fast"}])
    assert any("speed" in problem for problem in refused.value.problems)
    assert folder.settings_file.read_bytes() == before
    with pytest.raises(UsageError):
        read_rows(folder, "build")
