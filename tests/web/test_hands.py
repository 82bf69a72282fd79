"""Fingers on a small screen, and marks that are clicked: pan, pinch, brush, swipe, limit events and findings."""

import re
import shutil

import pytest

from logan.demo.conversion import write_build
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from logan.pipeline.settings_form import save_fields
from tests.cli.test_import_questions import alike_columns
from tests.hardening.fault_table import new_build, write_table
from tests.web.conftest import write_small_log
from tests.web.serving import drop, mark_a_span, opened, serving, wait_ready
from tests.web.strange_vehicle import write_strange
from tests.web.test_many_clients import ask

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PHONE = {"viewport": {"width": 390, "height": 800}, "has_touch": True, "is_mobile": True}


@pytest.fixture(scope="module")
def van(tmp_path_factory):
    """Address of a build with one drive, on which a limit was passed and some seconds of the log are lost."""
    root = tmp_path_factory.mktemp("hands")
    (root / "van").mkdir()
    write_build(root / "van")
    save_fields(BuildFolder(root / "van"), {"limits.pack_current.red": "190 A", "limits.pack_current.amber": ""})
    log = write_small_log(root / "first.log")
    lines = log.read_text(encoding="ascii").splitlines()
    start_s = float(lines[0][1:].split(")")[0])
    kept = [line for line in lines if not 200.0 < float(line[1:].split(")")[0]) - start_s < 212.0]
    log.write_text("\n".join(kept) + "\n", encoding="ascii")
    import_logs(BuildFolder(root / "van"), [log])
    with serving(root) as address:
        yield f"{address}/builds/van"
    shutil.rmtree(root, ignore_errors=True)


STILL = """() => new Promise((done) => {
    let last = null;
    const look = () => { if (scrollY === last) { done(); } else { last = scrollY; setTimeout(look, 150); } };
    look(); })"""
"""Resolves once nothing scrolls any more: a flick goes on after the finger has left."""


class Fingers:
    """Touches as a screen sends them: each path is of one finger, all move together."""

    def __init__(self, page):
        self.page, self.wire = page, page.context.new_cdp_session(page)

    def __call__(self, *paths):
        steps = zip(*paths, strict=True)
        for k, points in enumerate(steps):
            touches = [{"x": x, "y": y, "id": finger} for finger, (x, y) in enumerate(points)]
            kind = "touchStart" if k == 0 else "touchMove"
            self.wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})
            self.page.wait_for_timeout(16)
        self.wire.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        self.page.wait_for_timeout(50)


def line(start, end, steps=12):
    """Points from one to another."""
    share = [k / steps for k in range(steps + 1)]
    return [(start[0] + s * (end[0] - start[0]), start[1] + s * (end[1] - start[1])) for s in share]


def seconds_at(page, fingers, x, y):
    """Time in the drive under a finger that taps there."""
    page.evaluate("document.querySelector('#cursor-words').textContent = ''")
    fingers([(x, y)])
    page.wait_for_function("() => document.querySelector('#cursor-words').textContent")
    minutes, seconds = re.search(r"At (\d+):([\d.]+)", page.locator("#cursor-words").inner_text()).groups()
    return 60.0 * int(minutes) + float(seconds)


def test_fingers_pan_zoom_and_mark_on_a_phone(browser, van):
    with opened(browser, **PHONE) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        page.locator("#timeline").scroll_into_view_if_needed()
        page.evaluate("scrollTo(0, document.querySelector('#timeline').getBoundingClientRect().top + scrollY - 120)")
        box, fingers = page.locator("#timeline").bounding_box(), Fingers(page)
        y, left, right = box["y"] + 150, box["x"] + 60, box["x"] + box["width"] - 60

        def view():
            return seconds_at(page, fingers, left, y), seconds_at(page, fingers, right, y)

        whole = view()
        middle = (left + right) / 2
        fingers(line((middle - 20, y), (left, y)), line((middle + 20, y), (right, y)))  # two fingers apart: closer
        near = view()
        assert near[1] - near[0] < 0.4 * (whole[1] - whole[0])
        assert whole[0] < near[0] < near[1] < whole[1]
        fingers(line((right, y), (left, y)))  # one finger to the left: later
        later = view()
        assert later[0] == pytest.approx(near[1], abs=0.15 * (near[1] - near[0]))
        fingers(line((left, y), (middle - 20, y)), line((right, y), (middle + 20, y)))  # together: farther
        assert view()[1] - view()[0] > 1.5 * (near[1] - near[0])
        page.get_by_role("button", name="Mark a span").tap()
        page.locator("#timeline").scroll_into_view_if_needed()
        y = page.locator("#timeline").bounding_box()["y"] + 150
        fingers(line((left, y), (right, y)))
        page.get_by_text("Channels within it").wait_for()
        assert re.search(r"\d+ ± \d+ Wh/mi", page.locator("#span").inner_text())
        assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_swipe_scrolls_and_changes_no_figure(browser, van):
    with opened(browser, **PHONE) as (page, _):
        page.goto(f"{van}/range")
        wait_ready(page)
        before = page.locator("#what-if-answer").inner_text()
        fingers = Fingers(page)
        for name in ("speed", "ambient", "load", "pack"):
            slider = page.locator(f"#{name}")
            value = slider.input_value()
            slider.scroll_into_view_if_needed()
            top = page.evaluate("scrollY")
            box = slider.bounding_box()
            x, y = box["x"] + 0.3 * box["width"], box["y"] + box["height"] / 2
            step = -250 if y > 400 else 250
            fingers(line((x, y), (x + 12, y + step)))
            page.wait_for_function("top => scrollY !== top || top === 0", arg=top)
            page.evaluate(STILL)
            assert slider.input_value() == value, name
            box = slider.bounding_box()
            y = box["y"] + box["height"] / 2
            if name == "ambient":  # a finger that moves across does set it
                fingers(line((box["x"] + box["width"] / 2, y), (box["x"] + box["width"] - 20, y + 3)))
                page.wait_for_function(
                    "before => Number(document.querySelector('#ambient').value) > before", arg=float(value)
                )
                page.get_by_role("button", name="Back to the answer").tap()
        page.locator("#as-answered").wait_for(state="hidden")
        assert page.locator("#what-if-answer").inner_text() == before
        page.goto(f"{van}/settings")
        field = page.locator('[name="vehicle.mass"]')
        field.scroll_into_view_if_needed()
        value, box = field.input_value(), field.bounding_box()
        fingers(line((box["x"] + 40, box["y"] + 10), (box["x"] + 40, box["y"] - 200)))
        assert field.input_value() == value


def test_a_click_on_a_limit_event_and_on_a_findings_mark_leads_there(browser, van):
    with opened(browser, viewport={"width": 1280, "height": 900}) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        events, findings = page.locator(".mark.limit"), page.locator(".mark.finding")
        assert events.count() >= 1
        assert findings.count() >= 1
        for mark in (events.first, findings.first):
            words = mark.get_attribute("aria-label")
            title, minutes, seconds = re.match(r"(.*), at (\d+):(\d+)", words).groups()
            mark.click()
            page.locator("#mark-words").get_by_text(title).first.wait_for()
            assert mark.get_attribute("aria-current") == "true"
            at = re.search(r"At (\d+):([\d.]+)", page.locator("#cursor-words").inner_text())
            away_s = 60 * int(at[1]) + float(at[2]) - 60 * int(minutes) - int(seconds)
            assert -1.0 <= away_s <= 60.0  # an event's worst moment, a finding's beginning
            page.get_by_role("button", name="All", exact=True).click()
        # The headline's red event is shown where it happened, and the limits' page leads to its worst moment.
        page.locator("#drive .notice.red").first.get_by_role("button", name="Show it").click()
        assert page.evaluate("document.activeElement.id") == "timeline"
        page.goto(f"{van}/limits")
        page.locator("#limits li.red").get_by_role("link", name="Drive 1, worst moment").first.click()
        page.locator(".lane").filter(has_text="pack current").wait_for()
        page.get_by_text(re.compile(r"^At \d+:")).wait_for()


def test_the_bar_of_jobs_covers_no_end_of_a_page_and_no_field_that_is_reached_by_keys(browser, van):
    with opened(browser, viewport={"width": 390, "height": 640}) as (page, _):
        page.goto(f"{van}/settings")
        said = [[f"Something that went wrong, told at some length, number {k}", "red"] for k in range(6)]
        page.evaluate("said => sessionStorage.setItem('said', JSON.stringify(said))", said)
        page.reload()
        page.get_by_text("number 5").wait_for()
        page.locator('[name="vehicle.mass"]').wait_for()
        page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
        dock, footer = page.locator(".dock").bounding_box(), page.locator("footer").bounding_box()
        assert dock["height"] <= 0.34 * 640
        assert footer["y"] + footer["height"] <= dock["y"] + 1
        page.evaluate("scrollTo(0, 0)")
        for _ in range(40):
            page.keyboard.press("Tab")
            field = page.evaluate(
                "(() => { const b = document.activeElement.getBoundingClientRect(); return b.y + b.height; })()"
            )
            assert field <= 640 - dock["height"] + 4, page.evaluate("document.activeElement.outerHTML")[:200]


def test_what_ended_takes_one_line_of_a_phone_until_it_is_opened(browser, van):
    from playwright.sync_api import expect

    api = van.replace("/builds/", "/api/v1/builds/")
    jobs = f"{van.removesuffix('/builds/van')}/api/v1/jobs"
    for before in ask(jobs)[1]["jobs"]:
        ask(f"{jobs}/{before['id']}/close", "POST", {})
    with opened(browser, **PHONE) as (page, _):
        for _ in range(3):
            job = ask(f"{api}/fit", "POST", {})[1]["id"]
            while ask(f"{jobs}/{job}")[1]["state"] != "done":
                page.wait_for_timeout(50)
        page.goto(f"{van}/report")
        boxes, dock, more = page.locator("#jobs .job"), page.locator(".dock"), page.locator("#jobs .fold")
        expect(boxes).to_have_count(3)
        expect(boxes.filter(visible=True)).to_have_count(1)
        assert dock.bounding_box()["height"] <= 60
        expect(boxes.last.get_by_role("link", name="See it")).to_be_in_viewport(ratio=1)
        page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
        page.get_by_role("link", name="Interface for programs").tap(trial=True)  # nothing lies over the page's end
        expect(more).to_have_text("All 3")
        more.tap()
        expect(boxes.filter(visible=True)).to_have_count(3)
        expect(more).to_have_attribute("aria-expanded", "true")
        expect(more).to_be_in_viewport(ratio=1)
        boxes.first.get_by_role("button", name="Close").tap()
        expect(boxes).to_have_count(2)
        more.tap()
        expect(boxes.filter(visible=True)).to_have_count(1)
        assert dock.bounding_box()["height"] <= 60
        page.set_viewport_size({"width": 1280, "height": 900})
        expect(boxes.filter(visible=True)).to_have_count(2)
        expect(more).to_be_hidden()


ACROSS = "one => { const box = one.getBoundingClientRect(); return [box.left, box.right]; }"


def test_a_phone_shows_what_each_row_is_of_and_every_channels_signal_unit_and_sign(browser, van, small_log):
    with opened(browser, **PHONE) as (page, _):
        for place, table in (
            ("drives", "#drives .table"),
            ("tools?number=1#drive", "#command-answer .table"),
            ("settings", "fieldset .table"),
        ):
            page.goto(f"{van}/{place}")
            page.locator(f"{table} tbody tr").first.wait_for()
            wide = [
                one
                for one in page.locator(table).all()
                if one.evaluate("one => one.scrollWidth > one.clientWidth + 40")
            ]
            assert wide, place
            for one in wide:
                one.evaluate("one => { one.scrollLeft = one.scrollWidth; }")
                assert one.evaluate("one => one.scrollLeft") > 30
                left, right = one.locator("tbody tr > :first-child").first.evaluate(ACROSS)
                assert 0 <= left < right < 200, place
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, place
        page.goto(f"{van}/logs")
        page.get_by_text("No log is waiting.").wait_for()
        drop(page, [small_log])
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.get_by_role("button", name="Save the map").wait_for()
        lines = page.locator("#channel-form tbody tr:first-child").filter(has=page.locator("select"))
        assert lines.count() >= 10
        for line in lines.all():
            cells = [line.locator(f"td:nth-child({k})") for k in (2, 4, 5)]
            for shown in (cells[0], cells[1].locator("input"), cells[2].locator("select")):
                left, right = shown.evaluate(ACROSS)
                assert 0 <= left < right <= 390, line.inner_text()
        assert page.locator("#channel-form .table").evaluate("one => one.scrollWidth <= one.clientWidth")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_what_the_driver_knows_is_noted_on_the_drives_own_page(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        said = {"payload": "100 lb", "passengers": "2", "wind": "10 mph", "wind_from_deg": "270", "tire": "36 psi",
                "drag_factor": "1.15", "ambient": "50 °F"}  # fmt: skip
        for name, text in said.items():
            page.locator(f'#notes-form [name="{name}"]').fill(text)
        page.locator("#notes-form").get_by_role("button", name="Save").click()
        page.get_by_text("Saved.", exact=True).wait_for()
        page.reload()
        wait_ready(page)
        shown = {name: page.locator(f'#notes-form [name="{name}"]').input_value() for name in said}
        assert shown == {**said, "payload": "400 lb", "passengers": ""}
        page.get_by_role("link", name="Every table, a weather table, every choice").click()
        page.locator("#command-answer table").first.wait_for()


def test_two_loads_that_run_alike_are_asked_about_and_answered_by_a_click(browser, tmp_path):
    columns = alike_columns()
    new_build(tmp_path / "van", columns)
    write_table(tmp_path / "log.csv", columns)
    with serving(tmp_path) as address, opened(browser) as (page, _):
        page.goto(f"{address}/builds/van/logs")
        page.get_by_text("No log is waiting.").wait_for()
        drop(page, [tmp_path / "log.csv"])
        page.get_by_role("button", name="Import it").click()
        page.get_by_text("two loads run alike").wait_for()
        page.get_by_role("button", name="air conditioning power").click()
        page.get_by_text("two loads run alike").wait_for(state="detached")
        page.get_by_text("Drive 1 is imported.").wait_for()
        channels = ask(f"{address}/api/v1/builds/van/channels")[1]["channels"]
        assert {"heater_power", "air_conditioning_power"} & {one["channel"] for one in channels} == {
            "air_conditioning_power"
        }


def test_sliders_start_at_the_answer_its_causes_lead_to_evidence_and_the_inverse_holds(browser, van):
    with opened(browser) as (page, _):
        page.goto(van)
        page.get_by_text("Judged from one drive and the plan.").wait_for()
        page.locator("#steps .done").filter(has_text="from the drives").wait_for()
        page.locator("#answer dt").get_by_text("range, highway 65, round trip").wait_for()
        answered = page.locator("#answer dd").all_inner_texts()
        causes = page.locator("#answer p a")
        assert causes.count() >= 3
        for place in {causes.nth(k).get_attribute("href") for k in range(causes.count())}:
            page.goto(van.removesuffix("/builds/van") + place)
            page.locator(
                "#command-answer table, #drives table, #settings-form fieldset, #command-form"
            ).first.wait_for()
        page.goto(f"{van}/range")
        page.get_by_text("Refined by one drive.").wait_for()
        wait_ready(page)
        assert page.locator("#what-if-answer dd").all_inner_texts() == answered
        base = van.replace("/builds/", "/api/v1/builds/")
        found = ask(f"{base}/range")[1]
        assert float(page.locator("#pack").input_value()) == pytest.approx(found["usable_energy_wh"] / 1000.0, rel=1e-9)
        assert float(page.locator("#ambient").input_value()) == found["start"]["ambient_temperature_degc"]
        page.get_by_role("button", name="What would have to be true?").click()
        rows = page.locator("#levers tbody tr")
        rows.first.wait_for()
        assert [row.split("\t")[0] for row in rows.all_inner_texts()] == ["usable pack", "CdA", "speed", "test weight"]
        needed = re.search(r"([\d.]+) kWh$", rows.first.inner_text().strip())
        question = {**found["start"], "usable_energy_wh": float(needed[1]) * 1000.0}
        chance = ask(f"{base}/what-if", "POST", question)[1]["answer"]["probability_of_target"]
        assert chance == pytest.approx(found["confidence_ratio"], abs=0.03)


def test_a_span_is_trimmed_masked_corrected_and_noted_on_one_channel_or_all(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        for what, to, by, said in (
            ("leave it out", "motor temperature", "", "Masked: motor temperature, "),
            ("add to it", "pack current", "-0.5", "Corrected: pack current, "),
            ("keep only this of the drive", "", "", "Masked: all channels, the start to "),
        ):
            mark_a_span(page)
            form = page.locator("#span form")
            form.locator("[name=action]").select_option(label=what)
            if to:
                form.locator("[name=channel]").select_option(label=to)
            if by:
                form.get_by_label("By how much").fill(by)
            form.get_by_label("because").fill("loose plug")
            form.get_by_role("button", name="Do it").click()
            page.locator("#masks").get_by_text(said).first.wait_for()
            page.locator("#span").get_by_role("button", name="Close").click()
        page.get_by_role("button", name="Take all back").click()
        page.get_by_text("All are taken back.").wait_for()
        page.locator("#masks li").first.wait_for(state="detached")


def test_a_span_is_noted_and_the_note_stands_on_its_drive(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        wait_ready(page)
        noted = page.locator("#note")
        before = noted.input_value()
        for words in ("gravel", "rain <b>began</b>"):
            mark_a_span(page, steps=3)
            form = page.locator("#span form")
            form.locator("[name=action]").select_option(label="note something about it")
            expect(form.locator("[name=channel]")).to_be_hidden()  # a note is on all of it
            expect(form.get_by_label("By how much")).to_be_hidden()
            form.get_by_label("because").fill(words)
            form.get_by_role("button", name="Do it").click()
            page.get_by_text("Noted.", exact=True).first.wait_for()
            page.wait_for_function("words => document.querySelector('#note').value.endsWith(words)", arg=words)
            page.locator("#span").get_by_role("button", name="Close").click()
        lines = noted.input_value().removeprefix(before).strip().split("\n")
        assert [re.sub(r"^\d+:\d\d to \d+:\d\d: ", "", line) for line in lines] == ["gravel", "rain <b>began</b>"]
        page.reload()
        wait_ready(page)
        assert noted.input_value().endswith("\n".join(lines))
        page.goto(f"{van}/drives")
        page.get_by_label("Find").fill("gravel")
        page.get_by_role("link", name="drive 1", exact=True).last.wait_for()


def test_two_tabs_on_rows_lose_nothing_and_see_both_texts_of_one_row(browser, van):
    def rows_of(page, name="Scenarios"):
        page.goto(f"{van}/settings")
        part = page.locator("#rows details").filter(has=page.locator(f"summary:text-is('{name}')"))
        part.locator("summary").click()
        part.locator("tbody tr").first.wait_for()
        return part, lambda row, label: part.locator("tbody tr").nth(row).get_by_label(label, exact=True)

    def saved():
        found = ask(f"{van.replace('/builds/', '/api/v1/builds/')}/rows/scenario")[1]["rows"]
        return [(row["name"], row.get("speed")) for row in found]

    with opened(browser, refusals=(409,)) as (mine, _), opened(browser) as (theirs, _):
        part, cell = rows_of(mine)
        other_part, other_cell = rows_of(theirs)
        first = saved()
        cell(0, "speed").fill("66 mph")
        part.get_by_role("button", name="Save scenarios").click()
        mine.get_by_text("Saved.", exact=True).wait_for()
        other_cell(1, "speed").fill("47 mph")  # read before the other was saved: another row
        other_part.get_by_role("button", name="Add a row").click()
        other_cell(len(first), "name").fill("new")
        other_cell(len(first), "speed").fill("40 mph")
        other_part.get_by_role("button", name="Save scenarios").click()
        theirs.get_by_text("Saved.", exact=True).wait_for()
        now = [(first[0][0], "66 mph"), (first[1][0], "47 mph"), *first[2:], ("new", "40 mph")]
        assert saved() == now
        cell(0, "speed").fill("67 mph")
        cell(1, "speed").fill("48 mph")  # the row that was changed there
        part.get_by_role("button", name="Save scenarios").click()
        both = mine.locator("dialog")
        both.get_by_text("speed: 48 mph").wait_for()
        both.get_by_text("speed: 47 mph").wait_for()
        both.get_by_role("button", name="Take what was saved").click()
        mine.get_by_text("Saved.", exact=True).last.wait_for()
        mine.wait_for_function("() => document.querySelectorAll('#rows tbody [name=speed]')[1].value === '47 mph'")
        assert saved() == [(first[0][0], "67 mph"), *now[1:]]  # what nobody else touched is kept


def test_two_quick_changes_of_one_tab_go_one_after_another_and_what_is_typed_meanwhile_stays(browser, served, tmp_path):
    from playwright.sync_api import expect

    address, _ = served
    _, traction, body, _ = write_strange(tmp_path)
    build = ask(f"{address}/api/v1/builds", "POST", {"name": "quick", "units": "us"})[1]["build"]
    with opened(browser) as (page, _):
        page.goto(f"{address}/builds/{build}/logs")
        drop(page, [traction, body])
        bus = {name: page.get_by_label(f"Bus of dbc_user/{name}.dbc") for name in ("traction", "body")}
        bus["body"].wait_for()
        held = []

        def is_first_save(route):
            return route.request.method == "PUT" and not held

        page.route("**/dbcs", lambda route: held.append(route) if is_first_save(route) else route.continue_())
        bus["traction"].fill("1")
        with page.expect_request(lambda request: request.method == "PUT"):
            page.keyboard.press("Tab")
        bus["body"].fill("2")
        bus["body"].press("Tab")  # saved too, while the first is under way
        bus["traction"].press_sequentially("1")  # and this is still being typed
        with page.expect_response(
            lambda response: response.request.method == "PUT" and "body" in response.request.post_data
        ):
            held[0].continue_()
        expect(bus["traction"]).to_be_focused()
        expect(bus["traction"]).to_have_value("11")
        with page.expect_response(lambda response: response.request.method == "PUT"):
            bus["traction"].press("Tab")
        named = ask(f"{address}/api/v1/builds/{build}/dbcs")[1]["dbcs"]
        assert {dbc["file"]: dbc["bus"] for dbc in named} == {"dbc_user/traction.dbc": "11", "dbc_user/body.dbc": "2"}
