from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import logan
from logan.drive.drive import DriveConditions
from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder, bring_up_to_date
from logan.pipeline.importing import import_logs
from logan.pipeline.stored import analysis_fingerprint, calibrated, segments_fingerprint, stored_segments
from logan.results import Estimate
from logan.version import science_edition
from tests.pipeline.twin_fleet import write_fleet


@pytest.fixture(scope="module")
def imported(tmp_path_factory) -> BuildFolder:
    root = write_fleet(tmp_path_factory.mktemp("kit"), vehicles=1, drives=2, duration_s=120.0)
    folder = BuildFolder(root / "van-001")
    import_logs(folder, sorted((folder.path / "logs").iterdir()))
    return folder


@pytest.fixture
def folder(imported, tmp_path) -> BuildFolder:
    return BuildFolder(Path(shutil.copytree(imported.path, tmp_path / "van")))


def edited(folder: BuildFolder, before: str, after: str) -> None:
    text = folder.settings_file.read_text(encoding="utf-8")
    assert before in text
    folder.settings_file.write_text(text.replace(before, after), encoding="utf-8")


def test_a_drive_is_stored_with_its_figures_in_its_own_file(folder):
    assert not list((folder.library / "notes").iterdir())
    for path in folder.library.glob("*.sqlite"):
        path.unlink()
    with DriveLibrary.open(folder.library) as library:
        for record in library.drives():
            assert isinstance(record.summary.metrics["net_wh"], Estimate)
            # What its sensors are known to show wrong is part of what a figure rests on.
            build = calibrated(library, folder.settings())
            assert record.summary.fingerprint == analysis_fingerprint(build, record.conditions)
        assert bring_up_to_date(library, folder) == ()


def test_a_setting_that_touches_no_figure_has_nothing_analysed_again(folder):
    edited(folder, 'range = "140 mi"', 'range = "150 mi"')
    edited(folder, 'units = "us"', 'units = "metric"')
    with DriveLibrary.open(folder.library) as library:
        assert bring_up_to_date(library, folder) == ()


def test_a_limit_has_the_drives_analysed_again_but_not_their_part_in_the_fit(folder):
    build = folder.settings()
    with DriveLibrary.open(folder.library) as library:
        record = library.record(1)
        before = segments_fingerprint(build, record), analysis_fingerprint(build, record.conditions)
        limited = replace(build, limits=replace(build.limits, limits=()))
        assert segments_fingerprint(limited, record) == before[0]
        assert analysis_fingerprint(limited, record.conditions) != before[1]


def test_a_changed_formula_has_every_figure_worked_out_again(folder, monkeypatch):
    from logan.pipeline import builds as pipeline_library, stored

    for module in (stored, pipeline_library):
        monkeypatch.setattr(module, "science_edition", lambda: "another edition")
    with DriveLibrary.open(folder.library) as library:
        assert bring_up_to_date(library, folder) == (1, 2)
        assert bring_up_to_date(library, folder) == ()


def test_the_edition_follows_every_source_that_makes_figures_and_none_that_only_shows_them(tmp_path):
    copy = Path(shutil.copytree(Path(logan.__file__).parent, tmp_path / "logan"))
    ask = [sys.executable, "-c", "from logan.version import science_edition; print(science_edition())"]

    def edition() -> str:
        return subprocess.run(ask, cwd=tmp_path, capture_output=True, text=True, check=True).stdout.strip()

    first = edition()
    assert first == science_edition()
    for name, is_science in (("metrics/energy.py", True), ("drive_cycles/udds.csv", True), ("cli/main.py", False)):
        (copy / name).write_text((copy / name).read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
        assert (edition() != first) is is_science, name
        first = edition()


def test_the_vehicle_touches_everything_once(folder):
    edited(folder, 'mass = "', 'mass = "1')
    with DriveLibrary.open(folder.library) as library:
        assert bring_up_to_date(library, folder) == (1, 2)
        assert bring_up_to_date(library, folder) == ()


def test_a_payload_touches_its_own_drive_and_words_touch_none(folder):
    with DriveLibrary.open(folder.library) as library:
        library.set_conditions(1, DriveConditions(note="wet", tags=("family",), change="tires"))
        assert bring_up_to_date(library, folder) == ()
        library.set_conditions(2, DriveConditions(payload_kg=200.0))
        assert bring_up_to_date(library, folder) == (2,)


def test_an_exclusion_keeps_a_drive_out_of_the_fit_until_it_is_taken_back(folder):
    build = folder.settings()
    with DriveLibrary.open(folder.library) as library:
        assert len(stored_segments(library, build)) == 2
        library.set_conditions(1, DriveConditions(excluded_because="trailer"))
        assert [part.drive_id for part in stored_segments(library, build)] == ["2"]
        library.set_conditions(1, DriveConditions())
        assert len(stored_segments(library, build)) == 2


def test_settings_edited_there_and_back_leave_no_drive_behind(folder):
    text = folder.settings_file.read_text(encoding="utf-8")
    with DriveLibrary.open(folder.library) as library:
        assert bring_up_to_date(library, folder) == ()
        edited(folder, 'mass = "', 'mass = "1')
        library.set_conditions(1, DriveConditions(payload_kg=50.0))
        bring_up_to_date(library, folder)
        folder.settings_file.write_text(text, encoding="utf-8")
        assert bring_up_to_date(library, folder) == (1, 2)


def test_a_library_that_cannot_be_written_keeps_the_figures_that_it_has(folder, monkeypatch):
    monkeypatch.setattr("os.access", lambda path, mode: False)
    edited(folder, 'mass = "', 'mass = "1')
    with DriveLibrary.open(folder.library) as library:
        before = library.drives()
        assert bring_up_to_date(library, folder) == ()
        assert library.drives() == before
