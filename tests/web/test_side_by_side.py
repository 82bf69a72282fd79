"""What is read while somebody writes: each meeting is brought about at the very moment, none is waited for."""

import asyncio
import os
import sqlite3
import threading
from pathlib import Path

import numpy as np
import pytest

from logan.configuration import problems
from logan.demo import conversion
from logan.drive_library import bin as library_bin, durable, intake
from logan.drive_library.durable import locked
from logan.drive_library.folder import LibraryFolder, list_drive_files
from logan.drive_library.repository import DriveLibrary
from logan.drive_library.upkeep import sweep
from logan.errors import DriveLibraryError, UsageError
from logan.pipeline import dbc_files, plan_files, refine, workbench
from logan.pipeline.builds import BuildFolder, new_build, open_library
from logan.pipeline.notes import change_notes
from logan.pipeline.predict import plan_of_build
from logan.web import api, work
from logan.web.state import WebSettings, Workspace
from logan.web.watching import Watcher

DBC = b'VERSION ""\nBS_:\nBU_: A\nBO_ %d M%d: 8 A\n SG_ S : 0|16@1+ (1,0) [0|0] "" A\n'
LOG = b"(1700000000.000000) can0 100#0011223344556677\n" * 50


@pytest.fixture
def folder(workspace):
    return BuildFolder(workspace / "van")


def test_a_file_that_is_taken_away_while_drives_are_listed_is_not_among_them(tmp_path):
    notes = tmp_path / "notes"
    notes.mkdir()
    (tmp_path / "0001-0123456789abcdef.parquet").write_bytes(b"x")
    (tmp_path / "0002-0123456789abcde0.parquet").symlink_to(tmp_path / "gone")  # named, but not there any more
    (notes / "0123456789abcdef.json").symlink_to(tmp_path / "gone")
    assert [stored.number for stored in list_drive_files(tmp_path, notes)] == [1]
    assert list_drive_files(tmp_path / "gone", tmp_path / "gone") == []


def test_the_bin_is_emptied_between_other_changes_not_within_one(folder):
    with open_library(folder.path) as library:
        drive_id = library_bin.put_into_bin(library, 1)
        binned = set(LibraryFolder(library.folder).bin.iterdir())
        with locked(library.folder / ".lock"):
            other = threading.Thread(target=library_bin.empty_bin, args=(library,))
            other.start()
            other.join(0.2)
            assert set(LibraryFolder(library.folder).bin.iterdir()) == binned
        other.join()
        with pytest.raises(UsageError):
            library_bin.bring_back(library, drive_id)


def test_who_opens_a_library_sweeps_no_mark_away_that_is_being_written(tmp_path, monkeypatch):
    replace = durable.replace_durably

    def after_others(temporary, final):
        sweep(LibraryFolder(tmp_path / "drives"))
        replace(temporary, final)

    monkeypatch.setattr(durable, "replace_durably", after_others)
    DriveLibrary.open(tmp_path / "drives", create=True).close()


def test_an_index_that_is_made_again_is_read_as_it_was_until_it_is_whole(folder, monkeypatch):
    seen, record_of = [], intake.record_of
    with open_library(folder.path) as reader, open_library(folder.path) as writer:

        def looked(*of):
            seen.append([record.number for record in reader.drives()])
            return record_of(*of)

        monkeypatch.setattr(intake, "record_of", looked)
        assert writer.rebuild() == 1
    assert seen == [[1]]


def test_a_rebuild_that_breaks_off_leaves_the_index_as_it_was(folder, monkeypatch):
    def broken(*of):
        raise sqlite3.OperationalError("disk I/O error")

    with open_library(folder.path) as library:
        monkeypatch.setattr(intake, "record_of", broken)
        with pytest.raises(DriveLibraryError, match="the index cannot be written"):
            library.rebuild()
        assert library.drive_count == 1


def test_a_plan_gets_its_name_once_it_is_whole(folder, monkeypatch):
    plan = plan_of_build(folder, folder.settings(), np.random.default_rng(1))[0]
    link, named = Path.hardlink_to, []

    def looked(path, draft):
        assert not path.exists() or path.name == named[0]
        assert draft not in plan_files.frozen_plans(folder.plans)
        assert plan_files.load_plan(draft).created_at == plan.created_at
        named.append(path.name)
        link(path, draft)

    monkeypatch.setattr(Path, "hardlink_to", looked)
    frozen = [plan_files.freeze_plan(plan, folder.plans).name for _ in range(2)]
    assert named == [frozen[0], frozen[0], frozen[1]]
    assert {path.name for path in folder.plans.iterdir()} == set(frozen)


def test_a_plan_is_frozen_where_the_medium_knows_no_hard_links(folder, monkeypatch):
    def refused(path, draft):
        raise PermissionError

    monkeypatch.setattr(Path, "hardlink_to", refused)
    plan = plan_of_build(folder, folder.settings(), np.random.default_rng(1))[0]
    frozen = [plan_files.freeze_plan(plan, folder.plans) for _ in range(2)]
    assert sorted(folder.plans.iterdir()) == sorted(frozen)
    assert all(plan_files.load_plan(path).created_at == plan.created_at for path in frozen)


def test_a_folder_becomes_a_build_at_once_and_whole(tmp_path, monkeypatch):
    template = problems.template

    def looked(*of):
        assert not (tmp_path / "van" / "build.toml").exists()
        return template(*of)

    monkeypatch.setattr(problems, "template", looked)
    new_build(tmp_path / "van")
    assert BuildFolder(tmp_path / "van").settings().name


def test_the_demos_settings_are_replaced_whole(tmp_path):
    conversion.write_build(tmp_path)
    with (tmp_path / "build.toml").open(encoding="utf-8") as reader:
        conversion.write_build(tmp_path)
        assert os.fstat(reader.fileno()).st_ino != (tmp_path / "build.toml").stat().st_ino
        assert reader.read() == conversion.BUILD_TOML


def test_a_report_that_is_replaced_while_it_is_sent_is_the_one_that_was_asked_for(tmp_path):
    report = tmp_path / "report.html"
    report.write_bytes(b"old" * 100)
    answer = api._written(report, "text/html")
    (tmp_path / "new").write_bytes(b"n")
    (tmp_path / "new").replace(report)
    sent = []

    async def take(message):
        sent.append(message)

    async def wait():
        await asyncio.Event().wait()

    asyncio.run(answer({"type": "http", "method": "GET", "headers": []}, wait, take))
    body = b"".join(message.get("body", b"") for message in sent)
    assert body == b"old" * 100
    assert answer.headers["content-length"] == str(len(body))


def test_a_server_that_ends_takes_no_more_work_and_its_watcher_says_nothing(workspace, tmp_path):
    space = Workspace(WebSettings(workspace=workspace))
    (tmp_path / "watched").mkdir()
    log = tmp_path / "watched" / "a.log"
    log.write_bytes(LOG)
    os.utime(log, (1e9, 1e9))
    space.close()
    with pytest.raises(UsageError, match="ending"):
        Watcher(log.parent).look(space, "van")
    with pytest.raises(UsageError, match="ending"):
        space.jobs.start("late", lambda job: None)


@pytest.mark.parametrize(
    ("changes", "is_kept"), [({"masks": ("10s..60s",), "why": "loose plug"}, False), ({"note": "rain"}, True)]
)
def test_an_answer_is_not_kept_for_a_build_that_was_changed_while_it_was_worked_out(
    folder, monkeypatch, changes, is_kept
):
    refine_build = refine.refine_build

    def changed_meanwhile(*of, **by):
        found = refine_build(*of, **by)
        with open_library(folder.path) as library:  # another answer, by the old notes
            change_notes(library, 1, changes)
        return found

    with monkeypatch.context() as patched:
        patched.setattr(refine, "refine_build", changed_meanwhile)
        refine.answer_of(folder)
    assert (refine.kept_answer(folder) is not None) == is_kept
    refine.answer_of(folder)
    assert refine.kept_answer(folder) is not None


def test_a_drive_that_is_changed_while_it_is_opened_is_not_kept_as_it_was_before(folder, monkeypatch):
    load_corrected = workbench.load_corrected

    def masked_meanwhile(library, number, build):
        change_notes(library, number, {"masks": ("10s..60s",), "why": "loose plug"})
        return load_corrected(library, number, build)

    with monkeypatch.context() as patched:
        patched.setattr(workbench, "load_corrected", masked_meanwhile)
        workbench.workbench(folder, 1)
    with open_library(folder.path) as library:
        change_notes(library, 1, {}, take_back=1)
        whole = load_corrected(library, 1, folder.settings())["speed"].value
    np.testing.assert_array_equal(workbench._opened(folder, 1)[0]["speed"].value, whole)


def test_two_dbcs_of_one_name_that_come_at_once_are_both_kept(folder, tmp_path, monkeypatch):
    sent = [tmp_path / "1.dbc", tmp_path / "2.dbc"]
    for number, path in enumerate(sent, start=100):
        path.write_bytes(DBC % (number, number))
    write, others = dbc_files.write_durably, []

    def while_another_comes(target, content):
        if not others:
            others.append(threading.Thread(target=dbc_files.keep_dbc, args=(folder, sent[1], "car.dbc")))
            others[0].start()
            others[0].join(0.2)
        write(target, content)

    monkeypatch.setattr(dbc_files, "write_durably", while_another_comes)
    dbc_files.keep_dbc(folder, sent[0], "car.dbc")
    others[0].join()
    kept = {path.read_bytes() for path in (folder.path / "dbc_user").glob("car*.dbc")}
    assert kept == {path.read_bytes() for path in sent}


def test_a_channel_map_that_would_be_wrong_is_never_there(client, folder):
    before = folder.channels_file.read_bytes()
    asked = {"channels": [{"channel": "pack_voltage", "signal": "A.B", "unit": "furlong"}]}
    assert client.put("/api/v1/builds/van/channels", json=asked).status_code == 400
    assert folder.channels_file.read_bytes() == before


def test_a_log_that_is_forgotten_while_it_is_sorted_is_told_as_that(client, workspace, monkeypatch):
    is_dbc = work.is_dbc

    def forgotten(path):
        path.unlink()
        path.parent.joinpath("about.json").unlink()
        path.parent.rmdir()
        return is_dbc(path)

    monkeypatch.setattr(work, "is_dbc", forgotten)
    sent = client.post("/api/v1/builds/van/logs?name=a.log", content=LOG)
    assert sent.status_code == 201
    assert sent.json()["logs"] == []
    assert "Send it again" in sent.json()["problems"][0]
