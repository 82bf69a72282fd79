"""Every command's default output, as it stands on a screen of 80 by 40, in both systems of units.

The files in ``golden`` are read by people. Compared are words, units and their order; numbers are the business of
other tests. After a change that is meant: ``LOGAN_UPDATE_GOLDENS=1 python -m pytest tests/cli/test_golden.py``.
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
    yield folder
    os.environ.pop("TZ") if before is None else os.environ.update(TZ=before)
    time.tzset()


def told(text: str) -> str:
    """What is compared: words and units, without numbers, signs and the way that lines are broken."""
    return " ".join(re.sub(r"[-+±<>=*!]|\d[\d.,:]*", " ", text).split())


def assert_golden(out: str, file: Path) -> None:
    """It says what the file says, on a screen of 80 by 40."""
    if os.environ.get("LOGAN_UPDATE_GOLDENS"):
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(out, encoding="utf-8")
    assert told(out) == told(file.read_text(encoding="utf-8"))
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
    assert main([*command, *where, *([] if name in UNITLESS else ["--units", units])]) == 0
    out = capsys.readouterr().out.replace(str(van), "VAN").replace(f"{datetime.now(UTC):%Y-%m-%d}", "2026-01-01")
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
