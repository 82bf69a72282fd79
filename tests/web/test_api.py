"""The interface: guarded, bounded, and able to do the whole job."""

import asyncio
import io
import json
import os
import re
import threading
import time
import zipfile

import pytest
from fastapi.testclient import TestClient
from markupsafe import escape

from logan.pipeline.method import chapters, glossary
from logan.web import work
from logan.web.app import create_app
from logan.web.pages import STATIC
from logan.web.security import own_names
from logan.web.state import WebSettings
from tests.web.conftest import PORT

ASKING = {"base_url": f"http://127.0.0.1:{PORT}", "headers": {"X-Logan": "1"}}


def wait_for(client, job, seconds=300.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        now = client.get(f"/api/v1/jobs/{job['id']}").json()
        if now["state"] in ("done", "failed", "stopped"):
            return now
        time.sleep(0.05)
    raise AssertionError(f"the job did not end: {now}")


def test_the_whole_path_from_a_sent_log_to_a_report(client, small_log, workspace):
    assert client.post("/api/v1/builds", json={"name": "mine"}).status_code == 201
    text = (workspace / "van" / "build.toml").read_text(encoding="utf-8").replace("dbc_user/", "../van/dbc_user/")
    assert client.put("/api/v1/builds/mine/settings", json={"text": text}).status_code == 200
    sent = client.post("/api/v1/builds/mine/logs?name=first.log", content=small_log.read_bytes()).json()["logs"][0]
    asked = {"options": {"logs": [sent["id"]]}, "as_json": True}
    looked = wait_for(client, client.post("/api/v1/builds/mine/commands/look", json=asked).json())
    assert looked["state"] == "done", looked
    assert any(signal["signal"].endswith("PackAmps") for signal in looked["result"]["blocks"][0]["content"]["signals"])
    suggested = wait_for(client, client.post(f"/api/v1/builds/mine/logs/{sent['id']}/suggest", json={}).json())
    assert suggested["state"] == "done", suggested
    proposal = suggested["result"]
    best = {item["channel"]: item["candidates"][0] for item in proposal["suggestions"]}
    assert best["pack_current"]["signal"].endswith("PackAmps")
    assert best["speed"]["signal"].endswith(("RoadSpeed.Speed", "SatelliteSpeed.GroundSpeed"))
    sketch = next(signal for signal in proposal["signals"] if signal["signal"].endswith("PackVolts"))
    assert 20 < len(sketch["points"]) <= 120
    channels = [
        {"channel": name, "signal": candidate["signal"], "unit": candidate["unit"], "sign": candidate["sign"]}
        for name, candidate in best.items()
        if candidate["unit"]
    ]
    assert client.put("/api/v1/builds/mine/channels", json={"channels": channels}).status_code == 200
    imported = wait_for(client, client.post("/api/v1/builds/mine/import", json={"logs": [sent["id"]]}).json())
    assert imported["state"] == "done", imported
    assert imported["result"][0]["number"] == 1
    fitted = wait_for(client, client.post("/api/v1/builds/mine/fit", json={}).json())
    assert fitted["state"] == "done", fitted
    found = client.get("/api/v1/builds/mine/range").json()
    assert found["basis"] == "fit"
    report = wait_for(client, client.post("/api/v1/builds/mine/report", json={"kind": "certificate"}).json())
    assert report["state"] == "done", report
    page = client.get(f"/api/v1/builds/mine/reports/{report['result']['name']}")
    assert page.status_code == 200
    assert "What was validated" in page.text


DBC = b'VERSION ""\nBO_ 288 Pack: 8 X\n SG_ Volts : 0|16@1+ (0.1,0) [0|6553] "V" X\n'


def send(client, name, content):
    return client.post("/api/v1/builds/mine/logs", params={"name": name}, content=content).json()


def zipped(files):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return held.getvalue()


def test_a_dropped_dbc_is_kept_in_the_build_and_named_in_its_settings(client, workspace):
    client.post("/api/v1/builds", json={"name": "mine"})
    kept = send(client, "../../etc/my pack.dbc", DBC)
    assert (kept["logs"], kept["problems"]) == ([], [])
    assert kept["dbcs"][0]["file"] == "dbc_user/my_pack.dbc"
    assert (kept["dbcs"][0]["message_count"], kept["dbcs"][0]["signal_count"]) == (1, 1)
    assert (workspace / "mine" / "dbc_user" / "my_pack.dbc").read_bytes() == DBC
    assert send(client, "my pack.dbc", DBC)["dbcs"] == kept["dbcs"]
    other = send(client, "my pack.dbc", DBC.replace(b"Volts", b"Other"))["dbcs"][0]["file"]
    assert other.startswith("dbc_user/my_pack-")
    named = client.get("/api/v1/builds/mine/dbcs").json()["dbcs"]
    assert [entry["file"] for entry in named] == ["dbc_user/my_pack.dbc", other]
    assert client.get("/api/v1/builds/mine/logs").json()["logs"] == []


def test_a_dbc_is_for_one_bus_or_used_no_more(client, workspace):
    client.post("/api/v1/builds", json={"name": "mine"})
    file = send(client, "a.dbc", DBC)["dbcs"][0]["file"]
    put = client.put("/api/v1/builds/mine/dbcs", json={"dbcs": [{"file": file, "bus": "can1"}]}).json()["dbcs"]
    assert [(entry["file"], entry["bus"]) for entry in put] == [(file, "can1")]
    assert 'dbc_by_bus = {can1 = ["dbc_user/a.dbc"]}' in (workspace / "mine" / "build.toml").read_text("utf-8")
    several = client.put("/api/v1/builds/mine/dbcs", json={"dbcs": [{"file": file, "bus": "can1, can2"}]}).json()
    assert [(entry["file"], entry["bus"]) for entry in several["dbcs"]] == [(file, "can1, can2")]
    assert client.put("/api/v1/builds/mine/dbcs", json={"left_out": [file]}).json()["dbcs"] == []
    assert (workspace / "mine" / "dbc_user" / "a.dbc").exists()


def test_no_file_outside_the_build_can_be_named_as_dbc(client, workspace):
    client.post("/api/v1/builds", json={"name": "mine"})
    before = (workspace / "mine" / "build.toml").read_bytes()
    for file in ("../van/dbc_user/demo.dbc", "/etc/passwd", "dbc_user/../build.toml", "dbc_user/none.dbc"):
        answer = client.put("/api/v1/builds/mine/dbcs", json={"dbcs": [{"file": file}]})
        assert answer.status_code == 400
        assert "is no DBC of this build" in answer.json()["problem"]
    assert (workspace / "mine" / "build.toml").read_bytes() == before


def test_a_dbc_without_signals_is_refused_by_name(client, workspace):
    client.post("/api/v1/builds", json={"name": "mine"})
    sent = send(client, "empty.dbc", b"BO_ 288 Pack: 8 X\n")
    assert sent["dbcs"] == []
    assert sent["problems"][0].startswith("empty.dbc: the DBC defines no signal")
    assert not (workspace / "mine" / "dbc_user").exists()


def test_a_zip_of_logs_and_a_dbc_is_unpacked_and_sorted(client, small_log):
    client.post("/api/v1/builds", json={"name": "mine"})
    files = {"card/a.log": small_log.read_bytes(), "card/b.log": b"(1.0) can0 123#00\n", "my.dbc": DBC}
    sent = send(client, "all.zip", zipped({**files, "__MACOSX/._a.log": b"x"}))
    assert sorted(log["name"] for log in sent["logs"]) == ["card/a.log", "card/b.log"]
    assert [entry["file"] for entry in sent["dbcs"]] == ["dbc_user/my.dbc"]
    assert len(client.get("/api/v1/builds/mine/logs").json()["logs"]) == 2


def test_a_zip_that_is_damaged_or_too_full_leaves_nothing_of_it_behind(client, workspace):
    client.post("/api/v1/builds", json={"name": "mine"})
    whole = bytearray(zipped({"a.log": os.urandom(5000), "b.log": os.urandom(5000)}))
    whole[6000] ^= 0xFF
    assert "damaged" in send(client, "bad.zip", bytes(whole))["problem"]
    assert "holds 201 files" in send(client, "many.zip", zipped({f"{k}.log": b"x" for k in range(201)}))["problem"]
    assert client.get("/api/v1/builds/mine/logs").json()["logs"] == []


def test_a_faster_cold_loaded_drive_goes_less_far(client):
    def ask(**changes):
        question = {"speed_m_per_s": 25.0, "ambient_temperature_degc": 20.0, "payload_kg": 0.0, **changes}
        return client.post("/api/v1/builds/van/what-if", json=question).json()["answer"]["range_m"]["p50"]

    middle = ask()
    assert ask(speed_m_per_s=30.0) < middle
    assert ask(ambient_temperature_degc=-10.0) < middle
    assert ask(payload_kg=400.0) < middle
    assert ask(usable_energy_wh=90_000.0) > middle


def test_a_payload_is_noted_in_any_unit_and_forgotten_when_blank(client):
    def noted(payload):
        answer = client.patch("/api/v1/builds/van/drives/1", json={"payload": payload})
        return answer, answer.json().get("record", {}).get("conditions", {}).get("payload_kg")

    assert noted("300 lb")[1] == pytest.approx(136.078, abs=1e-3)
    refused, _ = noted("300")
    assert refused.status_code == 400
    assert "say the unit" in refused.text
    assert noted("")[1] is None


def test_figures_of_earlier_settings_are_marked_and_worked_out_again(client, workspace):
    def stale():
        return client.get("/api/v1/builds/van/stale-drives").json()["drives"]

    assert stale() == []
    settings = workspace / "van" / "build.toml"
    before = settings.read_text(encoding="utf-8")
    settings.write_text(re.sub(r"(?m)^mass = .*", 'mass = "1999 kg"', before), encoding="utf-8")
    assert stale() == [1]
    done = wait_for(client, client.post("/api/v1/builds/van/drives/refresh", json={}).json())
    assert done["result"] == {"drives": [1]}
    assert stale() == []
    settings.write_text(before + "\nnonsense = 1\n", encoding="utf-8")
    assert client.get("/api/v1/builds/van/drive-list").json()["rows"][0]["number"] == 1  # as last worked out
    assert client.get("/api/v1/builds/van/first-hour").json()["problems"] == 1


def test_a_mask_can_be_set_and_taken_back(client):
    before = client.get("/api/v1/builds/van/drives/1").json()["analysis"]["energy"]["coverage_ratio"]
    mask = {"mask": {"span": "60s..90s", "why": "loose plug"}}
    masked = client.patch("/api/v1/builds/van/drives/1", json=mask).json()
    assert masked["analysis"]["energy"]["coverage_ratio"] < before
    assert "loose plug" in [step["reason"] for step in masked["history"]]
    restored = client.patch("/api/v1/builds/van/drives/1", json={"is_unmasked": True}).json()
    assert restored["analysis"]["energy"]["coverage_ratio"] == before


def test_a_mask_on_an_unknown_channel_is_refused_before_anything_is_stored(client):
    before = client.get("/api/v1/builds/van/drives/1").json()
    mask = {"span": "60s..90s", "why": "loose plug", "channels": ["speed", "pack_curent"]}
    refused = client.patch("/api/v1/builds/van/drives/1", json={"mask": mask, "note": "x"})
    assert refused.status_code == 400
    assert "pack_curent" in refused.json()["problem"]
    assert "pack_current" in refused.json()["remedy"]
    assert client.get("/api/v1/builds/van/drives/1").json() == before


def test_one_mask_of_several_can_be_taken_back(client):
    for span in ("60s..90s", "120s..130s"):
        client.patch("/api/v1/builds/van/drives/1", json={"mask": {"span": span, "why": "loose plug"}})
    left = client.patch("/api/v1/builds/van/drives/1", json={"take_back": 1}).json()
    assert [c["start_s"] for c in left["record"]["conditions"]["corrections"]] == [120.0]
    refused = client.patch("/api/v1/builds/van/drives/1", json={"take_back": 7})
    assert refused.status_code == 400
    assert "correction 7" in refused.json()["problem"]


def test_the_style_and_script_of_figures_are_served(client):
    assert "--f-refined" in client.get("/figures.css").text
    assert "pointermove" in client.get("/figures.js").text
    assert client.get("/figures.txt").status_code in (404, 422)


def test_a_served_report_runs_only_logans_own_scripts_and_has_no_rights(client, workspace):
    (workspace / "van" / "reports").mkdir(exist_ok=True)
    (workspace / "van" / "reports" / "certificate.html").write_text("<script>alert(1)</script>", encoding="utf-8")
    assert [report["name"] for report in client.get("/api/v1/builds/van/reports").json()["reports"]] == [
        "certificate.html"
    ]
    policy = client.get("/api/v1/builds/van/reports/certificate.html").headers["content-security-policy"]
    assert policy.startswith("sandbox ")
    assert "allow-same-origin" not in policy
    assert "unsafe" not in policy.split("script-src")[1]
    assert policy.count("'sha256-") == 1


def test_the_interface_is_described_for_people_and_programs(client):
    described = client.get("/openapi.json").json()["paths"]
    page = client.get("/interface").text
    for path, methods in described.items():
        assert path in page
        assert all(about["description"] for about in methods.values()), path


def test_words_and_method_stand_on_a_page_by_topic_with_their_signs_escaped(client):
    page = client.get("/explain").text
    assert 'href="/explain"' in client.get("/builds/van").text
    for word, meaning in glossary():
        assert f"<strong>{escape(word)}</strong></dt><dd>{escape(meaning)}</dd>" in page
    for name, chapter in chapters().items():
        assert f'href="#{name}"' in page
        for part in chapter.removeprefix("# ").split("\n## "):
            title, _, body = part.partition("\n")
            assert re.search(rf'<h[23] id="{name}(-\d+)?">{re.escape(escape(title))}</h', page), title
            for block in body.strip("\n").split("\n\n"):
                cells = [cell.strip() for cell in re.split(r"[|\n]", block) if cell.strip("- ")]
                for text in cells if block.startswith("|") else block.removeprefix("- ").split("\n- "):
                    assert f">{escape(text)}</" in page, text
    assert len(re.findall(r'id="([^"]+)"', page)) == len(set(re.findall(r'id="([^"]+)"', page)))


def test_pages_carry_the_units_of_their_build(client, workspace):
    assert 'data-distance="mi" data-temperature="degF"' in client.get("/builds/van/drives/1").text
    path = workspace / "van" / "build.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r'units = "[^"]*"', 'units = "km,C"', text), encoding="utf-8")
    assert 'data-distance="km" data-temperature="degC"' in client.get("/builds/van/drives/1").text


def test_a_second_click_starts_no_second_import_and_the_end_says_what_came(client, small_log):
    client.post("/api/v1/builds", json={"name": "mine"})
    sent = client.post("/api/v1/builds/van/logs?name=again.log", content=small_log.read_bytes() + b"\n").json()["logs"][
        0
    ]
    first, second = (client.post("/api/v1/builds/van/import", json={"logs": [sent["id"]]}).json() for _ in range(2))
    assert first["id"] == second["id"]
    done = wait_for(client, first)
    assert done["state"] == "done", done
    (row,) = done["result"]
    assert (row["number"], row["was_there"], row["net_wh_per_km"] > 100.0) == (2, False, True)
    assert ".incoming" not in json.dumps(done)


def test_jobs_outlive_the_server_and_can_be_begun_again(client, workspace):
    failed = client.post("/api/v1/builds/van/logs?name=t.csv", content=b"time [s],x\n1,2\n2,3\n").json()["logs"][0]
    ended = wait_for(client, client.post("/api/v1/builds/van/import", json={"logs": [failed["id"]]}).json())
    assert ended["state"] == "failed"
    journal = workspace / "van" / "drives" / "jobs.json"
    broken = [{**entry, "state": "running"} for entry in json.loads(journal.read_text("utf-8"))]
    journal.write_text(json.dumps(broken), encoding="utf-8")
    with TestClient(create_app(WebSettings(workspace=workspace, port=PORT)), **ASKING) as later:
        (job,) = later.get("/api/v1/jobs").json()["jobs"]
        assert (job["id"], job["state"]) == (ended["id"], "stopped")
        assert "logan was ended while" in job["message"]
        again = wait_for(later, later.post(f"/api/v1/jobs/{job['id']}/again", json={}).json())
        assert again["state"] == "failed"
        assert later.get(f"/api/v1/jobs/{job['id']}").json()["is_closed"]
    journal.write_text("{", encoding="utf-8")
    with TestClient(create_app(WebSettings(workspace=workspace, port=PORT)), **ASKING) as last:
        assert last.get("/api/v1/jobs").json()["jobs"] == []


def test_an_unknown_file_is_named_and_explained_and_does_not_wait(client):
    client.post("/api/v1/builds", json={"name": "mine"})
    sent = send(client, "holiday.jpg", b"\xff\xd8\xff\xe0" + bytes(range(256)) * 20)
    assert sent["logs"] == []
    assert sent["problems"][0].startswith("holiday.jpg: this is no log that is known here: it seems to be")
    assert client.get("/api/v1/builds/mine/logs").json()["logs"] == []


def test_the_first_hour_asks_before_it_judges(client):
    client.post("/api/v1/builds", json={"name": "mine"})
    fresh = client.get("/api/v1/builds/mine/first-hour").json()
    assert fresh["is_untouched"]
    assert (fresh["drives"], fresh["mapped"], fresh["waiting"], fresh["has_answer"]) == (0, 0, 0, False)
    changed = client.put("/api/v1/builds/mine/settings", json={"fields": {"vehicle.mass": "1700 kg"}})
    assert changed.status_code == 200
    assert not client.get("/api/v1/builds/mine/first-hour").json()["is_untouched"]
    keys = {field["key"] for section in changed.json()["sections"] for field in section["fields"]}
    assert set(fresh["essential"]) <= keys
    van = client.get("/api/v1/builds/van/first-hour").json()
    assert (van["drives"], van["taken"], van["mapped"] > 9) == (1, 1, True)


def test_a_drives_samples_come_at_the_width_of_a_screen(client):
    about = client.get("/api/v1/builds/van/drives/1/workbench").json()
    names = [channel["name"] for channel in about["channels"]]
    window = {"start_s": about["start_s"], "end_s": about["end_s"], "channels": ",".join(names)}
    answer = client.get("/api/v1/builds/van/drives/1/window", params={**window, "parts": 1000})
    assert set(answer.json()["channels"]) == set(names)
    assert len(answer.content) < 2_000_000
    span = client.get("/api/v1/builds/van/drives/1/span", params={"start_s": 60, "end_s": 180}).json()
    assert span["net_wh_per_km"]["unit"] == "Wh/km"
    for wrong in ({"start_s": "nan"}, {"end_s": "inf"}, {"parts": 10**9}):
        assert client.get("/api/v1/builds/van/drives/1/window", params={**window, **wrong}).status_code in (400, 422)


def test_two_tabs_do_not_overwrite_each_others_notes(client):
    version = client.get("/api/v1/builds/van/drives/1/workbench").json()["version"]
    assert client.patch("/api/v1/builds/van/drives/1", json={"note": "dry", "version": version}).status_code == 200
    second = client.patch("/api/v1/builds/van/drives/1", json={"note": "wet", "version": version})
    assert second.status_code == 409
    assert second.json()["conflict"] == [{"key": "note", "yours": "wet", "theirs": "dry"}]


def test_both_texts_of_a_conflict_hold_all_that_was_noted_as_it_was_typed(client):
    address = "/api/v1/builds/van/drives/1"
    version = client.get(f"{address}/workbench").json()["version"]
    first = {"payload": "300 lb", "drag_factor": 1.15, "exclude_because": "towed", "version": version}
    assert client.patch(address, json=first).status_code == 200
    second = {"payload": "400 lb", "drag_factor": 1.2, "exclude_because": "a flat tire", "version": version}
    late = client.patch(address, json=second)
    assert late.status_code == 409
    assert {one["key"]: (one["yours"], one["theirs"]) for one in late.json()["conflict"]} == {
        "drag_factor": ("1.2", "1.15"), "exclude_because": ("a flat tire", "towed"), "include_because": ("", ""),
        "payload": ("400 lb", "300 lb"),
    }  # fmt: skip
    back = client.patch(address, json={"is_included": True, "version": version}).json()["conflict"]
    assert {"key": "exclude_because", "yours": "", "theirs": "towed"} in back
    assert client.get(address).json()["record"]["conditions"]["excluded_because"] == "towed"


@pytest.mark.parametrize("host", ["evil.example", f"evil.example:{PORT}", "", "127.0.0.1:1"])
def test_another_name_gets_no_answer(client, host):
    assert client.get("/api/v1/builds", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://[::1"},
        {"Origin": f"127.0.0.1:{PORT}"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Origin": f"http://localhost:{PORT}"},
    ],
)
def test_another_page_can_change_nothing(client, headers, workspace):
    assert client.post("/api/v1/builds", json={"name": "x"}, headers=headers).status_code == 403
    assert not (workspace / "x").exists()


def test_a_log_whose_sender_goes_away_leaves_nothing_and_no_fault_of_ours(client, workspace):
    parts = iter([{"type": "http.request", "body": b"abc", "more_body": True}, {"type": "http.disconnect"}])
    sent = []

    async def receive():
        return next(parts)

    async def send(message):
        sent.append(message)

    headers = [(b"host", f"127.0.0.1:{PORT}".encode()), (b"x-logan", b"1"), (b"content-length", b"1000000")]
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "POST", "scheme": "http",
        "path": "/api/v1/builds/van/logs", "raw_path": b"/api/v1/builds/van/logs",
        "query_string": b"name=drive.log", "root_path": "",
        "headers": headers, "client": ("127.0.0.1", 1), "server": ("127.0.0.1", PORT),
    }  # fmt: skip
    asyncio.run(client.app(scope, receive, send))
    assert sent[0]["status"] == 400
    assert not list(workspace.rglob("*.partial"))
    assert not list(workspace.rglob("drive.log"))


def test_a_plain_form_can_change_nothing(client):
    answer = client.post("/api/v1/builds", json={"name": "x"}, headers={"X-Logan": ""})
    del client.headers["X-Logan"]
    plain = client.post("/api/v1/builds", data={"name": "x"})
    assert plain.status_code == 403
    assert answer.status_code in (201, 403)


def test_no_get_changes_anything(client, workspace):
    def snapshot():
        own = (
            path for path in workspace.rglob("*") if path.is_file() and path.suffix in (".toml", ".parquet", ".json")
        )
        return {str(path): path.read_bytes() for path in own}

    found = client.get("/api/v1/builds/van/range").json()  # a plan made now is kept nowhere
    assert {"CdA", "pack to wheel efficiency"} <= {row["words"] for row in found["budget"]["rows"]}
    before = snapshot()
    paths = [path for path, item in client.get("/openapi.json").json()["paths"].items() if "get" in item]
    assert len(paths) >= 8
    for path in paths:
        client.get(path.replace("{build}", "van").replace("{drive}", "1").replace("{job}", "1"))
    for page in ("", "/settings", "/logs", "/drives", "/drives/1", "/range", "/report"):
        assert client.get(f"/builds/van{page}").status_code == 200
    assert snapshot() == before


def test_every_answer_carries_the_guarding_headers(client):
    for path in ("/", "/api/v1/builds", f"{STATIC}/app.js", "/nothing"):
        headers = client.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"


def test_off_loopback_a_token_is_needed(workspace):
    from fastapi.testclient import TestClient

    from logan.web.app import create_app
    from logan.web.state import WebSettings

    settings = WebSettings(workspace=workspace, port=PORT, hosts=("garage",), token="secret")
    with TestClient(create_app(settings), base_url=f"http://garage:{PORT}") as client:
        assert client.get("/").status_code == 401
        assert client.get("/open?token=wrong").status_code == 401
        assert client.get("/open?token=secret").status_code == 200
        assert client.get("/api/v1/builds").status_code == 200


def test_a_server_for_all_addresses_answers_to_its_own_names_only():
    names = own_names("0.0.0.0")
    assert names
    assert not any(name.startswith("127.") or name == "0.0.0.0" for name in names)
    assert own_names("192.0.2.7") == ("192.0.2.7",)
    assert own_names("fd00::7") == ("[fd00::7]",)


@pytest.mark.parametrize("name", ["../van", "..%2Fvan", "nothing", ".hidden"])
def test_only_listed_builds_can_be_reached(client, name):
    assert client.get(f"/api/v1/builds/{name}/settings").status_code in (404, 400)


def test_a_broken_log_fails_its_job_with_the_reason_and_stores_nothing(client):
    sent = client.post("/api/v1/builds/van/logs?name=x.log", content=b"(1.0) can0 123#00\n" * 100).json()["logs"][0]
    job = wait_for(client, client.post("/api/v1/builds/van/import", json={"logs": [sent["id"]]}).json())
    assert job["state"] == "failed"
    assert "does not belong to this log" in job["message"]
    assert "--" not in job["message"]
    assert ".incoming" not in job["message"]
    assert len(client.get("/api/v1/builds/van/drive-list").json()["rows"]) == 1


def test_settings_that_are_not_valid_are_refused_with_every_problem(client):
    answer = client.put(
        "/api/v1/builds/van/settings", json={"fields": {"vehicle.mass": "5 kg", "pack.resistance": "x"}}
    )
    assert answer.status_code == 400
    assert len(answer.json()["problems"]) == 2


def test_two_tabs_do_not_overwrite_each_other(client, workspace):
    address = "/api/v1/builds/van/settings"
    opened = client.get(address).json()["version"]
    mine = {"fields": {"vehicle.mass": "1700 kg"}, "version": opened}
    assert client.put(address, json=mine).status_code == 200
    before = (workspace / "van" / "build.toml").read_bytes()
    late = client.put(address, json={"fields": {"vehicle.mass": "1800 kg"}, "version": opened})
    assert late.status_code == 409
    assert late.json()["conflict"] == [{"key": "vehicle.mass", "yours": "1800 kg", "theirs": "1700 kg"}]
    whole = client.put(address, json={"text": "x = 1", "version": opened})
    assert whole.status_code == 409
    assert whole.json()["conflict"] == [{"key": "build.toml", "yours": "x = 1", "theirs": before.decode()}]
    assert (workspace / "van" / "build.toml").read_bytes() == before
    again = {"fields": {"vehicle.mass": "1800 kg"}, "version": client.get(address).json()["version"]}
    assert client.put(address, json=again).status_code == 200


def test_two_tabs_do_not_overwrite_each_others_channels(client, workspace):
    address = "/api/v1/builds/van/channels"
    opened = client.get(address).json()
    was = {source["channel"]: source for source in opened["channels"]}

    def said(channel, unit):
        return {"channel": channel, "signal": was[channel]["signal"], "unit": unit, "sign": was[channel]["sign"]}

    first = {"channels": [said("speed", "mph")], "version": opened["version"]}
    assert client.put(address, json=first).status_code == 200
    before = (workspace / "van" / "channels.toml").read_bytes()
    late = client.put(address, json={"channels": [said("speed", "m/s")], "version": opened["version"]})
    assert late.status_code == 409
    (conflict,) = late.json()["conflict"]
    assert conflict["key"] == "speed"
    assert (conflict["yours"].endswith("[m/s]"), conflict["theirs"].endswith("[mph]")) == (True, True)
    assert (workspace / "van" / "channels.toml").read_bytes() == before
    # Another channel, in the newest version, leaves the first tab's change alone; only what is changed is sent.
    other = {"left_out": ["elevation"], "version": client.get(address).json()["version"]}
    assert client.put(address, json=other).status_code == 200
    now = {source["channel"]: source for source in client.get(address).json()["channels"]}
    assert now["speed"]["unit"] == "mph"
    assert set(was) - set(now) == {"elevation"}


def test_two_tabs_do_not_overwrite_each_others_dbcs(client, workspace):
    client.post("/api/v1/builds", json={"name": "mine"})
    files = [send(client, f"{k}.dbc", DBC.replace(b"Volts", f"Volts{k}".encode()))["dbcs"][0]["file"] for k in "ab"]
    address = "/api/v1/builds/mine/dbcs"
    opened = client.get(address).json()
    assert "identifier 120" in opened["conflicts"][0]  # both mean it for all buses
    first = client.put(address, json={"dbcs": [{"file": files[0], "bus": "can1"}], "version": opened["version"]})
    assert (first.status_code, first.json()["conflicts"]) == (200, [])
    before = (workspace / "mine" / "build.toml").read_bytes()
    late = client.put(address, json={"dbcs": [{"file": files[0], "bus": "can2"}], "version": opened["version"]})
    assert late.status_code == 409
    assert late.json()["conflict"] == [{"key": files[0], "yours": "can2", "theirs": "can1"}]
    assert (workspace / "mine" / "build.toml").read_bytes() == before
    other = {"left_out": [files[1]], "version": first.json()["version"]}
    left = client.put(address, json=other).json()["dbcs"]
    assert [(entry["file"], entry["bus"]) for entry in left] == [(files[0], "can1")]


def test_parallel_saves_lose_no_edit(client, workspace):
    from concurrent.futures import ThreadPoolExecutor

    saved = {f"limits.{channel}_temperature.red": "160 degC" for channel in ("motor", "inverter", "coolant", "cable")}
    saved |= {"vehicle.wheel_inertia": "5 kg m2", "pack.resistance": "0.09 ohm", "motor.count": "1"}

    def save(item):
        return client.put("/api/v1/builds/van/settings", json={"fields": dict([item])}).status_code

    with ThreadPoolExecutor(7) as pool:
        assert set(pool.map(save, saved.items())) == {200}
    sections = client.get("/api/v1/builds/van/settings").json()["sections"]
    texts = {field["key"]: field["text"] for section in sections for field in section["fields"]}
    assert {key: texts[key] for key in saved} == saved


def test_names_from_files_are_escaped_in_pages(client, workspace):
    path = workspace / "van" / "build.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('mass = "1600 kg ± 60 kg"', 'mass = "<script>x</script>"'),
        encoding="utf-8",
    )
    page = client.get("/builds/van").text
    assert "<script>x" not in page
    assert "&lt;script&gt;x" in page


def test_an_import_whose_log_is_taken_away_before_its_turn_says_so(client, small_log, monkeypatch):
    turn, really = threading.Event(), work.import_sent

    def later(*arguments):
        assert turn.wait(60.0)
        return really(*arguments)

    monkeypatch.setattr(work, "import_sent", later)
    sent = client.post("/api/v1/builds/van/logs?name=b.log", content=small_log.read_bytes()).json()["logs"][0]["id"]
    job = client.post("/api/v1/builds/van/import", json={"logs": [sent]}).json()
    assert client.delete(f"/api/v1/builds/van/logs/{sent}").status_code == 200
    turn.set()
    done = wait_for(client, job)
    assert done["state"] == "failed"
    assert done["message"] == "b.log: the log was taken away before its turn came. Send it again"
