"""The page: self-contained, escaped, readable without JavaScript, in three lengths from one document."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import pytest

from logan.metrics.limit_lines import closest_lines
from logan.report.build_report import build_document, drive_document
from logan.report.figure import Axis, Dots, Figure, Panel
from logan.report.inputs import Document, FigureBlock, Section, TableBlock, Words
from logan.report.page import render_page
from logan.report.sections.certificate import _driven_how, _limits
from logan.report.sections.gearing import gearing_tables, gearing_words
from logan.report.sections.limits import limit_table, unlimited_words
from logan.results import DataFlag, Severity, json_ready
from logan.scenario_settings import Scenario, ScenarioKind
from logan.settings import LimitSide
from logan.units import DisplayUnits
from logan.wording import probability, runs

HOSTILE = '</script><script>alert("x")</script><img src=x onerror=alert(1)>'


@pytest.fixture(scope="module")
def page(inputs):
    return render_page(build_document(inputs), inputs.units)


def plain(page):
    return re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)


def test_names_from_strangers_files_are_shown_as_text():
    figure = Figure(
        finding=HOSTILE,
        x=Axis(title=HOSTILE),
        panels=(Panel(y=Axis(title=HOSTILE), marks=(Dots(x=[1], y=[2], ink="s0", words=(HOSTILE,)),)),),
    )
    section = Section(
        anchor="a",
        title=HOSTILE,
        blocks=(
            Words(lines=(HOSTILE,), title=HOSTILE),
            TableBlock(headings=(HOSTILE,), rows=((HOSTILE,),), caption=HOSTILE, explanations=(HOSTILE,)),
            FigureBlock(figure=figure, note=HOSTILE),
        ),
    )
    page = render_page(
        Document(title=HOSTILE, subtitle=HOSTILE, sections=(section,), provenance=((HOSTILE, HOSTILE),)), DisplayUnits()
    )
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert page.count("</script>") == page.count("<script") == 1


def test_the_page_asks_the_network_for_nothing(page):
    assert not re.search(r"""(?:src|href)\s*=\s*["'](?!#)""", plain(page))
    assert "default-src 'none'" in page.replace("&#39;", "'")
    assert "@import" not in page
    assert "url(" not in page


def test_the_policy_names_exactly_the_script_that_runs(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1].replace("&#39;", "'")
    (script,) = [m[1] for m in re.finditer(r"<script>(.*?)</script>", page, flags=re.DOTALL)]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy
    assert policy.count("sha256-") == 1
    assert "unsafe-eval" not in policy
    assert "unsafe-inline" not in policy.split("script-src")[1]


def test_the_one_page_comes_first_then_the_argument_then_the_appendix(page):
    found = re.findall(r'<section id="([^"]+)" class="length-(\d)"', page)
    assert found[0] == ("one-page", "1")
    lengths = [int(length) for _, length in found]
    assert lengths == sorted(lengths)
    assert lengths.count(1) == 1
    assert [anchor for anchor, length in found if length == "2"][-1] == "cautions"
    assert page.count("<details>") >= lengths.count(3)  # the appendix is folded
    assert "no certification" in page


def test_landmarks_and_identifiers_are_unique_and_headings_skip_no_level(page):
    identifiers = re.findall(r'\sid="([^"]+)"', plain(page))
    assert len(identifiers) == len(set(identifiers))
    sections = re.findall(r'<h2 id="[^"]+-title">(.*?)</h2>', page)
    assert len(sections) == len(set(sections)) >= 8
    levels = [int(level) for level in re.findall(r"<h([1-6])", plain(page))]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_every_figure_and_table_has_a_heading_and_words_for_those_who_cannot_see(page):
    text = plain(page)
    assert text.count("<figcaption><h3>") == text.count("<figure") >= 8
    labels = re.findall(r'class="drawing" role="img" aria-label="([^"]*)"', text)
    assert len(labels) == text.count("<figure")
    assert all(len(label) > 25 for label in labels)
    assert all(f"<h3>{label.split('. ')[0][:20]}" in text for label in labels)


def test_tables_and_figures_need_no_javascript(page):
    text = plain(page)
    assert text.count("<table") >= 6
    assert text.count('class="narrow"') == text.count("<figure")
    assert text.count('class="wide"') == text.count('<g class="panel"') // 2


def test_what_many_drives_share_is_told_once_in_the_argument_and_drive_by_drive_in_the_appendix(inputs):
    def found(number, effect, evidence):
        flag = DataFlag(
            code="x", severity=Severity.AMBER, title="Zero is off", evidence=evidence, remedy="look",
            effect_wh_per_km=effect,
        )  # fmt: skip
        analysis = replace(inputs.drives[0].analysis, flags=(flag,))
        return replace(inputs.drives[0], number=number, label=str(number), analysis=analysis)

    drives = (found(1, 1.0, "by 1 A"), found(2, -8.0, "by 4 A"), found(3, None, "by 2 A"))
    sections = {section.anchor: section for section in build_document(replace(inputs, drives=drives)).sections}
    (brief,) = sections["quality"].blocks
    (row,) = brief.rows
    assert row[:3] == ("Zero is off", "1 to 3", "drive 2: by 4 A")
    assert row[3].startswith("-12.9 Wh/mi")
    assert len(sections["findings"].blocks[0].rows) == 3


def test_each_system_has_its_own_sprint(inputs):
    chain = inputs.gearing.choices[0]
    for name, label, seconds in (
        ("us", "0-60 mph", chain.sprint_s),
        ("metric", "0-100 km/h", chain.sprint_to_100_km_per_h_s),
    ):
        units = DisplayUnits.parse(name)
        shown = " ".join(gearing_words(inputs.gearing, units))
        assert f"{label} in {seconds:.1f} s" in shown
        (rows, *_) = gearing_tables(inputs.gearing, units)
        assert (f"{label}, estimate", f"{seconds:.1f} s") in [row[:2] for row in rows.rows]
    assert chain.sprint_to_100_km_per_h_s > chain.sprint_s


def test_a_certificate_says_each_condition_that_is_not_the_usual_one(inputs):
    hill = Scenario(
        name="hill", kind=ScenarioKind.STEADY, grade_ratio=0.06, headwind_m_per_s=-4.4704, drag_area_factor=1.1,
        rolling_factor=1.2, cabin_climate=False, warm_start=False,
    )  # fmt: skip
    build = replace(inputs.build, scenarios=(hill, Scenario(name="plain", kind=ScenarioKind.STEADY)))
    ranges = replace(
        inputs.plan.scenarios[0], mean_speed_m_per_s=20.1168, ambient_temperature_degc=20.0, payload_kg=0.0, way=""
    )
    how = [_driven_how(replace(ranges, name=name), replace(inputs, build=build)) for name in ("hill", "plain", "gone")]
    asked = ", slope +6.0 %, 10 mph tailwind, CdA x 1.1, Crr x 1.2, heating and cooling off, cold start"
    assert how == [f"45 mph on average, 68 °F{asked}", *["45 mph on average, 68 °F"] * 2]


def test_a_certificate_names_the_amber_that_was_passed_and_what_was_not_logged(inputs):
    check = next(one for one in inputs.drives[0].limits.checks if one.unit == "degC")
    over = replace(check, channel="motor_temperature", amber=80.0, red=100.0, worst_value=95.0, margin=5.0,
                   severity=Severity.AMBER, verdict="beyond amber", used_ratio=0.9)  # fmt: skip
    bare = replace(check, channel="coolant_temperature", margin=None, worst_value=None, used_ratio=None, severity=None,
                   verdict="not logged")  # fmt: skip
    drives = [
        SimpleNamespace(number=number, limits=replace(inputs.drives[0].limits, checks=checks))
        for number, checks in ((1, (over, bare)), (2, (bare, replace(bare, channel="motor_temperature"))))
    ]
    (limits,) = _limits(replace(inputs, units=DisplayUnits.parse("metric"), drives=tuple(drives)))
    assert limits.rows[0][:4] == ("motor temp.", "95 °C", "80", "100")
    assert limits.rows[0][6] == "AMBER"
    assert unlimited_words(drives) == "Limit given, not logged: coolant temperature."  # drive 1 logged the motor's


def test_the_page_stays_small(page):
    assert len(page.encode()) < 1_000_000


def test_no_figure_says_that_all_is_well_and_none_is_drawn_twice(inputs):
    sections = [section for section in build_document(inputs).sections if section.length < 3]
    found = [b.figure for s in sections if s.length == 2 for b in s.blocks if isinstance(b, FigureBlock)]
    assert len({figure.finding for figure in found}) == len(found)
    assert not [f.finding for f in found if re.search(r"nothing|no finding|all .* well|\bOK\b", f.finding)]


def test_a_chance_is_never_certain():
    assert [probability(ratio) for ratio in (0.0, 0.004, 0.17, 0.996, 1.0)] == [
        "< 1 %", "< 1 %", "17 %", "> 99 %", "> 99 %",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("chance", "answer"),
    [(0.95, "Yes"), (0.9, "Yes"), (0.6, "Likely, but not surely enough"), (0.2, "Probably not"), (0.05, "No")],
)
def test_the_answer_is_one_word_that_fits_the_chance(inputs, chance, answer):
    target = inputs.build.target.scenario
    scenarios = tuple(
        replace(s, probability_of_target=chance) if s.name == target else s for s in inputs.plan.scenarios
    )
    page = render_page(build_document(replace(inputs, plan=replace(inputs.plan, scenarios=scenarios))), inputs.units)
    assert f"<strong>{answer}</strong>" in page


def test_columns_of_words_are_set_from_the_left_and_numbers_from_the_right():
    table = TableBlock(
        headings=("drive", "Wh/mi", "range mi", "verdict"),
        rows=(("1", "396 ± 4", "136 (132 to 141)", "within the limit given"), ("2", "refused", "–", "no limit given")),
    )
    assert [table.is_wordy(column) for column in range(4)] == [True, False, False, True]


def test_neighbouring_drives_are_joined():
    assert runs([3, 1, 2, 7, 9, 8, 12, 13]) == "1 to 3, 7 to 9, 12, 13"


def test_the_report_of_one_drive_renders_too_and_one_without_drives(inputs):
    page = render_page(drive_document(inputs), inputs.units)
    assert "&lt;b&gt;town&lt;/b&gt;" in page
    assert "<b>town</b>" not in page
    empty = replace(inputs, drives=())
    assert "No drive has refined the plan yet" in render_page(build_document(empty), inputs.units)
    assert "No drive yet" in render_page(drive_document(empty), inputs.units)


def test_what_has_no_limit_says_so_and_nothing_is_called_safe(page):
    assert "No limit given" in plain(page)
    assert not re.search(r">\s*(OK|safe)\s*<", plain(page))


def test_the_worst_approach_is_the_worst_of_all_drives_on_its_own_side(inputs):
    drive = inputs.drives[0]
    check = next(check for check in drive.limits.checks if check.margin is not None)

    def with_margins(number, *margins):
        sides = (LimitSide.ABOVE, LimitSide.BELOW)
        checks = [
            replace(
                check,
                channel="pack_current",
                unit="A",
                side=side,
                margin=margin,
                worst_value=500.0 - margin,
                red=500.0,
                used_ratio=1.0 - margin / 500.0,
            )
            for side, margin in zip(sides, margins, strict=True)
        ]
        return replace(
            drive,
            number=number,
            analysis=drive.analysis.with_results(limits=replace(drive.limits, checks=tuple(checks))),
        )

    drives = (with_margins(1, 200.0, 20.0), with_margins(2, 100.0, 90.0))
    (table,) = limit_table(closest_lines((one.number, one.limits) for one in drives), inputs.units)
    found = {row[0]: (row[1], row[5]) for row in table.rows}
    assert found["pack current, driving"] == ("400 A", "2")
    assert found["pack current, charging"] == ("480 A", "1")


def test_the_same_content_goes_as_json_with_a_schema(inputs):
    content = json.loads(json.dumps(json_ready(inputs)))
    assert content["schema"] == "report/1"
    assert content["plan"]["scenarios"][0]["range_m"]["p50"] == inputs.plan.scenarios[0].range_m.p50
    assert content["drives"][0]["energy"]["net_wh_per_km"]["sigma"] == inputs.drives[0].energy.net_wh_per_km.sigma
    assert content["provenance"] == [list(row) for row in inputs.provenance]
    assert {"assumptions", "gearing", "build", "fitted"} <= set(content)


def test_the_gearing_table_says_what_it_rests_on(inputs):
    held = [replace(choice, continuous_source="thermal model of a part") for choice in inputs.gearing.choices]
    sheet = replace(inputs.gearing, choices=tuple(held), basis="the fit of 3 drives")
    page = render_page(build_document(replace(inputs, gearing=sheet)), inputs.units)
    assert "thermal model of a part" in page
    assert "eight, road load and losses are those of the fit of 3 drives." in page


def test_a_sheet_in_kilometres_names_no_miles_and_no_fahrenheit(inputs):
    units = DisplayUnits("km", "degC")
    page = render_page(build_document(replace(inputs, units=units)), units)
    words = re.sub(r"<[^>]+>", " ", plain(page))
    for scenario in inputs.plan.scenarios:
        words = words.replace(scenario.name, "")  # the user's own words
    words = words.replace("from 70 to 15 mph", "")  # how the coastdown test is published
    words = words.replace("100 ft (30 m)", "")  # a caution that gives both
    assert not re.search(r"\d\s?(?:mi|mph|°F|ft|lb)\b", words)
    assert "Wh/mi" not in words
    assert "size:A4" in page
