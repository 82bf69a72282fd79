"""Every command's default output, as it stands on a screen of 80 by 40, in both systems of units.

The files in ``golden`` are read by people. Compared are words, units and their order, and every figure. Other
processors and linear algebra end a fit some millionths elsewhere, which now and then turns a rounding: one figure in
twenty of a file may be one off in its last digit, and no more. After a change that is meant:
``LOGAN_UPDATE_GOLDENS=1 python -m pytest tests/cli/test_golden.py``.
"""

from __future__ import annotations

import json
import os
import re
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

import logan
from logan.cli.main import main
from logan.results import json_ready
from tests.pipeline.twin_fleet import write_fleet

GOLDEN = Path(__file__).parent / "golden"
ROWS = 40

COMMANDS = {
    "plan": ["plan", "--dry"],
    "gearing": ["gearing"],
    "look": ["look", "--drive", "1"],
    "channels": ["channels"],
    "drives": ["drives"],
    "drive": ["drive", "1"],
    "limits": ["limits"],
    "fit": ["fit"],
    "range": ["range"],
    "range-asked": ["range", "--speed", "55 mph", "--payload", "300 lb"],
    "range-slope": ["range", "--grade", "6 %", "--length", "5 mi", "--speed", "55 mph"],
    "compare": ["compare"],
    "compare-two": ["compare", "1", "2"],
    "trend": ["trend", "net-consumption"],
    "effect": ["effect", "--before", "1,2", "--after", "3"],
    "library": ["library", "check"],
    "explain": ["explain", "CdA"],
    "import": ["import", "{van}/logs/{log}"],
    "report": ["report"],
    "export": ["export", "metrics", "{van}/metrics.csv"],
    "new": ["new", "{van}/../../{units}-van"],
    "fleet": ["fleet", "report", "{van}/..", "{van}/vans.csv"],
}
"""All but ``serve``, below, and ``demo``, whose answer ``tests/pipeline/test_demo_run.py`` holds to its file."""
UNITLESS = {"look", "channels", "library", "explain", "import", "report", "export"}
OF_NO_BUILD = {"explain", "new", "fleet"}
FIGURE = re.compile(r"-?\d+(?:,\d{3})*(?:\.\d+)?")
KEY = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b")
"""A name as code writes it; ``look`` and ``channels`` show the keys that a user types."""


@pytest.fixture(scope="module")
def van(tmp_path_factory):
    """A vehicle with a plan and three short drives, on a clock in the mountains."""
    before = os.environ.get("TZ")
    os.environ["TZ"] = "America/Denver"
    time.tzset()
    folder = write_fleet(tmp_path_factory.mktemp("golden"), vehicles=1, drives=3, duration_s=600.0) / "van-001"
    assert main(["plan", "-b", str(folder)]) == 0
    assert main(["import", *sorted(map(str, (folder / "logs").glob("*.log"))), "-b", str(folder)]) == 0
    assert main(["fit", "-b", str(folder)]) == 0
    yield folder
    os.environ.pop("TZ") if before is None else os.environ.update(TZ=before)
    time.tzset()


def told(text: str) -> str:
    """What is compared: words and units, without numbers, signs and the way that lines are broken."""
    return " ".join(re.sub(r"[-+±<>=*!]|\d[\d.,:]*", " ", text).split())


def turned(out: str, golden: str) -> tuple[list[str], int]:
    """Figures that are more than one off in the coarser's last digit, and how many are off by that one."""
    far, near = [], 0
    for pair in zip(FIGURE.findall(out), FIGURE.findall(golden), strict=True):
        one, other = (float(text.replace(",", "")) for text in pair)
        step = 10.0 ** -min(len(text.partition(".")[2]) for text in pair)
        far += [f"{pair[0]} for {pair[1]}"] if abs(one - other) > 1.001 * step else []
        near += 0.0 < abs(one - other) <= 1.001 * step
    return far, near


@pytest.mark.parametrize(
    ("out", "golden", "found"),
    [
        ("74 (68-71), 4.13 V", "74 (68-71), 4.13 V", ([], 0)),
        ("74 mi", "75 mi", ([], 1)),
        ("73 mi", "75 mi", (["73 for 75"], 0)),
        ("1,204 W, -0.4", "1,205 W, 0.4", (["-0.4 for 0.4"], 1)),
        ("4.13 V", "4.15 V", (["4.13 for 4.15"], 0)),
        ("± 10", "± 9.6", ([], 1)),
    ],
)
def test_a_figure_may_be_off_by_a_rounding_of_its_last_digit(out, golden, found):
    assert turned(out, golden) == found


def assert_golden(out: str, file: Path) -> None:
    """It says what the file says, on a screen of 80 by 40."""
    if os.environ.get("LOGAN_UPDATE_GOLDENS"):
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(out, encoding="utf-8")
    golden = file.read_text(encoding="utf-8")
    assert told(out) == told(golden)
    far, near = turned(out, golden)
    assert not far
    assert near <= max(1, len(FIGURE.findall(golden)) // 20), f"{near} figures are off in their last digit"
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= ROWS, f"{len(lines)} rows"


def test_every_golden_file_fits_on_one_screen():
    files = [*GOLDEN.glob("*/*.txt")]
    assert len(files) >= 2 * len(COMMANDS)
    for file in files:
        lines = file.read_text(encoding="utf-8").splitlines()
        assert (file.name, len(lines) <= ROWS, max(map(len, lines)) <= 80) == (file.name, True, True)


@pytest.mark.parametrize("host", ["127.0.0.1", "::"])
def test_serve_says_where_the_page_is_and_what_an_open_address_means(van, capsys, monkeypatch, host):
    monkeypatch.setattr("uvicorn.run", lambda *app, **how: None)
    monkeypatch.setattr("logan.web.security.own_names", lambda host: ("garage.local",))
    monkeypatch.setattr("secrets.token_urlsafe", lambda size: "TOKEN")
    capsys.readouterr()
    assert main(["serve", str(van), "--no-browser", "--host", host]) == 0
    assert_golden(capsys.readouterr().out, GOLDEN / "us" / f"serve-{'here' if host == '127.0.0.1' else 'open'}.txt")


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_says_what_its_golden_file_says(van, capsys, name, units):
    capsys.readouterr()
    log = min(path.name for path in (van / "logs").glob("*.log"))
    command = [word.format(van=van, units=units, log=log) for word in COMMANDS[name]]
    where = [] if name in OF_NO_BUILD else ["-b", str(van)]
    days = [f"{datetime.now(UTC):%Y-%m-%d}"]  # two where it becomes midnight meanwhile
    assert main([*command, *where, *([] if name in UNITLESS else ["--units", units])]) == 0
    days.append(f"{datetime.now(UTC):%Y-%m-%d}")
    out = re.sub("|".join(days), "2026-01-01", capsys.readouterr().out.replace(str(van), "VAN"))
    assert_golden(out, GOLDEN / units / f"{name}.txt")
    assert not re.search(r"± 0(?![.\d])|(?<![\d.])-0(?![.\d])|-0\.0+(?!\d)", out)
    assert name in ("look", "channels") or not KEY.findall(out)
    other = (
        r"\bkm|°C|\bkg\b|N·m|\bm²|\bm/s|kN|kPa|\d (?:K|m|N)\b(?!\))"
        if units == "us"
        else r"\bmi\b|mph|°F|\blb|ft²|\bhp\b|psi|lbf"
    )
    shown = re.sub(r"\b55 mph|'[^']*'|300 lb", "", out)
    assert name in UNITLESS or not re.search(other, shown)


def test_the_python_functions_give_what_the_commands_print(van, capsys):
    def printed(*command):
        capsys.readouterr()
        assert main([*command, "-b", str(van), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    plan, fit, predicted = logan.plan(van), logan.fit(str(van)), logan.predict(van)
    assert json_ready(plan.prediction) == printed("plan", "--dry")["prediction"]
    assert json_ready(fit.report) == printed("fit")["report"]
    assert json_ready(predicted.refined) == printed("range")["refined"]
    assert predicted.refined.target.range_m.p50 > 10_000.0


def test_a_few_gentle_drives_teach_no_losses_that_run_away(van, capsys):
    """They once gave another ratio -100,000 Wh/mi at 65 mph, from losses extrapolated beyond what was driven."""
    capsys.readouterr()
    assert main(["gearing", "-b", str(van), "--json"]) == 0
    sheet = json.loads(capsys.readouterr().out)
    driven_w = sheet["choices"][0]["hill_battery_power_w"]
    for chain in (*sheet["choices"], *sheet["sweep"]):
        assert 0.8 * driven_w < chain["hill_battery_power_w"] < 1.5 * driven_w


def test_the_heat_of_a_round_trip_says_that_it_is_that_of_the_way_out(van, capsys):
    capsys.readouterr()
    assert main([*COMMANDS["range-slope"], "--round-trip", "-b", str(van)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "this is the way out; what the way back adds is not reckoned" in out
