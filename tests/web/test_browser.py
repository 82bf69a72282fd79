"""A real browser goes the whole path: open, demo, upload, map, import, fit, slider, report, print."""

import re
import shutil
from pathlib import Path

import pytest

from tests.web.conftest import write_small_log
from tests.web.serving import drop, faults_of, mark_a_span, opened, wait_ready

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize("width", [1280, 390])
def test_the_whole_job_from_an_empty_folder_by_clicks_drops_and_keys(browser, served, demo, tmp_path, width):

    address, _ = served
    with opened(browser, viewport={"width": width, "height": 900}) as (page, _):
        page.goto(address)
        wait_ready(page)
        page.get_by_label("Name of the conversion").fill(f"mine {width}")
        page.keyboard.press("Enter")
        page.wait_for_url("**/settings")
        page.goto(f"{address}/builds/mine {width}")
        page.get_by_text("nothing is judged by them").wait_for()
        page.locator('[name="vehicle.mass"]').fill("1700 kg")
        page.get_by_role("button", name="These are mine").click()
        page.locator(".verdict").wait_for()  # by now of this vehicle
        log = write_small_log(tmp_path / "my drive.log")
        drop(page, [log, demo / "dbc_user" / "demo.dbc", Path(__file__)])
        page.get_by_text("this is no log that is known here").wait_for()
        page.wait_for_url("**/logs")
        page.locator("#dbcs").get_by_text("dbc_user/demo.dbc").wait_for()
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.get_by_role("button", name="Use these and import").wait_for()
        assert page.locator(".spark path").count() >= 10
        line = page.locator("tbody:has(th:text-is('pack current')) tr").first
        assert "can0/PackElectrical.PackAmps" in line.inner_text()
        page.get_by_role("button", name="Use these and import").click()
        page.locator("#jobs").get_by_text("Import my drive.log: done.").wait_for()
        page.locator("#imported").get_by_role("link", name="Drive 1").click()
        page.locator(".lane .value").first.wait_for()
        page.goto(f"{address}/builds/mine {width}/range")
        page.get_by_text("Refined by one drive.").wait_for()  # the drives are worked in without being asked
        wait_ready(page)
        first = page.locator("#what-if-answer dd").first
        before = first.inner_text()
        page.locator("#speed").fill("80")
        changed = "before => document.querySelector('#what-if-answer dd').innerText !== before"
        page.wait_for_function(changed, arg=before)
        range_of = lambda words: int(re.match(r"[\d,]+", words)[0].replace(",", ""))  # noqa: E731
        assert range_of(first.inner_text()) < range_of(before)
        page.get_by_role("button", name="Show the climb").click()
        page.locator("#pass-answer figure").get_by_text("limit").first.wait_for()
        page.locator("#pass-answer").get_by_text("Speed that holds").wait_for()
        page.goto(f"{address}/builds/mine {width}/report")
        page.get_by_role("button", name="Write the customer's certificate").click()
        page.locator("#reports").get_by_role("link", name="Open certificate.html").wait_for()
        page.reload()
        page.locator("#jobs").get_by_text("It is written.").first.wait_for()
        if width == 390:
            page.get_by_role("button", name="Work:").click()  # one line there, until it is opened
        ended = page.locator("#jobs .job").get_by_role("button", name="Close")
        while ended.count():  # another may come meanwhile
            box = ended.first.element_handle()
            ended.first.click()
            page.wait_for_function("box => !box.isConnected", arg=box)


def test_a_timeline_is_soon_there_and_obeys_hands_and_keys(page, served, demo):
    address, _ = served
    page.request.get(f"{address}/api/v1/builds/demo/drives/2/workbench")  # analysed, as it is after an import
    page.goto(f"{address}/builds/demo/drives/2", wait_until="commit")
    page.locator(".lane .value").first.wait_for()
    took_s = page.evaluate("performance.now()") / 1000.0
    print(f"timeline of an hour: there after {took_s:.2f} s")  # a benchmark says how long it may take
    page.locator("#timeline").focus()
    page.keyboard.press("ArrowRight")
    page.get_by_text("At 31:").wait_for()
    page.wait_for_function("() => / mph$/.test(document.querySelector('.lane .value').textContent)")
    page.get_by_role("button", name="Mark a span").click()
    box = page.locator("#timeline").bounding_box()
    page.mouse.move(box["x"] + 200, box["y"] + 100)
    page.mouse.down()
    page.mouse.move(box["x"] + 400, box["y"] + 100, steps=5)
    page.mouse.up()
    page.get_by_text("Channels within it").wait_for()
    assert "Wh/mi" in page.locator("#span dd").first.inner_text()
    page.get_by_label("Lay over").select_option("3")
    page.get_by_role("button", name="By distance").click()
    page.wait_for_function("() => document.querySelector('.lane .value').textContent.includes(' / ')")
    page.locator("#road svg").click()
    page.locator("#span").get_by_role("button", name="Close").click()


def sheets(page, path, paper):
    """Pages of a print in one paper size, and the words on them."""
    page.pdf(path=str(path), format=paper)
    content = path.read_bytes()
    return content.count(b"/Type /Page\n") + content.count(b"/Type /Page ")


def test_the_report_opens_offline_and_prints_in_three_lengths(browser, demo, tmp_path):
    report = demo / "reports" / "report.html"
    assert report.stat().st_size < 2_500_000
    with opened(browser, offline=True) as (page, requests):
        page.goto(report.as_uri())
        took_s = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd") / 1000.0
        print(f"report: {report.stat().st_size / 1e6:.2f} MB, loaded after {took_s:.2f} s")
        assert [url for url in requests if not url.startswith(("file:", "data:", "blob:"))] == []
        count = {}
        for length, name in (("1", "one page"), ("2", "the report"), ("3", "the report with all tables")):
            page.get_by_label(name, exact=True).check()
            assert faults_of(page, of_any_weight=True) == []
            count[length] = [sheets(page, tmp_path / f"{length}.pdf", paper) for paper in ("Letter", "A4")]
        print("pages:", count)
        assert count["1"] == [1, 1]
        assert max(count["2"]) <= 8
        assert min(count["3"]) > max(count["2"])
        # What cannot be broken leaves a hole of its own height at worst: no sheet but the last is half empty.
        page.get_by_label("the report", exact=True).check()
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 725, "height": 958})  # a letter within its margins
        heights = page.evaluate(
            "() => [...document.querySelectorAll('.length-2 :is(figure, svg.wide, .words, tr)')].filter((one) =>"
            " getComputedStyle(one).breakInside === 'avoid' || one.tagName === 'svg')"
            ".map((one) => one.getBoundingClientRect().height)"
        )
        assert len(heights) > 20
        assert max(heights) < 0.45 * 958


def test_a_figure_is_read_by_pointer_by_keys_and_on_a_phone(browser, demo):
    from playwright.sync_api import expect

    with opened(browser) as (page, _):
        page.goto((demo / "reports" / "report.html").as_uri())
        line = page.locator("figure:has([data-title^='speed']) .drawing").first
        line.scroll_into_view_if_needed()
        box = line.bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        reading = line.locator("xpath=following-sibling::output[1]")
        expect(reading).to_have_text(re.compile(r"time [\d.]+ min · speed [\d.]+ mph"))
        before = reading.inner_text()
        line.focus()
        page.keyboard.press("PageDown")
        expect(reading).not_to_have_text(before)
        page.set_viewport_size({"width": 390, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        shown = page.locator(".drawing svg.narrow").first
        size = shown.evaluate("svg => 13 * svg.clientWidth / svg.viewBox.baseVal.width")
        assert size >= 11.5, f"words of a figure are {size:.1f} px on a phone"
        assert shown.evaluate("svg => getComputedStyle(svg).touchAction") == "pan-y"  # a finger scrolls past


def test_the_certificate_is_two_sheets(browser, demo, tmp_path):
    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.reporting import write_build_report

    path = write_build_report(BuildFolder(demo), tmp_path / "certificate.html", kind="certificate")
    with opened(browser) as (page, _):
        page.goto(path.as_uri())
        assert faults_of(page, of_any_weight=True) == []
        assert [sheets(page, tmp_path / "c.pdf", paper) for paper in ("Letter", "A4")] == [2, 2]


def test_the_report_reads_without_javascript(browser, demo):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((demo / "reports" / "report.html").as_uri())
    assert page.get_by_role("heading", name="Does it make the target?").is_visible()
    assert page.locator("table").count() >= 6
    figures = page.locator("section:not(.length-3) figure .drawing svg.wide")
    assert figures.count() >= 10
    assert all(figures.nth(index).is_visible() for index in range(figures.count()))
    context.close()


def test_a_served_report_is_alive_and_walled_off(page, served, demo):
    address, _ = served
    answer = page.goto(f"{address}/api/v1/builds/demo/reports/report.html")
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy
    assert "unsafe-inline" not in policy.split("script-src")[1]
    line = page.locator("figure:has([data-title^='speed']) .drawing").first
    line.scroll_into_view_if_needed()
    line.hover()
    line.locator("xpath=following-sibling::output[1]").get_by_text("time").wait_for()


def serious_faults(page, name):
    """Faults of a page in both widths and schemes, each with what it was seen in; none may be wider than its screen."""
    found = {}
    for width in (1280, 390):
        for scheme in ("light", "dark"):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)
            if faults := faults_of(page):
                found[name, width, scheme] = faults
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 1, (name, width, wide)
    return found


def test_no_serious_fault_for_keyboard_and_screen_reader(browser, served, demo, tmp_path, small_log):
    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.reporting import write_build_report

    address, _ = served
    places = ("", "/interface", "/explain", "/builds/demo", "/builds/demo/settings", "/builds/demo/drives",
              "/builds/demo/drives/4", "/builds/demo/limits", "/builds/demo/tools?number=4#drive",
              "/builds/demo/range", "/builds/demo/report", "/builds/demo/logs")  # fmt: skip
    found = {}
    with opened(browser, refusals=None) as (page, _):
        for place in places:
            page.goto(address + place)
            wait_ready(page)
            page.locator(".loading").first.wait_for(state="detached")
            if place.endswith("settings"):
                page.locator("#rows summary").first.click()
                page.locator("#rows tbody tr").first.wait_for()
            if "tools" in place:
                page.locator("#command-answer table").first.wait_for()
            found |= serious_faults(page, place)
        drop(page, [small_log])  # what an import shows on its way
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.get_by_role("button", name="Save the map").wait_for()
        page.locator("#waiting").get_by_role("button", name="Look").click()
        page.locator("#look table").first.wait_for()
        found |= serious_faults(page, "channels")
        page.get_by_role("button", name="Forget drive.log").click()
        page.get_by_text("No log is waiting.").wait_for()
        for kind, number in (("build", None), ("certificate", None), ("drive", "4")):
            report = write_build_report(BuildFolder(demo), tmp_path / f"{kind}.html", kind=kind, drive=number)
            page.goto(report.as_uri())
            found |= serious_faults(page, kind)
    assert found == {}


def test_drives_are_tagged_found_by_their_tag_compared_and_masked(page, served, demo):
    from playwright.sync_api import expect

    address, _ = served
    for number in (3, 6):
        page.goto(f"{address}/builds/demo/drives/{number}")
        page.wait_for_selector(".lane .value")
        page.get_by_label("Tags, separated by commas").fill("long, <b>motorway</b>")
        page.get_by_role("button", name="Save").click()
        page.get_by_text("Saved.").wait_for()
    page.goto(f"{address}/builds/demo/drives")
    page.get_by_label("Find").fill("<b>motorway</b>")
    shown = page.locator("#drives tbody th")
    expect(shown).to_have_text(["drive 3", "drive 6"])
    page.locator("#drives thead button").first.click()  # sorted by it already: the other way round
    expect(shown).to_have_text(["drive 6", "drive 3"])
    page.get_by_label("Choose drive 3").check()
    page.get_by_label("Choose drive 6").check()
    page.get_by_label("Tag to add").fill("pair")
    page.get_by_role("button", name="Add the tag").click()
    page.get_by_text("Tagged: 2 drives.").wait_for()
    page.get_by_role("link", name="Compare the two").click()
    page.locator("#command-answer").get_by_role("row", name=re.compile("weather")).first.wait_for()
    page.goto(f"{address}/builds/demo/drives")
    page.get_by_label("Choose drive 5").check()
    page.get_by_role("button", name="Delete").click()
    page.get_by_role("button", name="Bring back drive 5").click()
    page.get_by_role("link", name="drive 5", exact=True).first.wait_for()

    page.goto(f"{address}/builds/demo/drives/3")
    page.wait_for_selector(".lane .value")
    mark_a_span(page, steps=4)
    page.get_by_label("because", exact=True).fill("loose plug")
    page.get_by_role("button", name="Do it").click()
    page.get_by_text(re.compile("Masked: all channels, .* loose plug")).wait_for()
    page.get_by_role("button", name="Take back").click()
    page.get_by_text("Taken back.", exact=True).wait_for()
    expect(page.locator("#masks li")).to_have_count(0)


def test_figures_of_earlier_settings_are_marked_until_they_are_worked_out_again(page, served, demo):
    from playwright.sync_api import expect

    address, _ = served
    settings = demo / "build.toml"
    before = settings.read_text(encoding="utf-8")
    hotter = re.sub("(?m)^design_ambient = .*", 'design_ambient = "41 degC"', before)
    assert hotter != before
    settings.write_text(hotter, encoding="utf-8")
    page.goto(f"{address}/builds/demo/drives")
    page.get_by_text("figures of earlier settings, being worked out again").wait_for()
    page.get_by_text("figures of earlier settings, being worked out again").wait_for(state="detached")
    expect(page.locator("#drives tbody tr")).to_have_count(6)
    settings.write_text(before, encoding="utf-8")


def test_settings_show_problems_at_their_field_and_both_texts_of_a_conflict(browser, served, demo):
    address, _ = served
    before = (demo / "build.toml").read_bytes()
    with opened(browser, refusals=(400, 400, 409)) as (page, _):
        settings_in_conflict(page, address, demo)
    (demo / "build.toml").write_bytes(before)


def settings_in_conflict(page, address, demo):
    page.goto(f"{address}/builds/demo/settings")
    page.get_by_label("reductions *").fill("9.1")
    page.get_by_label("motor temperature, red").fill("20 A")
    page.get_by_role("button", name="Save", exact=True).click()
    page.locator("[id='field-gearing.reductions-problem']").get_by_text("expected such as").wait_for()
    page.get_by_label("reductions *").fill("drive unit = 8.2")
    page.get_by_role("button", name="Save", exact=True).click()
    page.locator("[id='field-limits.motor_temperature.red-problem']").get_by_text("20 A").wait_for()
    assert page.get_by_label("motor temperature, red").get_attribute("aria-invalid") == "true"
    page.get_by_label("motor temperature, red").fill("160 degC")
    page.request.put(
        f"{address}/api/v1/builds/demo/settings",
        headers={"X-Logan": "1"},
        data={"fields": {"gearing.reductions": "drive unit = 7.7", "vehicle.wheel_inertia": "5 kg m2"}},
    )
    page.get_by_role("button", name="Save", exact=True).click()
    conflict = page.locator("dialog")
    conflict.get_by_text("drive unit = 7.7").wait_for()
    conflict.get_by_text("drive unit = 8.2").wait_for()
    conflict.get_by_role("button", name="Save mine").click()
    page.get_by_text("Saved.", exact=True).wait_for()
    text = (demo / "build.toml").read_text(encoding="utf-8")
    assert '"drive unit" = 8.2' in text
    assert '"5 kg m2"' in text


def test_a_form_sent_before_its_script_is_there_keeps_what_was_typed(page, served):
    from playwright.sync_api import expect

    address, _ = served
    held = []
    page.route("**/home.js*", lambda route: held.append(route))
    page.goto(address, wait_until="commit")
    page.get_by_label("Name of the conversion").fill("soon")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Make it")).to_be_disabled()
    while not held:
        page.evaluate("0")
    for route in held:
        route.continue_()
    page.unroute("**/home.js*")
    wait_ready(page)
    assert page.url.rstrip("/") == address
    expect(page.get_by_label("Name of the conversion")).to_have_value("soon")
    expect(page.get_by_role("button", name="Make it")).to_be_enabled()


def test_a_folder_to_watch_is_picked_by_looking(page, served, demo, tmp_path):
    address, _ = served
    (tmp_path / "logger" / "card").mkdir(parents=True)
    held = []
    page.route("**/watch.js*", lambda route: held.append(route))
    page.goto(f"{address}/builds/demo/logs", wait_until="commit")
    page.get_by_text("Watch a folder on this machine").click()  # before its script is there
    page.locator("#watch[open]").wait_for()
    while not held:
        page.evaluate("0")
    for route in held:
        route.continue_()
    page.unroute("**/watch.js*")
    page.get_by_text("files lie in it").wait_for()
    page.get_by_label("Folder", exact=True).fill(str(tmp_path / "logger"))
    page.get_by_role("button", name="Look into it").click()
    page.get_by_role("button", name="card/").click()
    page.wait_for_function("() => document.querySelector('#watch-folder').value.endsWith('card')")
    page.get_by_role("button", name="Watch this one").click()
    page.get_by_text(f"Watching {tmp_path / 'logger' / 'card'}").wait_for()
    page.get_by_role("button", name="Stop watching").click()
    page.get_by_text("No folder is watched.").wait_for()


HOSTILE = "<script>document.title=1</script>"
HOSTILE_FILE = "<img src=x onerror=document.title=1>.csv"


def test_names_from_a_strangers_log_are_shown_as_text(page, served, demo, tmp_path):
    address, workspace = served
    build = workspace / "hostile"
    (build / "dbc_user").mkdir(parents=True)
    for name in ("build.toml", "channels.toml"):
        shutil.copy(demo / name, build / name)
    dbc = (demo / "dbc_user" / "demo.dbc").read_text(encoding="utf-8")
    comment = f'CM_ BO_ 288 "{HOSTILE} message";\nCM_ SG_ 288 PackVolts "{HOSTILE} signal";\n'
    assert "BO_ 288 PackElectrical" in dbc
    (build / "dbc_user" / "demo.dbc").write_text(dbc.replace("CM_ ", comment + "CM_ ", 1), encoding="utf-8")
    rows = "\n".join(f"{k / 10:.1f},{20 + k % 7},{360 - k % 5},{30 + k % 11}" for k in range(600))
    table = f"Time [s],{HOSTILE} [km/h],Battery Voltage [V],Battery Current [A]\n{rows}\n".encode()
    page.goto(f"{address}/builds/hostile/logs")
    frames = write_small_log(tmp_path / "frames.log", duration_s=130.0).read_bytes()
    for name, content in ((HOSTILE_FILE, table), (f"{HOSTILE}.log", frames)):
        sent = {"name": name, "mimeType": "text/plain", "buffer": content}
        page.locator("#pick").set_input_files(files=[sent])
        row = page.locator("#waiting li").filter(has_text=name)
        row.get_by_role("button", name="Look").click()
        page.locator("#look").get_by_text(HOSTILE).first.wait_for()
        page.get_by_role("button", name="Which signal is which channel?").click()
        page.locator("#channel-form .name").filter(has_text=HOSTILE).first.wait_for(state="attached")
    page.locator("#look").get_by_text(f"{HOSTILE} message").wait_for()
    assert page.title() != "1"
    assert page.evaluate("document.querySelectorAll('main script, main img').length") == 0
