"""What the repository must and must not hold."""

import re
import subprocess
from pathlib import Path

import logan.model

ROOT = Path(__file__).parents[2]
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "logan", "dbc_user", "tests", "fixtures"}


def tracked():
    listing = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    return [Path(line) for line in listing.splitlines()]


def test_the_top_level_holds_what_was_agreed_and_nothing_else():
    tops = {path.parts[0] for path in tracked()}
    assert {top for top in tops if not top.startswith(".")} <= TOP_LEVEL


def test_every_fixture_says_where_it_comes_from():
    sources = (ROOT / "fixtures" / "SOURCES.md").read_text(encoding="utf-8")
    files = [path for path in tracked() if path.parts[0] == "fixtures" and path.name != "SOURCES.md"]
    assert files
    for path in files:
        named = path.relative_to("fixtures").as_posix()
        folders = [f"{parent.as_posix()}/" for parent in Path(named).parents if parent != Path()]
        assert named in sources or any(folder in sources for folder in folders), named


def test_the_readme_has_the_job_first_and_two_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    first = text.split("\n\n")[1]
    assert first.startswith("You convert")
    commands = re.findall(r"^python3 -m venv .*$", text, flags=re.MULTILINE)
    assert len(commands) == 2
    assert commands[0].endswith("logan demo")


def test_modules_stay_small_and_no_module_is_a_drawer():
    for path in tracked():
        if path.suffix == ".py" and path.parts[0] == "logan":
            assert path.stem not in ("utils", "helpers", "common", "misc"), path
            lines = (ROOT / path).read_text(encoding="utf-8").count("\n")
            assert lines <= 500, (path, lines)


def test_the_model_is_told_module_by_module_in_the_order_of_its_work():
    told = re.findall(r"``(\w+)\.py``", logan.model.__doc__)
    modules = {path.stem for path in (ROOT / "logan" / "model").glob("*.py")} - {"__init__"}
    assert modules <= set(told), modules - set(told)
    order = ("balance", "drive_likelihood", "estimator", "forward")  # reduce, likelihood, solve, predict
    assert sorted(order, key=told.index) == list(order)
