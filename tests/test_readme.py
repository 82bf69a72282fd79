"""The README keeps its word: its walk from a log to a range runs as it stands."""

from __future__ import annotations

import ast
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest

from logan.cli.main import main
from tests.cli.test_golden import GOLDEN
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


def test_the_picture_at_the_top_is_what_the_demo_says():
    """The figures of ``logan demo``, which its golden file holds."""
    picture = README.read_text(encoding="utf-8").split("```")[1]
    said = (GOLDEN / "us" / "demo.txt").read_text(encoding="utf-8")
    planned, refined, target, before, after = re.search(
        r"planned (\d+) mi, refined (\d+) mi; chance of the (\d+) mi target:\s+planned (\d+) %, refined (\d+) %", said
    ).groups()
    assert re.findall(r"(\d+) mi$", picture, re.MULTILINE) == [planned, refined]
    assert f"{target} mi: {after} % instead of {before} %" in picture


def section(heading):
    return README.read_text(encoding="utf-8").split(f"## {heading}", 1)[1].split("\n## ", 1)[0]


@pytest.fixture(scope="module")
def vans(tmp_path_factory):
    """The folder of a fleet, one vehicle with two drives."""
    root = write_fleet(tmp_path_factory.mktemp("kit") / "vans", vehicles=1, drives=2, duration_s=180.0)
    build = root / "van-001"
    assert main(["import", *map(str, sorted((build / "logs").iterdir())), "-b", str(build)]) == 0
    return root


def test_every_command_on_drives_and_vehicles_runs(vans, tmp_path, monkeypatch, capsys):
    place = shutil.copytree(vans, tmp_path / "vans")
    of_drives, of_vehicles = re.findall(r"```sh\n(.*?)```", section("The drives, and many vehicles"), re.DOTALL)
    for folder, block in ((place / "van-001", of_drives), (tmp_path, of_vehicles)):
        monkeypatch.chdir(folder)
        for line in block.splitlines():
            program, *arguments = shlex.split(line.split("  #", 1)[0])
            extra = ["--processes", "1"] if arguments[0] == "fleet" else []
            assert (program, main([*arguments, *extra])) == ("logan", 0), f"{line}: {capsys.readouterr().err}"
    for name in ("drive2.csv", "metrics.csv", "give-away.zip"):
        assert (place / "van-001" / name).stat().st_size > 0
    assert (tmp_path / "vans.csv").stat().st_size > 0


def test_every_line_of_python_says_something_of_a_library(vans, monkeypatch):
    (block,) = re.findall(r"```python\n(.*?)```", section("The drives, and many vehicles"), re.DOTALL)
    monkeypatch.chdir(vans / "van-001")
    tree = ast.parse(block)
    # What stands alone on a line is what the reader would see: keep it to look at.
    seen = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr):
            node.value = ast.Call(ast.Name("see", ast.Load()), [node.value], [])
    exec(compile(ast.fix_missing_locations(tree), "README.md", "exec"), {"see": seen.append})
    one_channel, top_speed, drives, consumption, side_by_side, current, range_m = seen
    assert 20_000.0 < range_m < 500_000.0
    assert list(one_channel.columns) == ["time_ns", "pack_current"]
    assert np.array_equal(one_channel["pack_current"], current[np.isfinite(current)])
    assert 5.0 < top_speed < 50.0
    assert [number for number, _, _ in drives] == [1, 2]
    assert consumption.between(50.0, 600.0).all()
    assert list(side_by_side.columns) == ["speed", "pack_current"]
