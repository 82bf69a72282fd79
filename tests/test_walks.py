"""The walks in DEVELOPERS.md: what an import really runs, in the order in which it begins to."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.pipeline.twin_fleet import write_fleet

DEVELOPERS = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
WALKS = re.findall(r"^- \*\*(A \w+)\*\*(.*)$", DEVELOPERS.split("## Three walks")[1].split("\n## ")[0], re.MULTILINE)
FOLLOW = """
import sys
from logan.cli.main import main
began = {}
def begins(frame, event, argument):
    if event == "call" and (module := frame.f_globals.get("__name__", "")).startswith("logan."):
        code = frame.f_code
        name = code.co_name
        owner = frame.f_locals.get("self")
        kinds = type(owner).__mro__ if owner is not None else ()
        kind = next((one.__name__ + "." for one in kinds if name in vars(one)), "")
        began.setdefault(module.removeprefix("logan.") + "." + kind + name)
sys.setprofile(begins)
code = main(sys.argv[1:])
sys.setprofile(None)
print(*began, sep="\\n", file=sys.stderr)
sys.exit(code)
"""


@pytest.fixture(scope="module")
def began(tmp_path_factory):
    folder = write_fleet(tmp_path_factory.mktemp("walk"), vehicles=1, drives=1, duration_s=300.0) / "van-001"
    (log,) = (folder / "logs").glob("*.log")
    done = subprocess.run(
        [sys.executable, "-c", FOLLOW, "import", str(log), "-b", str(folder)],
        capture_output=True, text=True, timeout=300, check=True,
    )  # fmt: skip
    return done.stderr.splitlines()


@pytest.mark.parametrize(("name", "text"), WALKS, ids=[name for name, _ in WALKS])
def test_an_import_goes_the_way_that_the_developers_are_told(began, name, text):
    named = [one for one in re.findall(r"`(\w+(?:\.\w+)+)`", text) if one != "vehicle.mass"]
    assert len(named) > 8
    missing = [one for one in named if one not in began]
    assert not missing
    assert named == sorted(named, key=began.index)
