"""Whoever is shown a limit or a test procedure is shown the cautions that belong to it, on every face."""

from __future__ import annotations

import re

import pytest

from logan.cli.main import main
from logan.metrics.cautions import CAUTION_ALWAYS, CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST, every_caution
from logan.model.next_test import CandidateTest
from logan.pipeline.builds import BuildFolder
from logan.pipeline.refine import answer_of
from logan.pipeline.reporting import ReportKind
from logan.web import pages
from tests.hardening.targets import ROOT
from tests.pipeline.twin_fleet import write_fleet

# What is shown, and what must then be shown with it; in words of the issue, not of the code's constants.
BELONGS = {
    "estimates": (
        r"no limit given|continuous \(S1\)|startable slope|to red|beyond red|margin|chance of|8 times in 10",
        r"no certification",
    ),
    "road": (
        r"coastdown pairs, 70|steady 35 mph, 50 mph and|full to empty|continuous \(S1\)|Speed that holds|6 % slope",
        r"only where it is legal, dry and empty",
    ),
    "high voltage": (
        r"clamp meter|multimeter|contactors open",
        r"60 V DC.{0,20} can kill",
    ),
}
SHEET = (
    *(BELONGS[kind][1] for kind in ("road", "high voltage")),
    r"stop at once.{0,40}cool for ten minutes",
    r"smoke from the pack leave .{0,40}call the fire department",
    r"tire, axle and weight ratings, and 20 % of charge in reserve",
    r"no substitute for component datasheets, a professional inspection",
)
"""What the cautions of a report say, all of it, wherever else in the report a part of it stands too."""

COMMANDS = {
    "plan": (["plan", "--dry"], {"estimates"}),
    "limits": (["limits"], {"estimates"}),
    "drive": (["drive", "1"], {"estimates"}),
    "drive, in full": (["drive", "1", "--full"], {"estimates"}),
    "fit": (["fit"], {"road"}),
    "fit, in full": (["fit", "--full"], {"road", "high voltage"}),
    "range": (["range"], {"estimates"}),
    "range on a hill": (["range", "--grade", "6 %", "--length", "5 mi", "--speed", "55 mph"], {"estimates"}),
    "gearing": (["gearing"], {"estimates", "road"}),
    "compare": (["compare"], set()),
    "drives": (["drives"], {"estimates"}),
    "trend": (["trend", "least_red_margin_k"], {"estimates"}),
}


def wanting(shown):
    """Kinds of what is shown, and those of them whose caution is not there."""
    flat = re.sub(r"\s+", " ", shown)
    kinds = {kind for kind, (trigger, _) in BELONGS.items() if re.search(trigger, flat, re.IGNORECASE)}
    return kinds, {kind for kind in kinds if not re.search(BELONGS[kind][1], flat, re.IGNORECASE)}


@pytest.fixture(scope="module")
def van(tmp_path_factory):
    """A vehicle with drives, limits, a fit, and a finding that says what to measure at the pack."""
    folder = write_fleet(tmp_path_factory.mktemp("cautions"), vehicles=1, drives=3, duration_s=600.0) / "van-001"
    assert main(["plan", "-b", str(folder)]) == 0
    assert main(["import", *sorted(map(str, (folder / "logs").glob("*.log"))), "-b", str(folder)]) == 0
    return folder


@pytest.mark.parametrize("case", COMMANDS)
def test_every_command_shows_the_cautions_of_what_it_shows(van, capsys, case):
    arguments, expected = COMMANDS[case]
    capsys.readouterr()
    assert main([*arguments, "-b", str(van)]) == 0
    kinds, missing = wanting(capsys.readouterr().out)
    assert kinds >= expected
    assert not missing


def test_a_finding_that_sends_to_the_pack_says_what_it_can_do(van, capsys):
    """The current's gain told by hand, so that the sensor disagrees with what moves the vehicle."""
    assert main(["drive", "2", "--correct", "pack_current.sign=-1", "--why", "test", "--full", "-b", str(van)]) == 0
    kinds, missing = wanting(capsys.readouterr().out)
    assert main(["drive", "2", "--unmask", "-b", str(van)]) == 0
    assert "high voltage" in kinds
    assert not missing


@pytest.mark.parametrize("kind", [ReportKind.BUILD, ReportKind.CERTIFICATE, ReportKind.DRIVE])
def test_every_report_shows_all_of_them(van, tmp_path, kind):
    options = {"build": [], "certificate": ["--certificate"], "drive": ["--drive", "1"]}[kind]
    page = tmp_path / "report.html"
    assert main(["report", *options, "--out", str(page), "-b", str(van)]) == 0
    whole = page.read_text(encoding="utf-8")
    *_, sheet = re.split(r"<h\d[^>]*>Cautions</h\d>", whole)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", sheet.split("</section>")[0]))
    said = whole if kind is ReportKind.CERTIFICATE else text  # which says on its first sheet what it is none of
    assert re.search(BELONGS["estimates"][1], said)
    wanted = SHEET if kind is ReportKind.CERTIFICATE else (*SHEET, r"The logger is isolated, fused, strapped down")
    assert [caution for caution in wanted if not re.search(caution, text, re.IGNORECASE)] == []


def test_a_next_test_carries_its_caution_to_every_face(van):
    """The page and programs take it from here: a road is driven or the pack is touched, or nothing has to be said."""
    answer = answer_of(BuildFolder(van))
    for test in answer.next_tests.candidates:
        assert isinstance(test, CandidateTest)
        on_road = re.search(r"coastdown|steady|full to empty", test.name)
        at_pack = re.search(r"clamp|multimeter", test.name)
        assert ("legal, dry and empty" in test.caution) == bool(on_road), test.name
        assert ("can kill" in test.caution) == bool(at_pack), test.name
    script = (ROOT / "logan" / "web" / "static" / "range.js").read_text(encoding="utf-8")
    assert "best.caution" in script


def test_readme_page_and_form_say_them_in_the_words_of_the_one_list():
    def plain(path):
        return re.sub(r"\s+", " ", re.sub(r"^# ", "", (ROOT / path).read_text(encoding="utf-8"), flags=re.MULTILINE))

    assert [text for text in every_caution() if f"- {text}" not in plain("README.md")] == []
    form = plain("logan/configuration/templates/measurements.toml")
    assert CAUTION_ROAD_TEST in form
    assert CAUTION_HIGH_VOLTAGE in form
    assert "<footer><p>logan {{ version }}. {{ cautions }} <a" in plain("logan/web/templates/base.html")
    footer = pages._TEMPLATES.env.globals["cautions"]
    assert all(text in footer for text in (CAUTION_ALWAYS, CAUTION_ROAD_TEST, CAUTION_HIGH_VOLTAGE))


def test_every_page_has_the_footer():
    found = [path for path in (ROOT / "logan" / "web" / "templates").glob("*.html") if path.name != "base.html"]
    assert len(found) >= 9
    for path in found:
        assert re.search(r'{% extends "base\.html" %}', path.read_text(encoding="utf-8")), path.name
