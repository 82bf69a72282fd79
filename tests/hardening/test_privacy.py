"""What is given away names no user, no host and no folder of the machine it was made on."""

from __future__ import annotations

import getpass
import re
import socket
import zipfile

import numpy as np
import pytest

from logan.cli.main import main
from logan.demo.conversion import TRUTH, write_build
from logan.demo.messages import candump_lines
from logan.demo.routes import mixed_route
from logan.demo.twin import drive_twin


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    folder = tmp_path_factory.mktemp("a-folder-of-mine") / "van"
    folder.mkdir()
    write_build(folder)
    rng = np.random.default_rng(5)
    log = folder / "drive.log"
    drive = drive_twin(TRUTH, mixed_route(rng, duration_s=240.0), rng=rng)
    log.write_text("\n".join(candump_lines(drive.measured, 1_700_000_000.0)) + "\n", encoding="ascii")
    assert main(["import", str(log), "--build", str(folder)]) == 0
    return folder


def assert_says_nothing(content, folder):
    text = content.decode("utf-8", errors="replace")
    for word in (str(folder), folder.parent.name, "a-folder-of-mine", str(folder.parents[1])):
        assert word not in text
    for word in (getpass.getuser(), socket.gethostname()):
        if len(word) > 4:  # "root" is a word of other meanings too
            assert not re.search(rf"\b{re.escape(word)}\b", text)


def test_a_report_names_no_user_host_or_folder(build):
    assert main(["report", "--build", str(build)]) == 0
    pages = list(build.glob("*.html")) + list((build / "reports").glob("*.html"))
    assert pages
    for page in pages:
        assert_says_nothing(page.read_bytes(), build)


def test_a_bundle_names_no_user_host_or_folder(build, tmp_path):
    bundle = tmp_path / "bundle.zip"
    assert main(["export", "bundle", str(bundle), "--build", str(build)]) == 0
    with zipfile.ZipFile(bundle) as archive:
        assert archive.namelist()
        for name in archive.namelist():
            assert not name.startswith("/")
            assert_says_nothing(archive.read(name), build)
