"""What the commands can, asked of the page: the same functions, the same tables, nothing else of the machine."""

import inspect
import json
import re

import pytest

from logan.cli.for_page import commands, described
from logan.cli.main import command_line, main
from logan.pipeline.builds import BuildFolder
from tests.web.conftest import write_small_log
from tests.web.test_api import wait_for
from tests.web.test_words import STRANGE


def ask(client, command, as_json=False, **options):
    return wait_for(
        client,
        client.post(f"/api/v1/builds/van/commands/{command}", json={"options": options, "as_json": as_json}).json(),
    )


ADDRESSES = {"new": "/api/v1/builds", "demo": "/api/v1/demo", "serve": "/"}
"""Commands that make a build or the page itself, and where a program finds the same."""


def leaves(app, before=""):
    """Every command of the command line with its parameters, those of groups too."""
    for command in app.registered_commands:
        yield before + command.name, set(inspect.signature(command.callback).parameters)
    for group in app.registered_groups:
        yield from leaves(group.typer_instance, f"{group.name} ")


def test_each_command_and_each_option_has_its_counterpart_for_programs(client):
    described_at = client.get("/openapi.json").json()["paths"]
    asked = {one["name"]: one for one in client.get("/api/v1/builds/van/commands").json()["commands"]}
    page = client.get("/interface").text
    found = dict(leaves(command_line()))
    assert len(found) >= 30
    for name, parameters in found.items():
        if name in ADDRESSES:
            assert ADDRESSES[name] in {*described_at, "/"}
            continue
        options = {option["name"] for option in asked[name]["options"]}
        # The build is in the address, units are its setting, JSON is a field of the request, a request is its own yes,
        # and another computer to work on is not for a page to choose.
        assert parameters - options <= {"build", "fleet", "units", "as_json", "yes", "cluster"}, name
        assert f"<code>{name}</code>" in page
        assert all(f"<code>{option}</code>" in page for option in options)


def test_every_command_says_what_can_be_asked():
    found = {one["name"]: one for one in described()}
    assert list(found) == list(commands())
    assert all(one["about"] and all(option["help"] for option in one["options"]) for one in found.values())
    said = [text for one in found.values() for option in one["options"] for text in (option["label"], option["help"])]
    assert not [
        text
        for text in said
        if "--" in text
        or "_" in re.sub(r"\b(wind_from|time_ms,bus,id_hex|pack_current\.\w+|shift_s)", "", text)
        or text.startswith("is ")
    ]
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
    """Temperatures as curves with bands and limits, as the page draws them, and the tables that a terminal prints."""
    done = ask(client, "range", grade="6 %", speed="45 mph", length="3 mi", name="pass")
    assert done["state"] == "done", done
    blocks = done["result"]["blocks"]
    assert any(block["kind"] == "table" for block in blocks)
    (figure,) = [block for block in blocks if block["kind"] == "figure"]
    assert [figure[size][:4] for size in ("wide", "narrow")] == ["<svg", "<svg"]
    assert "below the limit" in figure["title"]
    launched = ask(client, "range", launches="3")["result"]["blocks"]
    assert [block["kind"] for block in launched].count("figure") == 1


def test_an_export_is_written_into_the_build_and_can_be_saved(client, workspace):
    done = ask(client, "export channels", drive="1", output="../../drive 1.csv", channel="speed pack_current")
    assert [file["name"] for file in done["result"]["files"]] == ["drive_1.csv"]
    assert (workspace / "van" / "exports" / "drive_1.csv").is_file()
    answer = client.get("/api/v1/builds/van/exports/drive_1.csv")
    assert answer.text.splitlines()[0].count("pack_current") == 1
    assert client.get("/api/v1/builds/van/exports/..%2Fbuild.toml").status_code in (404, 422)


def test_a_plan_is_frozen_and_compared_with(client, workspace):
    assert ask(client, "plan")["state"] == "done"
    (frozen, dbc) = client.get("/api/v1/builds/van/commands").json()["files"]
    assert dbc == "demo.dbc"
    assert (BuildFolder(workspace / "van").plans / frozen).is_file()
    assert ask(client, "compare", plan=frozen)["state"] == "done"


EVERY = {
    "range": {"speed": "60 mph", "name": "/etc on the road"}, "plan": {"dry": True}, "gearing": {"is_full": True},
    "fit": {"is_full": True}, "compare": {}, "effect": {"before": "1", "after": "1"}, "trend": {"metric": "none"},
    "limits": {}, "drives": {}, "drive": {"number": "1", "is_full": True, "trim": "..5s", "why": "~/ramp"},
    "look": {"logs": ["next.log"], "is_full": True}, "channels": {"files": ["next.log"]},
    "import": {"logs": ["next.log"], "wind": "5 mph", "passengers": "1", "zero_current": True},
    "report": {"drive": "1"}, "explain": {"topic": "range"}, "export channels": {"drive": "1", "output": "a.csv"},
    "export signals": {"drive": "1", "output": "b.csv"}, "export log": {"logs": ["next.log"], "output": "parts"},
    "export metrics": {"output": "c.csv"}, "export bundle": {"drive": "1", "output": "d.zip"}, "library check": {},
    "library decode": {"drives": "1"}, "library rebuild": {}, "library remove": {"drive": "1"},
    "fleet import": {"processes": "1"}, "fleet fit": {"processes": "1"},
    "fleet report": {"processes": "1", "output": "e.csv"},
}  # fmt: skip
REFUSED = {"effect", "trend"}
"""What one drive is too few for, or what is asked wrongly here: refused in words."""


def texts(content):
    """Every text in an answer."""
    if isinstance(content, str):
        yield content
    for inner in content.values() if isinstance(content, dict) else content if isinstance(content, list) else ():
        yield from texts(inner)


@pytest.mark.slow
def test_every_command_runs_for_the_page_and_speaks_no_terminal(client, workspace, tmp_path):
    log = write_small_log(tmp_path / "next.log", seed=5, start_s=1_700_100_000.0)
    client.post("/api/v1/builds/van/logs?name=next.log", content=log.read_bytes())
    assert set(EVERY) == set(commands())
    for name, options in EVERY.items():
        done = ask(client, name, **options)
        assert (done["state"] == "failed") == (name in REFUSED), (name, done["message"])
        said = [done["message"], *texts(done["result"])]
        assert not [text for text in said if STRANGE.search(text) or str(workspace) in text], (name, said)
    assert len(client.get("/api/v1/builds/van/drive-list").json()["rows"]) == 1  # one came, one was taken out
    assert client.get("/api/v1/builds/van/exports/parts.zip").status_code == 200


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
        ("serve", {}),
        ("new", {"folder": "/tmp/elsewhere"}),
        ("look", {"logs": ["/etc/passwd"]}),
        ("look", {"logs": ["demo.dbc"], "dbc": "can0=/etc/passwd"}),
        ("import", {"logs": ["../van/build.toml"]}),
        ("drive", {"number": "1", "weather": "/etc/passwd"}),
        ("library decode", {"dbc": "/etc/passwd"}),
        ("fleet fit", {"cluster": "tcp://192.0.2.1:1"}),
        ("range", {"launches": "many"}),
    ],
)
def test_nothing_else_of_the_machine_is_reached(client, name, options):
    done = ask(client, name, **options)
    assert done["state"] == "failed"
    assert "root:" not in done["message"]
    assert "fault of logan" not in done["message"]


def test_limits_carry_their_worst_moment(client):
    found = client.get("/api/v1/builds/van/limits").json()
    assert found["lines"][0]["check"]["verdict"] == "within the limit given"
    assert found["lines"][0]["check"]["context"]["at_s"] > 0.0
