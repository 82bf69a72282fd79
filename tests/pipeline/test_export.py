from __future__ import annotations

import csv
import json
import shutil
import zipfile
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from logan.drive.drive import Channel, Drive, DriveConditions
from logan.drive_library.bundle import EARTH_RADIUS_M, Privacy, without_places
from logan.drive_library.repository import DriveLibrary
from logan.drive_library.tables import safe_cell
from logan.errors import DriveLibraryError, NotEnoughDataError, UsageError
from logan.pipeline.export import export_bundle, export_channels, export_metrics
from tests.drive_library.small_drives import log_source, small_drive, small_summary

HOME = (45.0, 7.0)


def placed_drive(seed: int = 1, away_m: float = 3000.0) -> Drive:
    """Out from home and back to it, past the door once more in the middle."""
    time_s = np.arange(2000) * 0.5
    along = np.abs(np.sin(np.linspace(0.0, 2.0 * np.pi, time_s.size)))
    north_m = away_m * along
    place = {
        "latitude": HOME[0] + np.degrees(north_m / EARTH_RADIUS_M),
        "longitude": np.full(time_s.shape, HOME[1]),
        "heading": np.zeros(time_s.shape),
        "speed": np.full(time_s.shape, 12.0),
    }
    channels = {name: Channel(name=name, time_s=time_s, value=value) for name, value in place.items()}
    return Drive(
        channels=channels,
        sources=(replace(log_source(f"to the doctor {seed}"), name="to the doctor.log"),),
        conditions=DriveConditions(note="from home", tags=("family",), change="new tires"),
    )


def distance_from_home_m(drive: Drive) -> np.ndarray:
    north = np.radians(drive["latitude"].value - HOME[0]) * EARTH_RADIUS_M
    east = np.radians(drive["longitude"].at(drive["latitude"].time_s, max_gap_s=np.inf) - HOME[1])
    return np.hypot(north, east * EARTH_RADIUS_M * np.cos(np.radians(HOME[0])))


@pytest.fixture
def library(tmp_path):
    with DriveLibrary.open(tmp_path / "drives", create=True) as opened:
        opened.add(small_drive(1), summary=small_summary(1))
        yield opened


def test_channels_go_to_one_page_to_zoom_into_that_needs_no_network(library, tmp_path):
    drive = library.load(1)
    page = export_channels(drive, tmp_path / "a.html", channels=["pack_current", "motor_temperature_2"]).read_text()
    assert '"name":"pack current"' in page
    assert '"text":"degC"' in page
    assert "<script src=" not in page
    with pytest.raises(UsageError, match="own times"):
        export_channels(drive, tmp_path / "a.html", period_s=1.0)


def test_channels_go_to_csv_with_units_and_every_sample(library, tmp_path):
    path = export_channels(library.load(1), tmp_path / "a.csv", channels=["pack_current", "motor_temperature_2"])
    table = pd.read_csv(path)
    assert list(table.columns) == ["time_s", "pack_current [A]", "motor_temperature_2 [degC]"]
    assert np.array_equal(table["pack_current [A]"].dropna(), small_drive(1)["pack_current"].value)


def test_channels_go_to_parquet_at_a_common_period(library, tmp_path):
    path = export_channels(library.load(1), tmp_path / "a.parquet", period_s=0.1)
    table = pd.read_parquet(path)
    assert np.allclose(np.diff(table.index), 0.1)
    assert "pack_voltage" in table.columns


def test_channels_go_to_mf4_at_their_native_rates(library, tmp_path):
    asammdf = pytest.importorskip("asammdf")
    path = export_channels(library.load(1), tmp_path / "a.mf4")
    drive = small_drive(1)
    with asammdf.MDF(path) as mdf:
        for name in ("pack_current", "speed", "motor_temperature_2"):
            signal = mdf.get(name)
            assert np.array_equal(signal.samples, drive[name].value, equal_nan=True)
            assert np.allclose(signal.timestamps, drive[name].time_s, rtol=0, atol=1e-12)
            assert signal.unit == drive[name].unit
        assert mdf.header.start_time.timestamp() == pytest.approx(drive.start_ns / 1e9)


def test_what_cannot_be_exported_is_said(library, tmp_path):
    drive = library.load(1)
    with pytest.raises(UsageError, match="no format that can be written"):
        export_channels(drive, tmp_path / "a.xls")
    with pytest.raises(UsageError, match="no channel latitude"):
        export_channels(drive, tmp_path / "a.csv", channels=["latitude"])
    with pytest.raises(UsageError, match="period"):
        export_channels(drive, tmp_path / "a.csv", period_s=0.0)
    with pytest.raises(UsageError, match="more than 50,000,000 rows"):
        export_channels(drive, tmp_path / "a.csv", period_s=1e-9)
    with pytest.raises(DriveLibraryError, match="cannot write there"):
        export_channels(drive, tmp_path / "nowhere" / "a.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["drives"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-2", "@SUM(A1)", "\t=1", "\r=1"])
def test_a_formula_is_made_harmless(text):
    assert safe_cell(text) == "'" + text


def test_numbers_stay_numbers():
    assert [safe_cell(value) for value in (-2.5, 3, None, float("nan"))] == ["-2.5", "3", "", ""]


def test_metrics_go_to_csv_without_formulas(library, tmp_path):
    library.set_conditions(1, DriveConditions(tags=("=cmd|'/c calc'!A1",), change='@new, "tires"\n'))
    with export_metrics(library.drives(), tmp_path / "m.csv").open(newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert row["tags"].startswith("'=cmd")
    assert row["change"].startswith("'@new")
    assert float(row["net_wh_per_km"]) == 151.0
    assert row["regen_ratio"] == ""


def test_the_long_form_says_why_a_figure_was_refused(library, tmp_path):
    with export_metrics(library.drives(), tmp_path / "m.csv", is_long=True).open(newline="") as stream:
        rows = {row["metric"]: row for row in csv.DictReader(stream)}
    assert rows["regen_ratio"]["refused"] == "the current has no sign"
    assert rows["net_wh_per_km"]["unit"] == "Wh/km"
    assert float(rows["net_wh_per_km"]["sigma"]) == 2.0


def test_metrics_go_to_json(library, tmp_path):
    content = json.loads(export_metrics(library.drives(), tmp_path / "m.json").read_text())
    assert content[0]["summary"]["metrics"]["net_wh_per_km"]["value"] == 151.0


def test_no_position_is_left_where_all_is_taken_out():
    bare = without_places(placed_drive(), Privacy(), np.random.default_rng(1))
    assert list(bare) == ["speed"]
    assert bare.history[-1].action == "remove_position"


@pytest.mark.parametrize("seed", range(8))
def test_nothing_near_the_door_is_left_even_when_passed_in_the_middle(seed):
    clipped = without_places(placed_drive(), Privacy(clip_m=200.0), np.random.default_rng(seed))
    assert distance_from_home_m(clipped).min() > 200.0
    assert distance_from_home_m(clipped).max() > 2900.0
    kept_s = clipped["latitude"].time_s
    assert np.array_equal(clipped["heading"].time_s, kept_s)
    assert np.array_equal(clipped["speed"].value, placed_drive()["speed"].value)


def test_the_door_is_not_the_middle_of_what_is_hidden():
    nearest = set()
    for seed in range(8):
        clipped = without_places(placed_drive(), Privacy(clip_m=200.0), np.random.default_rng(seed))
        nearest.add(round(distance_from_home_m(clipped).min()))
    assert len(nearest) > 3


def test_a_position_without_longitude_is_taken_out_whole():
    drive = placed_drive()
    drive = replace(drive, channels={name: channel for name, channel in drive.channels.items() if name != "longitude"})
    assert list(without_places(drive, Privacy(clip_m=200.0), np.random.default_rng(1))) == ["speed"]


def test_a_bundle_holds_drives_that_another_library_takes(library, tmp_path):
    library.add(placed_drive())
    path = export_bundle(library, tmp_path / "give.zip", clip_m=200.0)
    shutil.unpack_archive(path, tmp_path / "unpacked")
    text = b"".join(part.read_bytes() for part in (tmp_path / "unpacked").rglob("*") if part.is_file())
    for secret in (b"doctor", b"family", b"from home"):
        assert secret not in text
    with DriveLibrary.open(tmp_path / "unpacked" / "drives") as other:
        assert other.check().is_whole
        assert len(other.drives()) == 2
        assert distance_from_home_m(other.load(2)).min() > 200.0
        assert other.record(2).conditions.change == "new tires"
        assert other.record(1).summary == small_summary(1)
    assert "within 200 m" in (tmp_path / "unpacked" / "README.txt").read_text()
    assert {name.split("/")[0] for name in zipfile.ZipFile(path).namelist()} == {
        "README.txt", "drives", "metrics.csv", "metrics.json"
    }  # fmt: skip


def test_notes_go_along_only_when_asked(library, tmp_path):
    library.add(placed_drive())
    path = export_bundle(library, tmp_path / "give.zip", drives=["2"], with_notes=True)
    with zipfile.ZipFile(path) as bundle:
        assert b"family" in bundle.read("metrics.csv")
        assert sum(name.startswith("drives/") for name in bundle.namelist()) == 1


@pytest.mark.parametrize("clip_m", [0.0, -1.0, float("nan")])
def test_a_clip_that_hides_nothing_is_refused(library, tmp_path, clip_m):
    with pytest.raises(UsageError, match="clipping"):
        export_bundle(library, tmp_path / "give.zip", clip_m=clip_m)


def test_an_empty_library_leaves_no_empty_files(tmp_path):
    with DriveLibrary.open(tmp_path / "drives", create=True) as library:
        with pytest.raises(NotEnoughDataError, match="no drive to write"):
            export_bundle(library, tmp_path / "give.zip")
        with pytest.raises(NotEnoughDataError, match="no drive to write"):
            export_metrics(library.drives(), tmp_path / "m.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["drives"]
