"""The page: self-contained, escaped, readable without JavaScript."""

import json
import re

import pytest

from logan.report.build_report import build_document, drive_document, kit_document
from logan.report.document import Document, FigureBlock, Section, TableBlock, Words
from logan.report.page import figure_json, render_page
from logan.report.sections.limits import approach_table
from logan.report.theme import empty_figure
from logan.results import json_ready
from logan.units import DisplayUnits
from logan.wording import probability, runs

HOSTILE = '</script><script>alert("x")</script><img src=x onerror=alert(1)>'


@pytest.fixture(scope="module")
def page(inputs):
    return render_page(build_document(inputs))


def without_library(page):
    return re.sub(r'<script type="application/gzip".*?</script>', "", page, flags=re.DOTALL)


def test_names_from_strangers_files_are_shown_as_text():
    figure = empty_figure(HOSTILE, HOSTILE, alt=HOSTILE)
    figure.add_scatter(x=[1], y=[2], name=HOSTILE)
    section = Section(
        anchor="a",
        title=HOSTILE,
        blocks=(
            Words(lines=(HOSTILE,), title=HOSTILE),
            TableBlock(headings=(HOSTILE,), rows=((HOSTILE,),), caption=HOSTILE, explanations=(HOSTILE,)),
            FigureBlock(title=HOSTILE, figure=figure),
        ),
    )
    page = render_page(Document(title=HOSTILE, subtitle=HOSTILE, sections=(section,), provenance=((HOSTILE, HOSTILE),)))
    rest = without_library(page)
    assert "<script>alert" not in rest
    assert "<img src=x" not in rest
    assert rest.count("</script>") == rest.count("<script")


def test_a_figures_json_survives_escaping():
    figure = empty_figure("x", "y", alt=HOSTILE)
    assert json.loads(figure_json(figure))["layout"]["meta"]["alt"] == HOSTILE


def test_the_page_asks_the_network_for_nothing(page):
    rest = without_library(page)
    assert not re.search(r"""(?:src|href)\s*=\s*["'](?!#)""", rest)
    assert "default-src 'none'" in rest.replace("&#39;", "'")
    assert "@import" not in rest


def test_the_policy_names_exactly_the_scripts_that_run(page):
    import base64
    import gzip
    import hashlib

    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1].replace("&#39;", "'")
    packed = re.search(r'<script type="application/gzip" id="library">(.*?)</script>', page, flags=re.DOTALL)[1]
    plain = [m[1] for m in re.finditer(r"<script>(.*?)</script>", page, flags=re.DOTALL)]
    scripts = [*plain, gzip.decompress(base64.b64decode(packed)).decode()]
    assert len(scripts) == 2
    for script in scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert policy.count("sha256-") == 2
    assert "unsafe-eval" not in policy
    assert "unsafe-inline" not in policy.split("script-src")[1]


def test_the_answer_comes_first_and_the_cautions_are_there(page):
    anchors = re.findall(r'<section id="([^"]+)"', page)
    assert anchors[0] == "answer"
    assert "cautions" in anchors
    assert "no certification" in page


def test_tables_and_key_figures_need_no_javascript(page):
    rest = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "chance of the target" in rest
    assert rest.count("<table>") >= 6
    assert rest.count("<svg") == rest.count("<figure")


def test_every_figure_says_in_words_what_it_shows(page):
    labels = re.findall(r'class="static" role="img" aria-label="([^"]*)"', page)
    assert len(labels) >= 12
    assert all(len(label) > 15 for label in labels)


def test_the_page_stays_small(page):
    assert len(page.encode()) < 4_000_000


def test_a_chance_is_never_certain():
    assert [probability(ratio) for ratio in (0.0, 0.004, 0.17, 0.996, 1.0)] == [
        "< 1 %",
        "< 1 %",
        "17 %",
        "> 99 %",
        "> 99 %",
    ]


@pytest.mark.parametrize(
    ("chance", "answer"),
    [(0.95, "Yes"), (0.9, "Yes"), (0.6, "Likely, but not surely enough"), (0.2, "Probably not"), (0.05, "No")],
)
def test_the_answer_is_one_word_that_fits_the_chance(inputs, chance, answer):
    from dataclasses import replace

    target = inputs.build.target.scenario
    scenarios = tuple(
        replace(s, probability_of_target=chance) if s.name == target else s for s in inputs.plan.scenarios
    )
    page = render_page(kit_document(replace(inputs, plan=replace(inputs.plan, scenarios=scenarios))))
    assert f"<strong>{answer}</strong>" in page


def test_columns_of_words_are_set_from_the_left_and_numbers_from_the_right():
    table = TableBlock(
        headings=("drive", "Wh/mi", "range mi", "verdict"),
        rows=(("1", "396 ± 4", "136 (132 to 141)", "within the limit given"), ("2", "refused", "–", "no limit given")),
    )
    assert [table.is_wordy(column) for column in range(4)] == [True, False, False, True]


def test_neighbouring_drives_are_joined():
    assert runs([3, 1, 2, 7, 9, 8, 12, 13]) == "1 to 3, 7 to 9, 12, 13"


@pytest.mark.parametrize("layout", [drive_document, kit_document])
def test_the_other_reports_render_too(inputs, layout):
    page = render_page(layout(inputs))
    assert "&lt;b&gt;town&lt;/b&gt;" in page or "kit" in layout.__name__
    assert "<b>town</b>" not in without_library(page)


def test_what_has_no_limit_says_so_and_nothing_is_called_safe(page):
    rest = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "no limit given" in rest
    assert not re.search(r">\s*(OK|safe)\s*<", rest)


def test_the_worst_approach_is_the_worst_of_all_drives_on_its_own_side(inputs):
    from dataclasses import replace

    from logan.settings import LimitSide

    drive = inputs.drives[0]
    check = next(check for check in drive.limits.checks if check.margin is not None)

    def with_margins(number, *margins):
        sides = (LimitSide.ABOVE, LimitSide.BELOW)
        checks = [
            replace(
                check, channel="pack_current", unit="A", side=side, margin=margin, worst_value=500.0 - margin, red=500.0
            )
            for side, margin in zip(sides, margins, strict=True)
        ]
        return replace(drive, number=number, limits=replace(drive.limits, checks=tuple(checks)))

    table = approach_table((with_margins(1, 200.0, 20.0), with_margins(2, 100.0, 90.0)), inputs.units)
    found = {row[0]: (row[1], row[6]) for row in table.rows}
    assert found["pack current, above"][0] == "400 A"
    assert found["pack current, above"][1].startswith("drive 2")
    assert found["pack current, below"][0] == "480 A"
    assert found["pack current, below"][1].startswith("drive 1")


def test_the_same_content_goes_as_json_with_a_schema(inputs):
    content = json.loads(json.dumps(json_ready(inputs)))
    assert content["schema"] == "report/1"
    assert content["plan"]["scenarios"][0]["range_m"]["p50"] == inputs.plan.scenarios[0].range_m.p50
    assert content["drives"][0]["energy"]["net_wh_per_km"]["sigma"] == inputs.drives[0].energy.net_wh_per_km.sigma
    assert content["provenance"] == [list(row) for row in inputs.provenance]
    assert {"assumptions", "gearing", "build", "fitted"} <= set(content)


def test_the_gearing_table_says_what_it_rests_on(inputs):
    from dataclasses import replace

    held = [replace(choice, continuous_source="thermal model of a part") for choice in inputs.gearing.choices]
    sheet = replace(inputs.gearing, choices=tuple(held), basis="the fit of 3 drives")
    page = render_page(build_document(replace(inputs, gearing=sheet)))
    assert "what is held for ever: thermal model of a part" in page
    assert "Mass, road load and losses are those of the fit of 3 drives." in page


def test_a_sheet_in_kilometres_names_no_miles_and_no_fahrenheit(inputs):
    from dataclasses import replace

    page = render_page(build_document(replace(inputs, units=DisplayUnits("km", "degC"))))
    rest = re.sub(r"<script.*?</script>|<style.*?</style>", "", page, flags=re.DOTALL)
    words = re.sub(r"<[^>]+>", " ", rest)
    for scenario in inputs.plan.scenarios:
        words = words.replace(scenario.name, "")  # the user's own words
    words = words.replace("from 70 to 15 mph", "")  # how the coastdown test is published
    assert not re.search(r"\d\s?(?:mi|mph|°F|ft)\b", words)
    assert "Wh/mi" not in words
