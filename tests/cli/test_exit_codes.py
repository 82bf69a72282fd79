"""Exit codes: 0 done, 2 the user's input or machine, 1 a fault of ours."""

from __future__ import annotations

import errno
import os
import subprocess
import sys

import pytest

from logan.cli.main import main


@pytest.fixture
def broken(monkeypatch):
    """Let ``logan new`` fail with an error."""

    def fail_with(error):
        def new_build(folder, units):
            raise error

        monkeypatch.setattr("logan.pipeline.builds.new_build", new_build)

    return fail_with


def test_a_full_disk_is_told_in_one_line(broken, capsys):
    broken(OSError(errno.ENOSPC, "No space left on device", "drives/1.parquet"))
    assert main(["new", "van"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "logan: drives/1.parquet: No space left on device. Check the disk and the permissions"
    ]


def test_a_fault_of_ours_keeps_its_traceback_and_says_so(broken, capsys):
    broken(ZeroDivisionError("division by zero"))
    assert main(["new", "van"]) == 1
    told = capsys.readouterr().err
    assert "Traceback" in told
    assert "fault of logan, not of your input" in told


def test_ctrl_c_says_that_nothing_half_done_was_kept(broken, capsys):
    broken(KeyboardInterrupt())
    assert main(["new", "van"]) == 130
    assert "nothing half-done was kept" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["--version"], ["--help"], ["plan", "--help"]])
def test_help_and_version_are_done(arguments, capsys):
    assert main(arguments) == 0
    assert "logan" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["gearing", "new"])
def test_a_reader_that_has_gone_is_no_fault(tmp_path, name):
    """``logan gearing | head`` once said "Broken pipe" of answers that are kept back until the end."""
    assert main(["new", str(tmp_path / "van")]) == 0
    command = {"gearing": ["gearing", "-b", "van"], "new": ["new", "other"]}[name]
    inner, outer = os.pipe()
    os.close(inner)
    done = subprocess.run(
        [sys.executable, "-m", "logan", *command], cwd=tmp_path, stdout=outer, stderr=subprocess.PIPE, check=False
    )
    os.close(outer)
    assert (done.returncode, done.stderr) == (0, b"")
