"""A log and DBCs never seen, by clicks, drops and keys: from an empty folder to the certificate."""

import re

import pytest

from tests.web.serving import drop, fill_in, opened, wait_ready
from tests.web.strange_vehicle import write_strange

pytestmark = [pytest.mark.browser, pytest.mark.slow]

VEHICLE = {
    "vehicle.mass": "1900 kg ± 40 kg", "vehicle.body_class": "classic_sedan", "gearing.reductions": "axle = 8.0",
    "pack.cells_in_series": "96", "pack.cells_in_parallel": "2", "pack.cell_capacity": "80 Ah",
    "pack.cell_nominal_voltage": "3.65 V", "target.range": "120 mi",
}  # fmt: skip


@pytest.mark.parametrize("width", [1280, 390])
def test_a_log_and_dbcs_never_seen_come_to_a_certificate(browser, served, tmp_path, width):
    address, _ = served
    log, traction, body, true_wh_per_km = write_strange(tmp_path)
    build = f"{address}/builds/truck {width}"
    with opened(browser, viewport={"width": width, "height": 900}) as (page, _):
        page.goto(address)
        wait_ready(page)  # a form sent before its script is there only stays as it is
        page.get_by_label("Name of the conversion").fill(f"truck {width}")
        page.keyboard.press("Enter")
        page.wait_for_url("**/settings")
        page.goto(build)
        for key, text in VEHICLE.items():
            fill_in(page.locator(f'[name="{key}"]'), text)
        page.get_by_role("button", name="These are mine").click()
        page.locator(".verdict").wait_for()
        page.goto(f"{build}/logs")
        drop(page, [traction, body])
        page.locator("#dbcs").get_by_text("dbc_user/body.dbc").wait_for()
        page.locator("#dbcs").get_by_text("2A1").first.wait_for()  # both define it: which bus each is for must be said
        for name, bus in (("traction", "1"), ("body", "2")):
            page.get_by_label(f"Bus of dbc_user/{name}.dbc").fill(bus)
            page.get_by_label(f"Bus of dbc_user/{name}.dbc").press("Tab")
        page.locator("#dbcs").get_by_text("2A1").first.wait_for(state="detached")
        drop(page, [log])
        page.get_by_role("button", name="Use these and import").wait_for()
        asked = page.locator("#channel-form tbody").filter(has_text="You decide")
        assert asked.count() >= 2
        for row in asked.all():  # what is doubtful stands open, and is chosen by keys
            row.get_by_role("radio").first.focus()
            page.keyboard.press("Space")
        assert page.get_by_label("Sign of pack current").input_value() == "-1"  # positive while charging, on this bus
        page.get_by_label("Add", exact=True).select_option(label="cell temperature min")
        page.get_by_label("Another signal for cell temperature min").select_option("1/HVB_Thermal.HVB_ColdCell")
        page.get_by_role("button", name="Use these and import").click()
        page.locator("#jobs").get_by_text("Import truck 0417.asc: done.").wait_for()
        page.locator("#imported").get_by_role("link", name="Drive 1").click()
        page.locator(".lane .value").first.wait_for()
        shown = page.locator("#drive dd").first.inner_text()
        used = float(re.match(r"([\d.]+) ± [\d.]+ Wh/mi", shown)[1]) / 1.609344
        assert abs(used / true_wh_per_km - 1.0) < 0.03, (shown, true_wh_per_km)
        page.get_by_role("link", name="Overview").click()
        page.get_by_text("Judged from one drive and the plan.").wait_for()
        page.goto(f"{build}/report")
        page.get_by_role("button", name="Write the customer's certificate").click()
        with page.expect_popup() as opening:
            page.locator("#reports").get_by_role("link", name="Open certificate.html").click()
        opening.value.get_by_text("What was validated").first.wait_for()
