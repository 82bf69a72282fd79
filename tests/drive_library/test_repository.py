from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logan.drive.drive import Drive, DriveConditions
from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.folder import drive_id_of
from logan.drive_library.records import DriveRecord, DriveSummary
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError, UsageError
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns
from logan.frames.table import SignalTable
from logan.results import Estimate, Refusal
from logan.settings import PlanningValue
from tests.drive_library.small_drives import assert_same_drive, log_source, rows_of, small_drive, small_summary


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "drives"


@pytest.fixture
def library(folder: Path):
    with DriveLibrary.open(folder, create=True) as opened:
        yield opened


def filled(library: DriveLibrary, count: int = 3) -> DriveLibrary:
    for seed in range(1, count + 1):
        library.add(small_drive(seed), summary=small_summary(seed))
    return library


def flip(path: Path, share: float = 0.5) -> None:
    content = bytearray(path.read_bytes())
    content[int(share * len(content))] ^= 0xFF
    path.write_bytes(content)


CLASSIC, LONG = FrameKey("can0", 0x123, False), FrameKey("can1", 0x18FF50E5, True)


def raw_columns() -> dict[FrameKey, MessageColumns]:
    rng = np.random.default_rng(5)
    classic = MessageColumns(
        time_ns=np.arange(50, dtype=np.int64) * 7,
        length=rng.integers(1, 9, 50).astype(np.uint8),
        payload=rng.integers(0, 256, (50, 8)).astype(np.uint8),
    )
    long = MessageColumns(
        time_ns=np.array([9, 3, 5], dtype=np.int64),
        length=np.full(3, 64, np.uint8),
        payload=rng.integers(0, 256, (3, 64)).astype(np.uint8),
    )
    return {CLASSIC: classic, LONG: long}


def add_with_raw(library: DriveLibrary, drive: Drive, **options: Any) -> DriveRecord:
    with library.raw_aside() as raw:
        for key, columns in raw_columns().items():
            raw.append(key, columns)
        raw.end_part(SignalTable(columns=(), log_format="candump", frame_count=53))
        return library.add(drive, raw=raw, **options)


def test_there_is_no_library_until_one_is_made(folder):
    with pytest.raises(DriveLibraryError, match="no drive library here"):
        DriveLibrary.open(folder)
    assert not folder.exists()


def test_a_drive_is_added_and_read_back(library):
    record = library.add(small_drive(), summary=small_summary())
    assert (record.number, record.summary.grade) == (1, "B")
    assert record.summary == small_summary()
    assert record.conditions == small_drive().conditions
    assert record.duration_s == small_drive().duration_s
    assert_same_drive(library.load(1), small_drive())
    assert library.drives() == (record,)


def test_the_same_log_is_the_same_drive(library):
    first = library.add(small_drive())
    again = library.add(replace(small_drive(), is_averaged=True))
    assert again == first
    assert len(library.drives()) == 1
    assert library.find_by_source([small_drive().sources[0].sha256]) == first
    assert library.find_by_source(["0" * 64]) is None


def test_replacing_keeps_the_number_and_the_notes_and_drops_the_old_summary(library):
    library.add(small_drive(), summary=small_summary())
    library.set_conditions(1, DriveConditions(note="roof rack"))
    library.set_summary(1, small_summary(5))
    changed = replace(small_drive(2), sources=small_drive(1).sources)
    record = library.add(changed, summary=small_summary(9), replace=True)
    assert record.number == 1
    assert record.conditions.note == "roof rack"
    assert record.summary == small_summary(9)
    assert np.array_equal(library.load(1)["pack_current"].value, changed["pack_current"].value)


def test_a_drive_without_a_source_is_refused(library):
    with pytest.raises(UsageError, match="which log"):
        library.add(replace(small_drive(), sources=()))


def test_a_drive_answers_to_its_number_and_to_the_first_digits_of_its_id(library):
    filled(library)
    record = library.drives()[1]
    assert library.record("2") == library.record(2) == library.record(record.id[:6]) == record
    with pytest.raises(UsageError, match="no drive '9'"):
        library.record(9)
    with pytest.raises(UsageError, match="no drive 'zz'"):
        library.record("zz")


def test_conditions_are_edited_without_touching_the_drive_file(library, folder):
    filled(library, 1)
    before = library.path(1).read_bytes()
    wanted = DriveConditions(payload_kg=150.0, tags=("towing",), excluded_because="brake dragged", change="new tires")
    record = library.set_conditions(1, wanted)
    assert record.conditions == wanted
    assert record.is_excluded
    assert library.path(1).read_bytes() == before
    with DriveLibrary.open(folder) as again:
        assert again.record(1).conditions == wanted
        assert again.load(1).conditions == wanted


def test_the_index_can_be_deleted(library, folder):
    filled(library)
    library.set_conditions(2, DriveConditions(note="headwind"))
    library.set_summary(3, small_summary(30))
    before, content = library.drives(), rows_of(library)
    library.close()
    for path in folder.glob("*.sqlite*"):
        path.unlink()
    with DriveLibrary.open(folder) as again:
        assert again.drives() == before
        assert rows_of(again) == content


def test_rebuilding_gives_the_same_index(library):
    filled(library)
    content = rows_of(library)
    library._index._connection.execute("UPDATE drive SET record = '{}', number = number + 10")
    assert library.rebuild() == 3
    assert rows_of(library) == content


@pytest.mark.parametrize("rubbish", [b"", b"not a database at all" * 100])
def test_a_ruined_index_is_made_again(library, folder, rubbish):
    before = filled(library).drives()
    library.close()
    (folder / "index.sqlite").write_bytes(rubbish)
    (folder / "cache.sqlite").write_bytes(rubbish)
    with DriveLibrary.open(folder) as again:
        assert again.drives() == before


def test_an_index_of_another_version_is_made_again(library, folder):
    before = filled(library).drives()
    library.close()
    with sqlite3.connect(folder / "index.sqlite") as connection:
        connection.execute("DROP TABLE drive")
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with DriveLibrary.open(folder) as again:
        assert again.drives() == before
        assert len(again.metric("net_wh_per_km")) == 3


def test_a_library_of_a_newer_logan_is_left_alone(library, folder):
    library.close()
    (folder / "library.json").write_text('{"format": "logan-drive-library", "version": 2}')
    with pytest.raises(DriveLibraryError, match=r"version 2 .* Install a newer logan"):
        DriveLibrary.open(folder)


def test_a_damaged_drive_is_named_and_hides_no_other(library, folder):
    filled(library)
    library.close()
    path = next(folder.glob("0002-*.parquet"))
    path.write_bytes(path.read_bytes()[:500])
    with DriveLibrary.open(folder) as again:
        assert [record.number for record in again.drives()] == [1, 2, 3]
        assert "damaged" in again.record(2).damage
        assert again.record(3).summary == small_summary(3)
        report = again.check()
        assert [entry.file for entry in report.damage] == [path.name]
        assert report.drive_count == 2
        with pytest.raises(DriveLibraryError, match="damaged"):
            again.load(2)


def test_damage_that_hides_inside_the_samples_is_found_by_check(library, folder):
    filled(library)
    flip(library.path(1), 0.1)
    report = library.check()
    assert not report.is_whole
    assert [entry.file for entry in report.damage] == [library.path(1).name]


def test_logs_are_kept_by_their_hash_and_checked(library, folder, tmp_path):
    log = tmp_path / "drive 1.log"
    log.write_text("drive 1")
    library.add(small_drive(1), keep_logs=[log])
    kept = library._folder.kept_logs()[small_drive(1).sources[0].sha256]
    assert kept is not None
    assert kept.read_text() == "drive 1"
    assert kept.suffix == ".log"
    assert library.check().log_count == 1
    flip(kept)
    assert "not what was imported" in library.check().damage[0].problem


def test_a_log_that_changed_since_it_was_read_is_refused(library, folder, tmp_path):
    log = tmp_path / "drive 1.log"
    log.write_text("drive 1 and more")
    with pytest.raises(DriveLibraryError, match="changed while it was imported"):
        library.add(small_drive(1), keep_logs=[log])
    assert library.drives() == ()
    assert [path.name for path in (folder / ".incoming").iterdir()] == ["lock"]


def test_frames_are_kept_beside_the_drive(library, folder):
    record = add_with_raw(library, small_drive())
    assert record.has_raw
    (part,) = library.raw(1).parts
    assert part.counts == {CLASSIC: 50, LONG: 3}
    for key, columns in raw_columns().items():
        (block,) = part.blocks(key)
        for name in ("time_ns", "length", "payload"):
            assert np.array_equal(getattr(block, name), getattr(columns, name))
    assert [path.name for path in (folder / ".incoming").iterdir()] == ["lock"]
    assert library.rebuild() == 1
    assert library.record(1).has_raw
    flip(library._folder.raw_of(record.id), 0.3)
    assert "frames of a drive are damaged" in library.check().damage[0].problem


def test_frames_that_no_drive_took_along_leave_no_trace(library, folder):
    with library.raw_aside() as raw:
        raw.append(CLASSIC, raw_columns()[CLASSIC])
    add_with_raw(library, small_drive(1))
    add_with_raw(library, small_drive(1))
    assert [path.name for path in (folder / ".incoming").iterdir()] == ["lock"]
    assert len(list((folder / "raw").iterdir())) == 1


def test_frames_for_a_library_that_cannot_be_written_are_refused(library, monkeypatch):
    monkeypatch.setattr(type(library._folder), "is_writable", False)
    with pytest.raises(DriveLibraryError, match="cannot be written"), library.raw_aside():
        pass


def test_a_drive_stored_again_keeps_its_frames(library):
    add_with_raw(library, small_drive(1))
    assert library.add(small_drive(1), replace=True).has_raw
    assert library.raw(1).parts[0].counts == {CLASSIC: 50, LONG: 3}


def test_a_drive_without_frames_says_so(library):
    assert library.raw(library.add(small_drive()).number) is None


def test_removing_takes_everything_of_that_drive_and_nothing_else(library, folder, tmp_path):
    for seed in (1, 2):
        log = tmp_path / f"drive {seed}.log"
        log.write_text(f"drive {seed}")
        add_with_raw(library, small_drive(seed), keep_logs=[log])
    library.set_conditions(1, DriveConditions(note="x"))
    library.remove(1)
    assert [record.number for record in library.drives()] == [2]
    assert len(list(folder.rglob("*.parquet"))) == len(list((folder / "raw").iterdir())) == 1
    assert len(list((folder / "logs").iterdir())) == 1
    assert not list((folder / "notes").iterdir())
    assert library.check().is_whole
    assert library.add(small_drive(3)).number == 3


def test_a_metric_over_all_drives_keeps_refusals_and_marks(library):
    filled(library)
    library.set_conditions(2, DriveConditions(change="new tires"))
    library.set_conditions(3, DriveConditions(excluded_because="test run"))
    points = library.metric("net_wh_per_km")
    assert [figure.value for _, figure in points] == [151.0, 152.0, 153.0]
    assert [record.conditions.change for record, _ in points] == ["", "new tires", ""]
    assert [record.conditions.excluded_because for record, _ in points] == ["", "", "test run"]
    assert all(isinstance(figure, Refusal) for _, figure in library.metric("regen_ratio"))
    assert library.metric_names() == ("net_wh_per_km", "regen_ratio")
    assert library.metric("unheard_of") == ()


def test_a_figure_is_found_by_its_own_name_whatever_texts_say(library):
    reason = 'see "net_wh":{"value": 1} and \\"net_wh\\":{'
    metrics = {"gross_net_wh": Estimate(2.0, "Wh"), "regen": Refusal(reason), "net_wh": Estimate(3.0, "Wh")}
    library.add(small_drive(), summary=DriveSummary(metrics=metrics))
    stored = library.record(1).summary.metrics
    assert dict(stored) == metrics
    assert len(stored) == 3
    assert "wh" not in stored
    assert library.record(1).summary.value("net_wh") == 3.0


def test_a_figure_that_is_not_finite_comes_back_refused(library):
    library.add(small_drive(), summary=DriveSummary(metrics={"net_wh": Estimate(float("nan"), "Wh")}))
    assert isinstance(library.record(1).summary.metrics["net_wh"], Refusal)


def test_an_analysis_is_kept_until_the_settings_change(library, folder):
    filled(library, 1)
    first = settings_fingerprint(PlanningValue(1800.0, 20.0))
    library.set_analysis(1, "segments", first, {"count": 2})
    library.close()
    with DriveLibrary.open(folder) as again:
        assert again.analysis(1, "segments", first) == {"count": 2}
        assert again.analysis(1, "segments", settings_fingerprint(PlanningValue(1800.0, 21.0))) is None
        assert again.analysis(1, "other", first) is None


def test_an_analysis_of_a_drive_that_was_replaced_is_forgotten(library):
    filled(library, 1)
    library.set_analysis(1, "segments", "a", {"count": 2})
    library.add(small_drive(1), replace=True)
    assert library.analysis(1, "segments", "a") is None


def test_drives_copied_in_from_another_library_get_numbers_of_their_own(library, folder, tmp_path):
    filled(library, 2)
    with DriveLibrary.open(tmp_path / "other", create=True) as other:
        other.add(small_drive(8), summary=small_summary(8))
        shutil.copy(other.path(1), folder)
    library.refresh()
    assert [record.number for record in library.drives()] == [1, 2, 3]
    assert sorted(record.summary.distance_m for record in library.drives()) == [10_001.0, 10_002.0, 10_008.0]
    assert library.check().is_whole


def test_a_drive_that_is_there_twice_is_reported(library, folder):
    filled(library, 1)
    path = library.path(1)
    shutil.copy(path, folder / f"0007-{path.name[5:]}")
    library.refresh()
    assert len(library.drives()) == 1
    assert "twice" in library.check().damage[0].problem


def test_a_file_renamed_to_another_id_is_damaged(library, folder):
    filled(library, 1)
    library.path(1).rename(folder / f"0001-{'a' * 16}.parquet")
    library.refresh()
    assert "holds drive" in library.record(1).damage
    assert "holds drive" in library.check().damage[0].problem


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": "logan-drive-notes", "version": 1}'])
def test_notes_that_cannot_be_read_cost_only_themselves(library, folder, text):
    filled(library, 2)
    (folder / "notes" / f"{library.record(1).id}.json").write_text(text)
    library.refresh()
    assert "notes" in library.record(1).damage
    assert library.record(1).summary == small_summary(1)
    assert library.record(2).damage == ""
    assert [entry.file.split("/")[0] for entry in library.check().damage] == ["notes"]


def test_what_a_dead_writer_left_is_swept_up_on_opening(library, folder):
    filled(library, 1)
    library.close()
    (folder / ".incoming" / "half.parquet").write_bytes(b"PAR1")
    (folder / "raw" / f"{'b' * 16}.frames").write_bytes(b"half")
    (folder / "logs" / f"{'c' * 64}.log").write_bytes(b"x")
    with DriveLibrary.open(folder) as again:
        assert again.check().is_whole
        assert len(again.drives()) == 1
    assert [path.name for path in (folder / ".incoming").iterdir()] == ["lock"]
    assert not list((folder / "raw").iterdir())
    assert not list((folder / "logs").iterdir())


def test_a_library_that_cannot_be_written_is_read_and_listed_as_it_is_now(library, folder, monkeypatch):
    filled(library)
    library.close()
    # A copy has other time stamps: what its index says must be compared with the files all the same.
    copy = Path(shutil.copytree(folder, folder.parent / "copy", copy_function=shutil.copyfile))
    (copy / "notes" / f"{drive_id_of([small_drive(2).sources[0].sha256])}.json").write_text("{")
    files = {path: path.read_bytes() for path in copy.rglob("*") if path.is_file()}
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    with DriveLibrary.open(copy) as again:
        assert [record.number for record in again.drives()] == [1, 2, 3]
        assert "notes" in again.record(2).damage
        assert_same_drive(again.load(3), small_drive(3))
        for forbidden in (again.rebuild, lambda: again.remove(1)):
            with pytest.raises(DriveLibraryError, match="cannot be written"):
                forbidden()
    assert {path: path.read_bytes() for path in copy.rglob("*") if path.is_file()} == files


def test_an_index_that_cannot_be_opened_is_done_without(library, folder):
    before = filled(library).drives()
    library.close()
    for path in folder.glob("*.sqlite"):
        path.unlink()
        path.mkdir()
    with DriveLibrary.open(folder) as again:
        assert again.drives() == before


def test_threads_may_share_a_library(library):
    failures = []

    def work(seed: int) -> None:
        try:
            library.add(small_drive(seed), summary=small_summary(seed))
            library.load(library.find_by_source([log_source(f"drive {seed}").sha256]).number)
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=work, args=(seed % 4,)) for seed in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures
    assert sorted(record.number for record in library.drives()) == [1, 2, 3, 4]
