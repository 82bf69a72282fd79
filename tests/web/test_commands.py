"""What the commands can, asked of the page: the same functions, the same tables, nothing else of the machine."""

import json

import pytest

from logan.cli.for_page import ON_PAGE, described
from logan.cli.main import main
from logan.pipeline.builds import BuildFolder
from tests.web.test_api import wait_for


def ask(client, command, as_json=False, **options):
    return wait_for(
        client, client.post(f"/api/builds/van/commands/{command}", json={"options": options, "as_json": as_json}).json()
    )


def test_every_command_says_what_can_be_asked():
    found = {one["name"]: one for one in described()}
    assert list(found) == list(ON_PAGE)
    assert all(one["about"] and all(option["help"] for option in one["options"]) for one in found.values())
    said = [text for one in found.values() for option in one["options"] for text in (option["label"], option["help"])]
    assert not [text for text in said if "--" in text or "_" in text.replace("wltc_3b", "") or text.startswith("is ")]
    assert {"grade", "launches", "route", "ambient"} <= {option["name"] for option in found["range"]["options"]}
    assert [option["name"] for option in found["effect"]["options"] if option["is_required"]] == ["before", "after"]


@pytest.mark.parametrize("name", ["gearing", "limits", "fit", "plan"])
def test_the_page_shows_what_the_command_prints(client, workspace, capsys, name):
    done = ask(client, name, **({"dry": True} if name == "plan" else {}))
    assert done["state"] == "done", done
    assert main([name, "--build", str(workspace / "van"), *(["--dry"] if name == "plan" else [])]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    tables = [block for block in done["result"]["blocks"] if block["kind"] == "table"]
    assert tables
    for table in tables:
        for row in table["rows"]:
            assert all(" ".join(cell.split()) in printed for cell in row if len(cell) < 12), row


def test_a_program_gets_the_result_itself(client, workspace, capsys):
    (block,) = ask(client, "gearing", as_json=True)["result"]["blocks"]
    main(["gearing", "--json", "--build", str(workspace / "van")])
    assert block["content"] == json.loads(capsys.readouterr().out)


def test_a_pass_is_asked_by_clicks(client):
    done = ask(client, "range", grade="6 %", speed="45 mph", length="3 mi", name="pass")
    assert done["state"] == "done", done
    assert any(block["kind"] == "table" for block in done["result"]["blocks"])


def test_an_export_is_written_into_the_build_and_can_be_saved(client, workspace):
    done = ask(client, "export channels", drive="1", output="../../drive 1.csv", channel="speed pack_current")
    assert [file["name"] for file in done["result"]["files"]] == ["drive_1.csv"]
    assert (workspace / "van" / "exports" / "drive_1.csv").is_file()
    answer = client.get("/api/builds/van/exports/drive_1.csv")
    assert answer.text.splitlines()[0].count("pack_current") == 1
    assert client.get("/api/builds/van/exports/..%2Fbuild.toml").status_code in (404, 422)


def test_a_plan_is_frozen_and_compared_with(client, workspace):
    assert ask(client, "plan")["state"] == "done"
    (frozen,) = client.get("/api/builds/van/commands").json()["files"]
    assert (BuildFolder(workspace / "van").plans / frozen).is_file()
    assert ask(client, "compare", plan=frozen)["state"] == "done"


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("range", {"route": "/etc/passwd"}),
        ("range", {"cycle": "/etc/passwd"}),
        ("range", {"cycle": "../../secret"}),
        ("compare", {"plan": "../van/build.toml"}),
        ("effect", {"before": "1"}),
        ("range", {"no_such": "1"}),
        ("trend", {"build": "/tmp"}),
        ("library rebuild", {}),
        ("range", {"launches": "many"}),
    ],
)
def test_nothing_else_of_the_machine_is_reached(client, name, options):
    done = ask(client, name, **options)
    assert done["state"] == "failed"
    assert "root:" not in done["message"]
    assert "fault of logan" not in done["message"]


def test_limits_carry_their_worst_moment(client):
    found = client.get("/api/builds/van/limits").json()
    assert found["lines"][0]["check"]["verdict"] == "within the limit given"
    assert found["lines"][0]["check"]["context"]["at_s"] > 0.0
