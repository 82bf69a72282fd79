"""What else is done by clicks: a part of what waits, a limit, a setting found, drives filtered, a plan frozen."""

import datetime
import re
import zipfile

import pytest

from tests.web.conftest import write_small_log
from tests.web.serving import drop, opened
from tests.web.test_many_clients import ask

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def rows_of(van):
    return ask(f"{van.replace('/builds/', '/api/v1/builds/')}/drive-list")[1]["rows"]


def write_track(path):
    """A GPS track of two minutes."""
    start = datetime.datetime(2024, 5, 6, 10, tzinfo=datetime.UTC)
    points = "".join(
        f'<trkpt lat="{10 + k * 1e-4:.5f}" lon="-40.0"><ele>{180 + k * 0.1:.1f}</ele>'
        f"<time>{(start + datetime.timedelta(seconds=k)).strftime('%Y-%m-%dT%H:%M:%SZ')}</time></trkpt>"
        for k in range(120)
    )
    text = (
        '<?xml version="1.0"?><gpx version="1.1" creator="own" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    )
    path.write_text(f"{text}{points}</trkseg></trk></gpx>\n", encoding="utf-8")
    return path


def test_some_of_what_waits_is_imported_as_one_drive_and_the_rest_as_another(browser, van, tmp_path):
    from playwright.sync_api import expect

    lines = write_small_log(tmp_path / "whole.log", seed=5).read_text(encoding="ascii").splitlines(keepends=True)
    with zipfile.ZipFile(tmp_path / "card.zip", "w") as card:
        card.writestr("card/first.log", "".join(lines[: len(lines) // 2]))
        card.writestr("card/second.log", "".join(lines[len(lines) // 2 :]))
    other = write_small_log(tmp_path / "other.log", seed=6, duration_s=200.0, start_s=1_700_100_000.0)
    other_lines = other.read_text(encoding="ascii").splitlines()
    with opened(browser) as (page, _):
        page.goto(f"{van}/drives")  # anything falls anywhere
        page.locator("#drives tbody tr").first.wait_for()
        drop(page, [tmp_path / "card.zip", other, write_track(tmp_path / "way.gpx")])
        page.wait_for_url("**/logs")
        boxes = page.locator("#waiting input")
        page.locator("#waiting").get_by_text("way.gpx").wait_for()
        expect(boxes).to_have_count(4)
        for name in ("other.log", "way.gpx"):
            page.get_by_label(f"Import {name}").uncheck()
        page.get_by_label(re.compile("Parts of one drive")).check()
        page.get_by_role("button", name="Import 2 logs").click()
        page.locator("#imported").get_by_text("Drive 2 is imported.").wait_for()
        page.locator("#waiting").get_by_text("second.log").wait_for(state="detached")
        expect(boxes).to_have_count(2)
        page.get_by_label("Import other.log").check()
        page.get_by_role("button", name="Import it").click()
        page.locator("#imported").get_by_text("Drive 3 is imported.").wait_for()
        page.get_by_role("button", name="Forget way.gpx").click()
        page.get_by_text("No log is waiting.").wait_for()
    whole, third = rows_of(van)[1:]
    lengths = [float(log[-1][1:].split(")")[0]) - float(log[0][1:].split(")")[0]) for log in (lines, other_lines)]
    assert [whole["duration_s"], third["duration_s"]] == pytest.approx(lengths, abs=1.0)


def test_a_limit_is_changed_where_it_is_shown_with_its_source(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/limits")
        line = page.locator("#limits li").filter(has=page.locator("strong:text-is('motor temperature')"))
        line.locator("summary").click()
        for key, text in (("amber", "104 °F"), ("red", "113 °F"), ("source", "my own datasheet")):
            line.get_by_label(f"motor temperature, {key}").fill(text)
        line.get_by_role("button", name="Save").click()
        page.get_by_text("Saved.", exact=True).wait_for()
        line.locator("summary:text-is('my own datasheet')").wait_for()
        assert "red 113.0 °F" in line.inner_text()
        tones = page.locator("#limits li").evaluate_all("lines => lines.map(line => line.className)")
        assert tones == sorted(tones, key=["red", "amber", ""].index)  # gravest first
        line.get_by_role("link", name="Drive 1, worst moment").click()
        page.locator("#cursor-words").get_by_text("At ").wait_for()
        page.locator(".lane .value").filter(has_text="red 113.0 °F").wait_for()


def test_a_setting_is_found_by_a_word_and_drives_by_what_is_wrong_with_them(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/settings")
        page.locator("#settings-form fieldset").first.wait_for()
        every = page.locator("#settings-form fieldset:visible").count()
        page.get_by_label("Find a setting").fill("rolling")
        assert 0 < page.locator("#settings-form fieldset:visible").count() < every
        expect(page.locator('[name="vehicle.rolling_coefficient"]')).to_be_visible()
        expect(page.locator('[name="motor.max_torque"]')).to_be_hidden()
        page.goto(f"{van}/drives")
        shown = page.locator("#drives tbody tr")
        shown.first.wait_for()
        page.get_by_label("Choose drive 1").check()
        page.get_by_label("Reason").fill("towed")
        page.get_by_role("button", name="Leave out of the fit").click()
        page.get_by_text("Left out: 1 drive.").wait_for()
        for kind, count in (("not in the fit", 1), ("with red findings", 0), ("all drives", 1)):
            page.get_by_label("Show").select_option(label=kind)
            expect(shown, kind).to_have_count(count)
        page.get_by_role("button", name="Take part again").click()
        page.get_by_text("Taking part: 1 drive.").wait_for()
    assert rows_of(van)[0]["fit"] == ""


def test_a_plan_is_frozen_and_compared_with_by_clicks(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/tools#plan")
        page.get_by_role("button", name="Show it").click()
        page.locator("#command-answer table").first.wait_for()
        page.locator("#command").select_option("compare")
        page.get_by_label("plan", exact=True).select_option(index=1)  # the one that was frozen just now
        page.get_by_role("button", name="Show it").click()
        page.locator("#command-answer").get_by_role("row", name=re.compile("plan")).first.wait_for()
        page.goto(f"{van}/tools#gearing")  # an address within the same page
        page.get_by_text("Compare reductions: motor and top speed").wait_for()
