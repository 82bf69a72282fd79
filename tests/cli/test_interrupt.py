"""Ctrl-C on a real process: it ends at once, says so, and leaves nothing behind."""

import signal
import subprocess
import sys
import time

import pytest

from logan.cli.main import main
from logan.drive_library.repository import DriveLibrary
from tests.pipeline.test_ingest import DBC, drive, write

STOPPED = 130


@pytest.fixture
def build(tmp_path):
    folder = tmp_path / "van"
    write(tmp_path / "car.dbc", DBC)
    assert main(["new", str(folder)]) == 0
    settings = folder / "build.toml"
    settings.write_text(settings.read_text().replace("dbc = []", 'dbc = ["../car.dbc"]'))
    names = {"pack_voltage": "Pack.Voltage", "pack_current": "Pack.Current"}
    changes = [part for name, signal in names.items() for part in ("--set", f"{name}.signal={signal}")]
    assert main(["channels", "--build", str(folder), *changes]) == 0
    return folder


def _hear_ctrl_c():
    """Undo what a shell does to jobs in its background: they, and all that they start, are deaf to Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def interrupted_once(arguments, has_begun):
    """Run a command, interrupt it as soon as it has begun, and return exit code and words."""
    process = subprocess.Popen(
        [sys.executable, "-m", "logan", *map(str, arguments)],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        preexec_fn=_hear_ctrl_c,
    )
    deadline = time.monotonic() + 300.0
    while not has_begun(process.pid):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline
        time.sleep(0.005)
    process.send_signal(signal.SIGINT)
    _, words = process.communicate(timeout=300)
    return process.returncode, words


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a console's Ctrl-C cannot be sent to one process there")
def test_an_import_that_is_interrupted_leaves_nothing(build, tmp_path):
    log = write(tmp_path / "long.log", drive(count=40_000))
    raw = build / "drives" / ".incoming"

    def has_begun(_pid):
        return raw.is_dir() and any(path.suffix == ".frames" and path.stat().st_size for path in raw.iterdir())

    code, words = interrupted_once(["import", log, "--build", build], has_begun)
    assert code == STOPPED
    assert "stopped; nothing half-done was kept" in words
    assert "Traceback" not in words
    assert [path.name for path in raw.iterdir()] == ["lock"]
    with DriveLibrary.open(build / "drives") as library:
        assert library.drives() == ()
        assert library.check().is_whole


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a console's Ctrl-C cannot be sent to one process there")
def test_an_export_that_is_interrupted_leaves_nothing(build, tmp_path):
    log = write(tmp_path / "long.log", drive(count=40_000))
    target = tmp_path / "out"

    def has_begun(_pid):
        return any(path.name.startswith(".out.part") for path in tmp_path.iterdir())

    code, words = interrupted_once(["export", "log", log, "--to", target, "--build", build], has_begun)
    assert code == STOPPED
    assert "Traceback" not in words
    assert [path.name for path in tmp_path.iterdir() if "out" in path.name] == []
