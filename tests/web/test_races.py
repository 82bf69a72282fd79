"""What a fast user or a slow machine meets: typing while an answer comes, second clicks, buttons before their script.

Requests and scripts are held back by the browser, and let go once the user has done what only a fast one does.
"""

import re

import pytest

from tests.web.conftest import write_small_log
from tests.web.serving import answered, drop, mark_a_span, opened, wait_ready
from tests.web.test_many_clients import ask

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def api(van):
    return van.replace("/builds/", "/api/v1/builds/")


class Held:
    """The first request of a kind, held back by the browser until it is let go; its answer, where that is said."""

    def __init__(self, page, part, method="GET", *, is_answered=False):
        self.page, self.part, self.method, self.is_answered = page, part, method, is_answered
        self.route = self.answer = None
        page.route(lambda url: part in url, self._take)

    def _take(self, route):
        if route.request.method != self.method or self.route:
            route.continue_()
            return
        self.answer = route.fetch() if self.is_answered else None
        self.route = route

    def caught(self):
        """Around what sends the request."""
        return self.page.expect_request(lambda request: request.method == self.method and self.part in request.url)

    def let_go(self):
        while self.route is None:
            self.page.evaluate("0")  # it is on its way to `_take`
        if self.is_answered:
            self.route.fulfill(response=self.answer)
        else:
            self.route.continue_()


SAVED = "([name, text]) => document.querySelector(`[name='${name}']`).dataset.before === text"
"""What a field of the settings was drawn with: what is saved."""


def corrections(van):
    return [one["why"] for one in ask(f"{api(van)}/drives/1")[1]["record"]["conditions"]["corrections"]]


def mask(van, why, span):
    status, _ = ask(f"{api(van)}/drives/1", "PATCH", {"mask": {"span": span, "why": why}})
    assert status == 200


def test_notes_typed_while_others_are_saved_stay_and_are_saved_next(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        tags, note, save = page.locator("#tags"), page.locator("#note"), page.locator("#notes-form button")
        tags.fill("wet")
        page.locator("#passengers").fill("2")
        held = Held(page, "/drives/1", "PATCH")
        with held.caught():
            save.click()
        note.fill("rain")
        tags.fill("wet, cold")
        save.click()
        note.press("End")
        with answered(page, "PATCH", "/drives/1"):
            held.let_go()
        page.wait_for_function("() => document.querySelector('#note').defaultValue === 'rain'")  # it is saved
        expect(note).to_have_value("rain")
        expect(tags).to_have_value("wet, cold")
        expect(note).to_be_focused()
        expect(page.locator("#passengers")).to_have_value("")
        expect(page.locator("#payload")).to_have_value("300 lb")  # counted once
    noted = ask(f"{api(van)}/drives/1")[1]["record"]["conditions"]
    assert (noted["tags"], noted["note"], noted["said"]["payload"]) == (["wet", "cold"], "rain", "300 lb")


def test_a_note_that_is_not_saved_yet_stays_when_a_span_is_masked(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator("#note").fill("half a senten")
        mark_a_span(page)
        page.locator("#span form").get_by_label("because").fill("loose plug")
        page.get_by_role("button", name="Do it").dblclick()  # once is enough
        page.get_by_text("Left out; it can be taken back.").wait_for()
        page.locator("#masks li").first.wait_for()
        page.locator("#span").get_by_text("Nothing of it is left").wait_for()
        expect(page.locator("#note")).to_have_value("half a senten")
        expect(page.locator("#span form").get_by_label("because")).to_have_value("")
    assert corrections(van) == ["loose plug"]


def test_a_reason_that_is_being_typed_stays_when_the_span_is_moved(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        mark_a_span(page)
        page.locator("#span form").get_by_label("because").fill("loose plug")
        page.locator("#span form").get_by_label("Do").select_option(label="keep only this of the drive")
        before = page.locator("#span h3").inner_text()
        mark_a_span(page, steps=1)
        expect(page.locator("#span h3")).not_to_have_text(before)
        expect(page.locator("#span form").get_by_label("because")).to_have_value("loose plug")
        expect(page.locator("#span form").get_by_label("Do")).to_have_value("keep")
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("Escape")  # before the span was asked about
        expect(page.locator("#span form")).to_have_count(0)


def test_an_older_spans_answer_never_stands_below_a_newer_one(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        held = Held(page, "/span?")
        page.locator("#timeline").focus()
        with held.caught():
            page.keyboard.press("Shift+ArrowRight")
        mark_a_span(page, steps=9)
        page.locator("#span h3").wait_for()
        newest = page.locator("#span h3").inner_text()
        with answered(page, "GET", "/span?"):
            held.let_go()
        mark = "() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))"
        page.evaluate(mark)
        expect(page.locator("#span h3")).to_have_text(newest)


def test_a_second_click_takes_back_no_other_correction(browser, van):
    for why, span in (("first", "20s..30s"), ("second", "60s..70s"), ("third", "100s..110s")):
        mask(van, why, span)
    with opened(browser, refusals=(409,)) as (page, _):
        page.goto(f"{van}/drives/1")
        row = page.locator("#masks li")
        held = Held(page, "/drives/1", "PATCH")
        with held.caught():
            row.filter(has_text="first").get_by_role("button").click()
        row.filter(has_text="first").get_by_role("button").click()  # again, while it is under way
        held.let_go()
        row.filter(has_text="first").wait_for(state="detached")
        assert corrections(van) == ["second", "third"]
        # Elsewhere one is taken back and another made: the numbers move, and the one that is meant is taken back.
        assert ask(f"{api(van)}/drives/1", "PATCH", {"take_back": 1})[0] == 200
        mask(van, "fourth", "150s..160s")
        row.filter(has_text="third").get_by_role("button").click()
        row.filter(has_text="third").wait_for(state="detached")
    assert corrections(van) == ["fourth"]


def test_a_correction_is_seen_on_the_timeline_at_once(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/drives/1")
        page.locator(".lane .value").first.wait_for()
        value = page.locator(".lane").filter(has_text="motor temperature").locator(".value")
        mark_a_span(page, steps=4)
        page.keyboard.press("ArrowLeft")  # within the span
        page.wait_for_function("value => /^[\\d.]+ °F/.test(value.textContent)", arg=value.element_handle())
        before = float(value.inner_text().split()[0])
        form = page.locator("#span form")
        form.get_by_label("Do").select_option(label="multiply it by")
        form.locator("[name=channel]").select_option(label="motor temperature")
        form.get_by_label("By how much").fill("3")
        form.get_by_label("because").fill("wrong scale")
        form.get_by_role("button", name="Do it").click()
        page.get_by_text("Corrected; it can be taken back.").wait_for()
        is_up = """([name, before]) => [...document.querySelectorAll(".lane")].some((lane) =>
            lane.textContent.includes(name) && parseFloat(lane.querySelector(".value").textContent) > 1.5 * before)"""
        page.wait_for_function(is_up, arg=["motor temperature", before])


def test_settings_typed_while_others_are_saved_stay_and_are_saved_next(browser, van, workspace):
    from playwright.sync_api import expect

    with opened(browser, refusals=(409,)) as (page, _):
        page.goto(f"{van}/settings")
        mass, inertia = page.locator('[name="vehicle.mass"]'), page.locator('[name="vehicle.wheel_inertia"]')
        page.get_by_text("The whole as text").click()
        text = page.locator("#settings-text")
        mass.fill("1610 kg")
        held = Held(page, "van/settings", "PUT")
        with held.caught():
            page.get_by_role("button", name="Save", exact=True).click()
        text.press("Control+Home")
        text.press_sequentially("# mine\n")
        inertia.fill("4.5 kg m2")
        held.let_go()
        page.get_by_text("Saved.", exact=True).wait_for()
        expect(inertia).to_have_value("4.5 kg m2")
        expect(inertia).to_be_focused()
        assert text.input_value().startswith("# mine\n")
        expect(mass).to_have_value("1610 kg")
        with page.expect_event("dialog") as asked:  # what is typed is not saved yet
            page.once("dialog", lambda dialog: dialog.dismiss())
            page.get_by_role("link", name="Logs", exact=True).click()
        assert asked.value.type == "beforeunload"
        assert page.url.endswith("/settings")
        page.get_by_role("button", name="Save", exact=True).click()
        page.wait_for_function(SAVED, arg=["vehicle.wheel_inertia", "4.5 kg m2"])
        assert text.input_value().startswith("# mine\n")
        page.get_by_role("button", name="Save the text").click()  # read before the form was saved: both are shown
        page.locator("dialog").get_by_text("4.5 kg m2").wait_for()
        page.get_by_role("button", name="Take what was saved").click()
        page.wait_for_function("() => document.querySelector('#settings-text').value.includes('4.5 kg m2')")
    written = (workspace / "van" / "build.toml").read_text(encoding="utf-8")
    assert '"1610 kg"' in written
    assert '"4.5 kg m2"' in written
    assert not written.startswith("# mine")  # the text has a button of its own


def test_rows_typed_while_others_are_saved_stay_and_the_form_knows_of_them(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/settings")
        part = page.locator("#rows details").filter(has=page.locator("summary:text-is('Scenarios')"))
        part.locator("summary").click()
        speed = part.locator("tbody [name=speed]")
        speed.nth(0).fill("61 mph")
        held = Held(page, "/rows/scenario", "PATCH")
        with held.caught():
            part.get_by_role("button", name="Save scenarios").click()
        speed.nth(1).fill("47 mph")
        speed.nth(0).fill("62 mph")
        held.let_go()
        page.get_by_text("Saved.", exact=True).wait_for()
        expect(speed.nth(0)).to_have_value("62 mph")
        expect(speed.nth(1)).to_have_value("47 mph")
        part.get_by_role("button", name="Save scenarios").click()
        page.wait_for_function("() => document.querySelectorAll('#rows [name=speed]')[1].defaultValue === '47 mph'")
        page.locator('[name="vehicle.mass"]').fill("1620 kg")  # the same file: no conflict with itself
        page.get_by_role("button", name="Save", exact=True).click()
        page.wait_for_function(SAVED, arg=["vehicle.mass", "1620 kg"])
    rows = ask(f"{api(van)}/rows/scenario")[1]["rows"]
    assert [row.get("speed") for row in rows[:2]] == ["62 mph", "47 mph"]
    assert ask(f"{api(van)}/settings")[1]["text"].count("1620 kg") == 1


def test_a_limit_that_is_being_typed_stays_when_another_is_saved(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/limits")
        line = {
            name: page.locator("#limits li").filter(has=page.locator(f"strong:text-is('{name}')"))
            for name in ("motor temperature", "coolant temperature")
        }
        for one in line.values():
            one.locator("summary").click()
        red = {name: one.get_by_label(f"{name}, red") for name, one in line.items()}
        red["motor temperature"].fill("311 °F")
        red["coolant temperature"].fill("171 °F")
        line["motor temperature"].get_by_role("button", name="Save").click()
        page.get_by_text("Saved.", exact=True).wait_for()
        line["motor temperature"].get_by_text("red 311 °F").wait_for()
        expect(red["coolant temperature"]).to_have_value("171 °F")
        line["coolant temperature"].get_by_role("button", name="Save").click()
        line["coolant temperature"].get_by_text("red 171.0 °F").wait_for()
        line["motor temperature"].get_by_text("red 311 °F").wait_for()


def test_a_tag_that_is_being_typed_stays_and_is_added_once(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, requests):
        page.goto(f"{van}/drives")
        box = page.get_by_label("Choose drive 1")
        box.check()
        tag = page.get_by_label("Tag to add")
        tag.fill("pair")
        box.uncheck()
        box.check()
        expect(tag).to_have_value("pair")
        held = Held(page, "/drives/1", "PATCH")
        with held.caught():
            page.get_by_role("button", name="Add the tag").click()
        page.get_by_role("button", name="Add the tag").click()
        tag.fill("next")
        held.let_go()
        page.get_by_text("Tagged: 1 drive.").wait_for()
        page.locator("#drives tbody").get_by_text("pair").wait_for()  # all is drawn anew by now
        expect(tag).to_have_value("next")
        expect(tag).to_be_focused()
        assert sum(url.endswith("/drives/1") for url in requests) == 1
        head = page.locator("#drives thead button").first
        head.focus()
        head.press("Enter")
        expect(head).to_be_focused()
    assert ask(f"{api(van)}/drive-list")[1]["rows"][0]["tags"] == ["pair"]


def test_drives_changed_elsewhere_since_they_were_listed_are_changed_in_their_newest_version(browser, van):
    with opened(browser, refusals=(409,)) as (page, _):
        page.goto(f"{van}/drives")
        page.get_by_label("Choose drive 1").check()
        assert ask(f"{api(van)}/drives/1", "PATCH", {"tags": ["theirs"]})[0] == 200
        page.get_by_label("Tag to add").fill("mine")
        page.get_by_role("button", name="Add the tag").click()
        page.get_by_text("Tagged: 1 drive.").wait_for()
    assert ask(f"{api(van)}/drive-list")[1]["rows"][0]["tags"] == ["theirs", "mine"]


def test_two_who_leave_a_drive_out_for_different_reasons_see_both(browser, van):
    with opened(browser, refusals=(409, 409)) as (page, _):
        page.goto(f"{van}/drives")
        page.get_by_label("Choose drive 1").check()
        assert ask(f"{api(van)}/drives/1", "PATCH", {"exclude_because": "towed"})[0] == 200
        page.get_by_label("Reason").fill("a flat tire")
        page.get_by_role("button", name="Leave out of the fit").click()
        page.locator("dialog").get_by_text("drive 1: towed").wait_for()
        page.locator("dialog").get_by_text("drive 1: a flat tire").wait_for()
        page.get_by_role("button", name="Take what was saved").click()
        page.locator("#drives tbody").get_by_text("left out by you: towed").wait_for()
        page.goto(f"{van}/drives/1")
        reason = page.locator("#exclude")
        page.locator(".lane .value").first.wait_for()
        assert ask(f"{api(van)}/drives/1", "PATCH", {"exclude_because": "towed twice"})[0] == 200
        reason.fill("a flat tire")
        page.locator("#notes-form button").click()
        page.locator("dialog").get_by_text("towed twice").wait_for()
        page.get_by_role("button", name="Save mine").click()
        page.get_by_text("The fit: left out by you: a flat tire").wait_for()


PRESSED = """() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))))"""
"""What came by now would have been drawn."""


def press(page, part, came, target, down):
    """Press on something, and let an answer come meanwhile that draws it anew."""
    held = Held(page, part)
    with held.caught():
        page.evaluate("kind => document.dispatchEvent(new CustomEvent('came', { detail: kind }))", came)
    target.scroll_into_view_if_needed()
    down(target)
    with answered(page, "GET", part):
        held.let_go()
    page.evaluate(PRESSED)


def test_an_answer_that_comes_between_press_and_release_swallows_no_click(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/drives")
        wait_ready(page)
        assert ask(f"{api(van)}/drives/1", "PATCH", {"tags": ["theirs"]})[0] == 200
        head, mouse = page.locator("#drives thead th"), page.mouse

        def down(target):
            box = target.bounding_box()
            mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
            mouse.down()

        press(page, "/drive-list", "import", head.nth(1).get_by_role("button"), down)
        expect(page.locator("#drives").get_by_text("theirs")).to_have_count(0)  # not drawn under the hand
        mouse.up()
        expect(head.nth(1)).to_have_attribute("aria-sort", "ascending")
        page.locator("#drives").get_by_text("theirs").wait_for()  # but right after it

        def keyed(target):
            target.focus()
            page.keyboard.down(" ")

        press(page, "/drive-list", "refresh", head.nth(1).get_by_role("button"), keyed)
        page.keyboard.up(" ")
        expect(head.nth(1)).to_have_attribute("aria-sort", "descending")
        expect(head.nth(1).get_by_role("button")).to_be_focused()
        press(page, "/drive-list", "import", page.get_by_label("Choose drive 1"), down)
        mouse.up()
        expect(page.get_by_label("Choose drive 1")).to_be_checked()
        page.goto(van)
        wait_ready(page)
        press(page, "/v1/builds/van/limits", "fit", page.get_by_role("link", name="All limits"), down)
        mouse.up()
        page.wait_for_url("**/limits")


def test_what_ends_while_a_page_is_being_opened_is_on_it(browser, van, tmp_path):
    log = write_small_log(tmp_path / "next.log", seed=9, duration_s=130.0, start_s=1_700_200_000.0)
    with opened(browser) as (page, _):
        page.goto(van.removesuffix("/builds/van") + "/explain")
        held = Held(page, "/api/v1/jobs")
        with held.caught():
            page.goto(f"{van}/drives", wait_until="commit")
        sent = ask(f"{api(van)}/logs?name=next.log", "POST", log.read_bytes())[1]["logs"][0]["id"]
        job = ask(f"{api(van)}/import", "POST", {"logs": [sent]})[1]["id"]
        while ask(f"{van.removesuffix('/builds/van')}/api/v1/jobs/{job}")[1]["state"] != "done":
            page.wait_for_timeout(50)
        held.let_go()
        page.get_by_role("link", name="drive 2", exact=True).last.wait_for()


def test_all_who_wait_for_one_piece_of_work_are_told(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/report")
        page.get_by_role("button", name="Write the report", exact=True).wait_for()
        job = ask(f"{api(van)}/fit", "POST", {})[1]
        both = """async (job) => {
            const app = document.querySelector("script[type=module]").src;
            const { ended } = await import(app.replace("app.js", "jobs.js"));
            return (await Promise.all([ended(job), ended(job)])).map((one) => one.state); }"""
        assert page.evaluate(both, job) == ["done", "done"]


def test_an_answer_stands_below_its_own_question_only(browser, van):
    with opened(browser) as (page, _):
        page.goto(f"{van}/tools#gearing")
        held = Held(page, "/commands/gearing", "POST")
        with held.caught():
            page.get_by_role("button", name="Show it").click()
        page.locator("#command").select_option("drives")
        page.get_by_role("button", name="Show it").click()
        page.locator("#command-answer").get_by_role("table").first.wait_for()
        before = page.locator("#command-answer").inner_text()
        with page.expect_response(lambda answer: "/commands/gearing" in answer.url) as begun:
            held.let_go()
        with page.expect_response(lambda answer: answer.url.endswith(begun.value.json()["id"])):
            pass
        with answered(page, "GET", "/api/v1/jobs"):  # it was told of by now
            page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        assert page.locator("#command-answer").inner_text() == before


def test_sliders_that_were_moved_stay_when_a_fit_elsewhere_is_over(browser, van):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/range")
        page.get_by_text("Refined by one drive.").wait_for()  # worked in by itself
        page.locator("#speed").fill("80")
        page.locator("#as-answered").wait_for()
        with answered(page, "GET", "/van/range"):
            ask(f"{api(van)}/fit", "POST", {})
        expect(page.locator("#speed")).to_have_value("80")
        with answered(page, "POST", "/what-if"):
            page.locator("#speed").fill("79")
        page.get_by_role("button", name="Back to the answer").click()
        start = ask(f"{api(van)}/range")[1]["start"]["speed_m_per_s"]
        assert float(page.locator("#speed").input_value()) == pytest.approx(start * 3600.0 / 1609.344)


def test_a_folder_that_is_being_typed_stays_and_a_stop_is_the_last_word(browser, van, tmp_path):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto(f"{van}/logs")
        page.get_by_text("Watch a folder on this machine").click()
        page.get_by_text("files lie in it").wait_for()
        folder = page.get_by_label("Folder", exact=True)
        held = Held(page, "/folders?")
        with held.caught():
            page.get_by_role("button", name="Look into it").click()
        folder.fill(str(tmp_path))
        with answered(page, "GET", "/folders?"):
            held.let_go()
        stale = Held(page, "/van/watch", is_answered=True)
        with stale.caught():
            page.get_by_role("button", name="Watch this one").click()  # watching from the typed folder on, it is asked
        expect(folder).to_have_value(str(tmp_path))
        page.get_by_role("button", name="Stop watching").click()
        page.get_by_text("No folder is watched.").wait_for()
        with answered(page, "GET", "/watch"):
            stale.let_go()
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")
        expect(page.locator("#watch-state")).to_have_text("No folder is watched.")


PAGES = (
    "",
    "/builds/van/settings",
    "/builds/van/logs",
    "/builds/van/drives/1",
    "/builds/van/range",
    "/builds/van/report",
)


@pytest.mark.parametrize("place", PAGES)
def test_no_button_can_be_pressed_in_vain_before_its_script_is_there(browser, van, place):
    from playwright.sync_api import expect

    script = {"": "home", "1": "drive"}.get(place.rpartition("/")[2], place.rpartition("/")[2])
    with opened(browser) as (page, _):
        page.goto(van.removesuffix("/builds/van") + "/explain")
        held = Held(page, f"/{script}.js")
        page.goto(van.removesuffix("/builds/van") + place, wait_until="commit")
        waiting = page.locator("[data-soon]")
        page.locator("footer").wait_for()
        assert waiting.count() >= 1
        usable = page.locator("main button:visible:enabled, main input[type=range]:visible:enabled")
        assert usable.all_inner_texts() == []
        held.let_go()
        expect(page.locator("[data-soon]:disabled, [data-soon][hidden]")).to_have_count(0)


def test_who_leaves_what_is_typed_is_asked_and_a_drop_does_not_take_it_away(browser, van, tmp_path):
    log = write_small_log(tmp_path / "next.log", seed=9, duration_s=130.0)
    with opened(browser) as (page, _):
        page.goto(f"{van}/settings")
        mass = page.locator('[name="vehicle.mass"]')
        mass.fill("1630 kg")
        drop(page, [log])
        page.get_by_text("The log waits on the Logs page.").wait_for()
        assert mass.input_value() == "1630 kg"
        page.get_by_role("button", name="Save", exact=True).click()
        page.get_by_text("Saved.", exact=True).wait_for()
        asked = []
        page.on("dialog", lambda dialog: (asked.append((dialog.type, page.url)), dialog.accept()))
        page.get_by_role("link", name="Logs", exact=True).click()  # all is saved
        page.locator("#waiting").get_by_text("next.log").wait_for()
        page.goto(f"{van}/drives/1")
        page.locator("#note").fill("not saved")
        page.get_by_role("link", name="Range", exact=True).click()
        page.wait_for_url(re.compile("/range$"))
        assert asked == [("beforeunload", f"{van}/drives/1")]


def test_a_row_taken_out_and_a_channel_chosen_are_not_left_without_a_word(browser, van, tmp_path):
    log = write_small_log(tmp_path / "next.log", seed=9, duration_s=130.0)
    with opened(browser) as (page, _):
        asked = []
        page.on("dialog", lambda dialog: (asked.append(page.url.rpartition("/")[2]), dialog.accept()))
        page.goto(f"{van}/settings")
        page.locator("#rows summary").first.click()
        page.locator("#rows tbody tr").first.get_by_role("button", name="Take out").click()
        page.get_by_role("link", name="Logs", exact=True).click()
        page.wait_for_url(re.compile("/logs$"))
        drop(page, [log])
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.get_by_label("Sign of pack current").select_option("-1")
        page.get_by_role("link", name="Range", exact=True).click()
        page.wait_for_url(re.compile("/range$"))
        assert asked == ["settings", "logs"]
        page.goto(f"{van}/logs")
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.get_by_label("Sign of pack current").select_option("-1")
        page.get_by_role("button", name="Save the map").click()
        page.get_by_text("Saved. Now import the log.").wait_for()
        page.evaluate("document.getElementById('messages').replaceChildren()")
        page.get_by_label("Sign of pack current").select_option("1")
        page.get_by_role("button", name="Save the map").click()  # once more: no conflict with itself
        page.get_by_text("Saved. Now import the log.").wait_for()  # the whole save: who leaves before it is asked
        page.get_by_role("link", name="Range", exact=True).click()
        page.wait_for_url(re.compile("/range$"))
    assert asked == ["settings", "logs"]
