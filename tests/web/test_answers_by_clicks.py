"""The builder's questions asked by clicks alone, on the demo: each answer's figures stand there with their units."""

import datetime
import re

import numpy as np
import pytest

from logan.demo.conversion import SENSORS, TRUTH
from logan.demo.messages import candump_lines
from logan.demo.routes import mixed_route
from logan.demo.twin import drive_twin
from tests.web.serving import drop, fill_in, opened

pytestmark = [pytest.mark.browser, pytest.mark.slow]

START_S = 1_700_000_000.0
SATELLITE = re.compile(" 18FF4[0-2]10#")
"""Frames of the demo's satellite receiver, in its DBC."""


@pytest.fixture(scope="module")
def build(browser, served, demo):
    """The demo's page, one for all questions, and the address of the build."""
    with opened(browser, viewport={"width": 1280, "height": 900}) as (page, _):
        yield page, f"{served[0]}/builds/demo"


def ask(build, name, **options):
    """Choose a question, fill its fields in, and return the words and the tables of its answer."""
    page, address = build
    page.goto(f"{address}/tools")
    page.locator("#command option").first.wait_for(state="attached")
    page.locator("#command").select_option(name)
    for option, text in options.items():
        fill_in(page.locator(f"#option-{option}"), text)
    page.get_by_role("button", name="Show it").click()
    page.locator("#command-answer > *").first.wait_for()
    answer = page.locator("#command-answer")
    tables = answer.locator("table").all()
    return answer.inner_text(), [[row.all_inner_texts() for row in cells_of(table)] for table in tables]


def cells_of(table):
    return [row.locator("th, td") for row in table.locator("tr").all()]


def test_gearing_is_answered_for_the_gears_at_hand_and_for_others(build):
    words, (performance, ratios) = ask(build, "gearing")
    assert re.search(r"top speed \d+ mph, max startable slope \d+ %, 0-60 mph in \d+\.\d s", words)
    by_name = {row[0].strip(): row[1:] for row in performance}
    for name, unit in (
        ("tractive force at launch", "lbf"),
        ("wheel torque at launch", "lb-ft"),
        ("0-60 mph, estimate", "s"),
    ):
        assert all(re.fullmatch(rf"[\d.,]+ {unit}", cell) for cell in by_name[name]), by_name[name]
    assert len(ratios) > 5
    column = ratios[0].index("Wh/mi at 65 mph")
    used = [float(row[column]) for row in ratios[1:]]
    assert used == sorted(used)  # the taller the gearing, the less the motor's drag
    indent = build[0].locator("th:has-text('by power alone')").evaluate("cell => getComputedStyle(cell).whiteSpace")
    assert indent == "pre-wrap"  # rows that belong to the one above stand in, as on the terminal


def test_the_effect_of_a_change_between_drives_that_were_tagged(build):
    page, address = build
    page.goto(f"{address}/drives")
    page.locator("#drives tbody tr").first.wait_for()
    groups = {"before": (2, 3), "after": (4, 5)}
    for tag, drives in groups.items():
        for number in drives:
            page.get_by_label(f"Choose drive {number}").check()
        page.get_by_label("Tag to add").fill(tag)
        page.get_by_role("button", name="Add the tag").click()
        page.locator("#drives tbody tr", has_text=tag).nth(1).wait_for()
        for number in drives:
            page.get_by_label(f"Choose drive {number}").uncheck()
    found = {}
    for tag in groups:
        page.get_by_label("Find", exact=True).fill(tag)
        shown = page.locator("#drives tbody th").all_inner_texts()
        found[tag] = ", ".join(re.findall(r"\d+", " ".join(shown)))
    assert found == {"before": "2, 3", "after": "4, 5"}
    words, _ = ask(build, "effect", **found)
    assert re.search(r"\d+\.\d ?% (more|less) road load.*90 % interval [-+]\d+\.\d ?% to [-+]\d+\.\d ?%", words), words
    assert "Before: drives 2, 3; after: drives 4, 5." in words
    assert re.search(r"On these drives that is -?\d+ ± \d+ Wh/mi", words)


def test_the_trend_of_a_metric_has_a_row_for_each_drive(build):
    words, (drives, spells) = ask(build, "trend", metric="net consumption")
    assert re.search(r"net consumption: [\d.]+ ± [\d.]+ Wh/mi over the last 6 drives", words)
    unit = drives[0].index("Wh/mi")
    assert [row[0] for row in drives[1:]] == list("123456")
    assert all(re.fullmatch(r"[\d.]+ ± [\d.]+", row[unit]) for row in drives[1:])
    assert spells[0][2] == "mean Wh/mi"


def test_a_pass_keeps_the_heading_of_every_figure_on_a_phone(build):
    page, address = build
    page.goto(f"{address}/range")
    page.get_by_role("button", name="Show the climb").click()
    answer = page.locator("#pass-answer")
    answer.locator("table").first.wait_for()
    assert re.search(r"Chance of getting over: .*\d+ %; hottest against its limit: \w+", answer.inner_text())
    peak = answer.locator("tbody tr").first.locator("td").first
    heading = lambda: peak.evaluate("cell => getComputedStyle(cell, '::before').content")  # noqa: E731
    assert heading() == "none"
    page.set_viewport_size({"width": 390, "height": 900})
    assert "peak, 90 % band" in heading()  # the table's head is out of sight here
    assert "°F" in answer.locator("tbody th").first.evaluate("cell => getComputedStyle(cell, '::before').content")
    page.set_viewport_size({"width": 1280, "height": 900})


def test_a_table_is_exported_and_saved(build, tmp_path):
    page, _ = build
    words, _ = ask(build, "export metrics", output="figures.csv")
    assert "Save figures.csv" in words
    with page.expect_download() as got:
        page.get_by_role("link", name="Save figures.csv").click()
    got.value.save_as(tmp_path / "figures.csv")
    head, *rows = (tmp_path / "figures.csv").read_text(encoding="utf-8").splitlines()
    column = head.split(",").index("net_wh_per_km")  # the unit stands in each name
    assert len(rows) == 6
    assert all(100.0 < float(row.split(",")[column]) < 400.0 for row in rows)


def test_a_coastdown_and_a_weighing_are_added_and_the_fit_rests_on_them(build):
    page, address = build
    page.goto(f"{address}/settings")
    page.locator("#rows summary", has_text="What was measured").click()
    table = page.get_by_role("region", name="What was measured")
    for row in (
        {"kind": "mass", "value": "3775 lb ± 15 lb", "source": "truck scale"},
        {"kind": "road_load", "value": "101 lbf ± 10 lbf", "speed": "60 mph", "temperature": "64 °F"},
    ):
        page.get_by_role("button", name="Add a row").click()
        line = table.locator("tbody tr").last
        for key, text in row.items():
            if not line.get_by_label(key, exact=True).count():
                line.get_by_label("Another value").select_option(key)
            line.get_by_label(key, exact=True).fill(text)
    page.get_by_role("button", name="Save what was measured").click()
    page.get_by_text("Saved.", exact=True).wait_for()
    page.goto(f"{address}/range")
    page.get_by_text("Refined by 6 drives.").wait_for()  # worked in anew by itself
    page.locator("#jobs").get_by_text("The answer rests on 6 drives now.").first.wait_for()
    words, _ = ask(build, "fit")
    assert re.match(r"Fit of 6 drives \(\d+ segments\) and 2 measurements", words)
    weight = re.search(r"test weight\s+[\d,]+ ± \d+ lb\s+([\d,]+) ± (\d+) lb", words)
    assert abs(float(weight[1].replace(",", "")) - 3775) < 45, words
    assert float(weight[2]) < 20


@pytest.fixture
def log_and_track(tmp_path):
    """A log without a satellite receiver, and a phone's track of the same road."""
    rng = np.random.default_rng(8)
    drive = drive_twin(TRUTH, mixed_route(rng, duration_s=420.0), rng=rng, sensors=SENSORS)
    lines = [line for line in candump_lines(drive.measured, START_S) if not SATELLITE.search(line)]
    log, track = tmp_path / "bus.log", tmp_path / "phone.gpx"
    log.write_text("\n".join(lines) + "\n", encoding="ascii")
    time_s, latitude = drive.measured["latitude"]
    points = "".join(
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{height:.1f}</ele><time>{moment.isoformat()}</time></trkpt>'
        for lat, lon, height, at in zip(
            latitude,
            drive.measured["longitude"][1],
            np.interp(time_s, *drive.measured["elevation"]),
            time_s,
            strict=True,
        )
        for moment in [datetime.datetime.fromtimestamp(START_S + float(at), tz=datetime.UTC)]
    )
    head = '<gpx version="1.1" creator="own" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    track.write_text(f"{head}{points}</trkseg></trk></gpx>", encoding="utf-8")
    return log, track


def test_a_phones_track_is_joined_to_a_log_and_draws_its_road(build, log_and_track):
    page, address = build
    page.goto(f"{address}/logs")
    drop(page, log_and_track)
    page.locator("#waiting").get_by_text("phone.gpx").wait_for()
    page.locator("#waiting").get_by_text("bus.log").wait_for()
    page.get_by_label(re.compile("Parts of one drive")).check()
    page.get_by_role("button", name="Import 2 logs").click()
    page.locator("#imported").get_by_text("Drive 7 is imported.").wait_for()
    page.locator("#imported").get_by_role("link", name="Drive 7").click()
    page.locator("#road svg").wait_for()  # the log alone knows no place
    page.get_by_text("Channels shown").click()
    assert {"elevation", "latitude", "speed"} <= {
        box.replace(" ", "_") for box in page.locator("#chooser label").all_inner_texts() for box in [box.strip()]
    }
