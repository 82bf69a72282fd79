"""Logs from the browser: bounded, whole or not at all, never trusted by name."""

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest

from logan.errors import LogReadError, UsageError
from logan.web.uploads import Uploads


async def _chunks(*parts):
    for part in parts:
        if isinstance(part, Exception):
            raise part
        yield part


def receive(uploads, name, *parts):
    return asyncio.run(uploads.receive(name, _chunks(*parts)))


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "..", "", "a/b\\c.log", "<script>.csv", "about.json", "\x00\n.log"]
)
def test_a_name_never_leads_out_of_the_folder(tmp_path, name):
    uploads = Uploads(tmp_path / "incoming", 1000)
    upload = receive(uploads, name, b"abc", b"def")
    assert upload.path.read_bytes() == b"abcdef"
    assert upload.path.parent.parent == tmp_path / "incoming"
    assert uploads.find(upload.id) == upload
    assert [found.id for found in uploads.list()] == [upload.id]


def test_the_name_shown_is_the_users_own(tmp_path):
    uploads = Uploads(tmp_path, 1000)
    assert receive(uploads, "<b>Fahrt 1</b>.csv", b"x").name == "<b>Fahrt 1</b>.csv"


@pytest.mark.parametrize(
    ("parts", "error"),
    [
        ((b"x" * 600, b"x" * 600), UsageError),
        ((), UsageError),
        ((b"x", ConnectionResetError("gone")), UsageError),
        ((b"x", RuntimeError("client gone")), RuntimeError),
    ],
)
def test_what_breaks_off_or_is_too_large_leaves_nothing(tmp_path, parts, error):
    uploads = Uploads(tmp_path / "incoming", 1000)
    with pytest.raises(error):
        receive(uploads, "drive.log", *parts)
    assert uploads.list() == ()
    assert list((tmp_path / "incoming").iterdir()) == []


@pytest.mark.parametrize("upload_id", ["../secret", "0" * 16, "", "0123456789abcdeg"])
def test_an_unknown_id_is_refused(tmp_path, upload_id):
    with pytest.raises(LogReadError):
        Uploads(tmp_path, 1000).find(upload_id)


def test_a_log_can_be_forgotten(tmp_path):
    uploads = Uploads(tmp_path, 1000)
    uploads.remove(receive(uploads, "drive.log", b"x").id)
    assert uploads.list() == ()


def test_a_list_is_told_while_logs_come_and_go(tmp_path):
    uploads = Uploads(tmp_path, 1000)
    stays = receive(uploads, "stays.log", b"x")

    def come_and_go(k):
        for _ in range(60):
            uploads.remove(receive(uploads, f"{k}.dbc", b"x").id)

    with ThreadPoolExecutor(3) as pool:
        senders = [pool.submit(come_and_go, k) for k in range(3)]
        looks = 0
        while looks < 50 or not all(sender.done() for sender in senders):
            assert stays in uploads.list()
            looks += 1
        assert [sender.result() for sender in senders] == [None] * 3
    assert [path.name for path in tmp_path.iterdir()] == [stays.id]


def test_two_requests_that_forget_one_log_do_not_meet(tmp_path):
    uploads = Uploads(tmp_path, 1000)
    for turn in range(40):
        upload = receive(uploads, f"{turn}.log", b"x")
        with ThreadPoolExecutor(2) as pool:
            faults = [pool.submit(uploads.remove, upload.id).exception() for _ in range(2)]
        assert {type(fault) for fault in faults} <= {type(None), LogReadError}
        assert type(None) in {type(fault) for fault in faults}
    assert list(tmp_path.iterdir()) == []
