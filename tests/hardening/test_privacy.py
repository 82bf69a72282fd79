"""What is given away names no user, no host and no folder of the machine it was made on."""

from __future__ import annotations

import getpass
import platform
import socket
import zipfile

import numpy as np
import pytest

from logan.cli.main import main
from logan.demo.conversion import TRUTH, write_build
from logan.demo.messages import candump_lines
from logan.demo.routes import mixed_route
from logan.demo.twin import drive_twin

USER, HOST = "somebody-of-ours", "a-host-of-ours"


@pytest.fixture(scope="module", autouse=True)
def names(tmp_path_factory):
    """A user and a host whose names nothing else has, as a program would ask for them."""
    tmp_path_factory.getbasetemp()  # which pytest names after the real user
    with pytest.MonkeyPatch.context() as patch:
        for variable in ("LOGNAME", "USER", "LNAME", "USERNAME"):
            patch.setenv(variable, USER)
        patch.setenv("HOSTNAME", HOST)
        for module, name in ((socket, "gethostname"), (socket, "getfqdn"), (platform, "node")):
            patch.setattr(module, name, lambda *_: HOST)
        assert getpass.getuser() == USER
        yield


@pytest.fixture(scope="module")
def build(names, tmp_path_factory):
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
    for word in (str(folder), folder.parent.name, "a-folder-of-mine", str(folder.parents[1]), USER, HOST):
        assert word not in text


@pytest.mark.parametrize("options", [[], ["--certificate"], ["--drive", "1"]], ids=["build", "certificate", "drive"])
def test_a_report_names_no_user_host_or_folder(build, tmp_path, options):
    page = tmp_path / "report.html"
    assert main(["report", *options, "--out", str(page), "--build", str(build)]) == 0
    assert_says_nothing(page.read_bytes(), build)
    assert_says_nothing(page.read_bytes(), tmp_path / "x")


@pytest.mark.parametrize("name", ["channels.html", "channels.csv", "metrics.csv", "metrics.json"])
def test_an_export_names_no_user_host_or_folder(build, tmp_path, name):
    path = tmp_path / name
    what, *drive = ["metrics"] if name.startswith("metrics") else ["channels", "1"]
    assert main(["export", what, *drive, str(path), "--build", str(build)]) == 0
    assert_says_nothing(path.read_bytes(), build)


@pytest.mark.parametrize("options", [[], ["--keep-route", "--with-notes"]])
def test_a_bundle_names_no_user_host_or_folder(build, tmp_path, options):
    bundle = tmp_path / "bundle.zip"
    assert main(["export", "bundle", str(bundle), *options, "--build", str(build)]) == 0
    with zipfile.ZipFile(bundle) as archive:
        assert archive.namelist()
        for name in archive.namelist():
            assert not name.startswith("/")
            assert_says_nothing(archive.read(name), build)
