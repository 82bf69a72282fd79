"""The page: self-contained, escaped, readable without JavaScript."""

import json
import re

import pytest

from logan.report.build_report import build_document, drive_document, kit_document
from logan.report.document import Document, FigureBlock, Section, TableBlock, Words
from logan.report.page import figure_json, render_page
from logan.report.theme import empty_figure

HOSTILE = '</script><script>alert("x")</script><img src=x onerror=alert(1)>'


@pytest.fixture(scope="module")
def page(inputs):
    return render_page(build_document(inputs))


def without_library(page):
    return re.sub(r"<script>\n?/\*\*.*?</script>", "", page, flags=re.DOTALL)


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


def test_the_policy_names_exactly_the_scripts_of_the_page(page):
    import base64
    import hashlib

    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1].replace("&#39;", "'")
    scripts = [m[1] for m in re.finditer(r"<script>(.*?)</script>", page, flags=re.DOTALL)]
    assert len(scripts) == 2
    for script in scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert "unsafe-eval" not in policy


def test_the_answer_comes_first_and_the_cautions_are_there(page):
    anchors = re.findall(r'<section id="([^"]+)"', page)
    assert anchors[0] == "answer"
    assert "cautions" in anchors
    assert "no certification" in page


def test_tables_and_key_figures_need_no_javascript(page):
    rest = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "chance of the target" in rest
    assert rest.count("<table>") >= 6
    assert "<noscript>" in rest


def test_every_figure_says_in_words_what_it_shows(page):
    labels = re.findall(r'class="plot" role="img" aria-label="([^"]*)"', page)
    assert len(labels) >= 8
    assert all(len(label) > 15 for label in labels)


def test_the_page_stays_small(page):
    assert len(page.encode()) < 6_000_000


@pytest.mark.parametrize("layout", [drive_document, kit_document])
def test_the_other_reports_render_too(inputs, layout):
    page = render_page(layout(inputs))
    assert "&lt;b&gt;town&lt;/b&gt;" in page or "kit" in layout.__name__
    assert "<b>town</b>" not in without_library(page)


def test_what_has_no_limit_says_so_and_nothing_is_called_safe(page):
    rest = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert "no limit given" in rest
    assert not re.search(r">\s*(OK|safe)\s*<", rest)
