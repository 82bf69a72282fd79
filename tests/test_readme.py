"""The README keeps its word: its walk from a log to a range runs as it stands."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from logan.cli.main import main
from tests.pipeline.twin_fleet import write_fleet

README = Path(__file__).parents[1] / "README.md"


def walk():
    """Commands of the walk, line by line, without their remarks."""
    text = README.read_text(encoding="utf-8").split("## From your own log to a refined range", 1)[1]
    block = re.search(r"```sh\n(.*?)```", text, re.DOTALL).group(1)
    return [line.split("  #", 1)[0].strip() for line in block.splitlines() if line.strip()]


@pytest.fixture
def garage(tmp_path, monkeypatch):
    """A folder with a log and its DBC, as somebody comes home from a test drive."""
    twin = write_fleet(tmp_path / "fleet", vehicles=1, drives=1, duration_s=900.0) / "van-001"
    shutil.copy(twin / "logs" / "001.log", tmp_path / "drive1.log")
    (tmp_path / "dbc_user").mkdir()
    shutil.copy(next((twin / "dbc_user").glob("*.dbc")), tmp_path / "dbc_user" / "my.dbc")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def edit(path):
    """What the walk leaves to an editor: the vehicle's numbers; here, which DBC it has."""
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("dbc = []", 'dbc = ["../dbc_user/my.dbc"]', 1), encoding="utf-8")


def test_the_walk_has_ten_lines_and_each_of_them_runs(garage, monkeypatch, capsys):
    lines = walk()
    assert len(lines) == 10
    for line in lines:
        for command in line.split(" && "):
            program, *arguments = shlex.split(command)
            if program == "cd":
                monkeypatch.chdir(arguments[0])
            elif program == "$EDITOR":
                edit(Path(arguments[0]))
            else:
                assert program == "logan"
                assert main(arguments) == 0, f"{command}: {capsys.readouterr().err}"
    out = capsys.readouterr().out
    assert "refined" in out.lower()
    assert list((garage / "my-van" / "reports").glob("*.html"))
    assert list((garage / "my-van" / "plans").glob("plan-*.json"))


def test_two_commands_are_all_it_takes_on_a_new_machine():
    commands = re.findall(r"^python3 -m venv .*$", README.read_text(encoding="utf-8"), re.MULTILINE)
    assert len(commands) == 2
    assert commands[0].endswith("logan demo")
    assert commands[1].endswith(".ci/check")


def test_the_job_stands_in_one_paragraph_at_the_top():
    title, job, *_ = README.read_text(encoding="utf-8").split("\n\n")
    assert title == "# logan"
    assert "\n" not in job
    for word in ("CAN", "DBC", "CSV", "regen", "peak current", "temperature", "range", "plan"):
        assert word in job
