"""What a terminal shows while a log is read, seen through a terminal of the system's own."""

import os
import re
import subprocess
import sys

import pytest

from tests.pipeline.test_ingest import drive, write

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals to read from")


def shown_by(arguments):
    """What Python with these arguments writes to a terminal at its error output, without colours."""
    import pty

    terminal, end = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "120"}
    process = subprocess.Popen(
        [sys.executable, *map(str, arguments)], stderr=end, stdout=subprocess.DEVNULL, env=environment
    )
    os.close(end)
    shown = b""
    while True:
        try:
            block = os.read(terminal, 65_536)
        except OSError:  # how Linux says that nobody writes any more
            block = b""
        if not block:
            break
        shown += block
    os.close(terminal)
    assert process.wait() == 0
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.decode())


def test_bytes_frames_and_time_left_are_shown(tmp_path):
    log = write(tmp_path / "drive.log", drive(count=20_000))
    shown = shown_by(["-m", "logan", "look", log])
    assert re.search(r"drive\.log .*1\.8/1\.8 MB +[0-9.]+ M frames/s +0:00:00", shown)


def test_a_bar_shows_how_many_steps_are_behind():
    shown = shown_by(
        [
            "-c",
            "from logan.cli.rendering import working\n"
            "from logan.results import StepWords\n"
            "with working('reducing drives') as told:\n"
            "    told('fitting')\n"
            "    told(StepWords('leaving out drive 1', 0, 4))\n"
            "    told(StepWords('leaving out drive 4', 3, 4))",
        ]
    )
    bars = re.findall(r"leaving out drive 4 (\S+) +[0-9:-]+", shown)
    assert len(bars[-1]) == 30
