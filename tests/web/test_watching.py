"""A watched folder: every log that settles is imported once; what still grows is left alone."""

import os
import time

import pytest

from logan.errors import UsageError
from logan.web.state import WebSettings, Workspace
from logan.web.watching import SETTLED_S, Watcher, folder_listing, stop_watching, watch_folder, watch_json


@pytest.fixture
def space(workspace):
    made = Workspace(WebSettings(workspace=workspace))
    yield made
    made.close()


@pytest.fixture
def card(tmp_path):
    folder = tmp_path / "card"
    folder.mkdir()
    return folder


def age(path, seconds):
    moment = time.time() - seconds
    os.utime(path, (moment, moment))


def test_a_settled_log_is_imported_once_and_a_growing_one_waits(space, card, small_log):
    log = card / "today.log"
    log.write_bytes(small_log.read_bytes() + b"(1700001000.000000) can0 120#0000000000000000\n")
    watcher = Watcher(card)
    age(log, -600.0)  # written to just now, however long it takes until it is looked at
    watcher.look(space, "van")
    assert watcher.taken == {}
    age(log, SETTLED_S + 1.0)
    watcher.look(space, "van")
    watcher.look(space, "van")
    assert len(watcher.taken) == 1
    job = space.jobs.find(next(iter(watcher.taken.values())))
    end = time.monotonic() + 300.0
    while not job.is_over and time.monotonic() < end:
        time.sleep(0.05)
    assert job.state == "done", job.message
    assert job.result[0]["number"] == 2


def test_links_and_empty_files_are_left_alone(space, card, small_log):
    (card / "link.log").symlink_to(small_log)
    (card / "empty.log").touch()
    age(card / "empty.log", 60.0)
    watcher = Watcher(card)
    watcher.look(space, "van")
    assert watcher.taken == {}


def test_what_is_watched_can_be_asked_and_stopped(space, card):
    folder = space.build("van")
    assert watch_json(space, folder) == {"is_watching": False, "folder": "", "jobs": []}
    watch_folder(space, "van", card)
    assert watch_json(space, folder) == {"is_watching": True, "folder": str(card), "jobs": []}
    stop_watching(space, "van")
    assert not watch_json(space, folder)["is_watching"]


def test_a_build_cannot_watch_itself_or_what_is_no_folder(space, workspace, card):
    for wrong in (workspace / "van", workspace, card / "nothing", card.relative_to("/")):
        with pytest.raises(UsageError):
            watch_folder(space, "van", wrong)
    assert space.watchers == {}


def test_a_listing_names_folders_and_counts_files(card):
    (card / "b").mkdir()
    (card / "A").mkdir()
    (card / ".hidden").mkdir()
    (card / "x.log").touch()
    listing = folder_listing(str(card))
    assert listing == {"path": str(card), "parent": str(card.parent), "folders": ["A", "b"], "file_count": 1}


@pytest.mark.parametrize("path", ["relative", "/nothing/there", "\x00", "/dev/null"])
def test_what_is_no_folder_is_refused(path):
    with pytest.raises(UsageError):
        folder_listing(path)
