"""The whole job on the command line: a log and a DBC go in, a refined range and a report come out."""

from __future__ import annotations

import json
import re

import pytest

from logan.cli.main import main
from tests.pipeline.twin_fleet import write_fleet


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


@pytest.fixture(scope="module")
def van(tmp_path_factory):
    """One vehicle, planned, with three imported drives; its settings change after the plan was frozen."""
    folder = write_fleet(tmp_path_factory.mktemp("fleet"), vehicles=1, drives=3, duration_s=900.0) / "van-001"
    assert main(["plan", "-b", str(folder)]) == 0
    logs = sorted(map(str, (folder / "logs").glob("*.log")))
    assert main(["import", *logs, "-b", str(folder)]) == 0
    return folder


def assert_fits_eighty_columns(out):
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_an_import_says_what_came_in_and_never_stores_a_log_twice(van, capsys):
    stored = sorted(path.name for path in (van / "drives").glob("*.parquet"))
    code, out, err = run(capsys, "import", van / "logs" / "001.log", "-b", van)
    assert (code, err) == (0, "")
    assert "drive 1: imported before, left as it is" in out
    assert sorted(path.name for path in (van / "drives").glob("*.parquet")) == stored
    assert len(stored) == 3


def test_look_names_ids_signals_and_the_channel_each_could_be(van, capsys):
    dbc = next((van / "dbc_user").glob("*.dbc"))
    code, out, _ = run(capsys, "look", van / "logs" / "001.log", "--dbc", dbc)
    assert code == 0
    assert_fits_eighty_columns(out)
    for word in ("candump", "frames/s", "with a message in the DBC", "pack_current", "km/h"):
        assert word in out
    content = json.loads(run(capsys, "look", van / "logs" / "001.log", "--dbc", dbc, "--json")[1])
    assert content["schema"] == "log-summary/1"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["drives"], ["Wh/mi", "regen %", "peak A", "data"]),
        (
            ["drive", "1"],
            ["Wh/mi net", "sampled", "60 s", "no limit given", "1 share regenerated", "sampled", "Pack voltage"],
        ),
        (["limits"], ["no limit given", "motor temp.", "Caution:"]),
        (["limits", "2"], ["no limit given", "closest"]),
        (["fit"], ["CdA", "learned", "residual", "can't tell"]),
        (["range"], ["plan / refined", "target", "Why 'highway 65' moved", "90 % interval"]),
        (["compare"], ["planned", "measured", "refined", "Planned: by the plan of"]),
    ],
)
def test_every_command_shows_its_figures_in_eighty_columns(van, capsys, arguments, words):
    code, out, err = run(capsys, *arguments, "-b", van)
    assert (code, err) == (0, "")
    assert_fits_eighty_columns(out)
    flat = re.sub(r"\s+", " ", out).lower()
    for word in words:
        assert word.lower() in flat


@pytest.mark.parametrize("arguments", [["drives"], ["drive", "1"], ["limits"], ["fit"], ["range"], ["compare"]])
def test_every_command_gives_json_with_a_schema_and_units(van, capsys, arguments):
    code, out, _ = run(capsys, *arguments, "-b", van, "--json")
    content = json.loads(out)
    assert code == 0
    assert re.fullmatch(r"[a-z0-9-]+/\d+", content["schema"])


@pytest.mark.parametrize("arguments", [["drives"], ["drive", "1"], ["fit"], ["range"], ["compare"]])
def test_kilometres_and_celsius_by_choice(van, capsys, arguments):
    _, out, _ = run(capsys, *arguments, "-b", van, "--units", "km,C")
    assert "Wh/km" in out
    assert "Wh/mi" not in out
    assert "°F" not in out


def test_the_plan_that_was_frozen_is_compared_whatever_the_settings_say_now(van, capsys):
    before = json.loads(run(capsys, "compare", "-b", van, "--json")[1])
    settings = (van / "build.toml").read_text(encoding="utf-8")
    heavier = re.sub(r'(?m)^mass = "[^"]*"', 'mass = "1950 kg ± 60 kg"', settings)
    assert heavier != settings
    try:
        (van / "build.toml").write_text(heavier, encoding="utf-8")
        after = json.loads(run(capsys, "compare", "-b", van, "--json")[1])
    finally:
        (van / "build.toml").write_text(settings, encoding="utf-8")
    planned = [[drive["planned"]["value"] for drive in content["drives"]] for content in (before, after)]
    assert planned[0] == pytest.approx(planned[1], rel=1e-3)
    refined = [[drive["refined"]["value"] for drive in content["drives"]] for content in (before, after)]
    assert refined[0] != pytest.approx(refined[1], rel=1e-4)


def test_the_report_is_one_file_that_asks_the_network_for_nothing(van, capsys, tmp_path):
    target = tmp_path / "report.html"
    code, out, _ = run(capsys, "report", "-b", van, "--out", target)
    assert code == 0
    assert target.name in out.replace("\n", "")
    page = target.read_text(encoding="utf-8")
    assert "<svg" in page
    assert not re.search(r"""<(?:script|link|img|iframe)[^>]+(?:src|href)=["']?(?:https?:)?//""", page)


@pytest.mark.parametrize(
    ("name", "content", "problem"),
    [
        ("empty.log", b"", "empty"),
        ("garbage.bin", bytes(range(256)) * 40, "no log that is known here"),
        ("strange.csv", b"time [s],pace [km/h]\n0,1\n1,2\n", "no signal of the channel map"),
        ("other.log", b"(1714989600.000000) can0 7A1#0011\n(1714989600.100000) can0 7A1#0012\n", "does not belong"),
        ("missing.log", None, "no such file"),
    ],
)
def test_a_bad_log_is_one_clear_line_and_leaves_the_library_as_it_was(van, capsys, tmp_path, name, content, problem):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    held = {path: path.stat().st_mtime_ns for path in (van / "drives").rglob("*.parquet")}
    code, out, err = run(capsys, "import", tmp_path / name, "-b", van)
    assert code == 2
    assert problem in err
    assert len(err.splitlines()) == 1
    assert "Traceback" not in out + err
    assert {path: path.stat().st_mtime_ns for path in (van / "drives").rglob("*.parquet")} == held


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["drive", "99"], "99"),
        (["limits", "1", "99"], "no drive 99"),
        (["look", "no.log"], "no.log"),
        (["drives", "--units", "leagues"], "leagues"),
        (["compare", "--plan", "no.json"], "no.json"),
        (["frobnicate"], "frobnicate"),
    ],
)
def test_what_does_not_exist_is_named_with_exit_code_2(van, capsys, arguments, problem):
    build = [] if arguments == ["frobnicate"] else ["-b", van]
    code, out, err = run(capsys, *arguments, *build)
    assert code == 2
    assert problem in err
    assert "Traceback" not in out + err


def test_a_dbc_that_is_missing_or_of_another_vehicle_is_named(van, capsys, tmp_path):
    (tmp_path / "other.dbc").write_text('VERSION ""\nBO_ 291 Other: 8 ECU\n SG_ A : 0|8@1+ (1,0) [0|0] "" ECU\n')
    for dbc, problem in ((tmp_path / "no.dbc", "no.dbc"), (tmp_path / "other.dbc", "does not belong to this log")):
        code, _, err = run(capsys, "import", van / "logs" / "001.log", "--again", "--dbc", dbc, "-b", van)
        assert code == 2
        assert problem in err
    assert len(list((van / "drives").glob("*.parquet"))) == 3


def test_conditions_are_noted_in_the_drivers_own_units(van, capsys):
    noted = ["--payload", "300 lb", "--ambient", "50 °F", "--wind", "10 mph", "--wind-from", "250", "--tire", "36 psi"]
    code, out, _ = run(capsys, "drive", "3", *noted, "-b", van, "--json")
    conditions = json.loads(out)["record"]["conditions"]
    assert code == 0
    assert conditions["payload_kg"] == pytest.approx(136.078, abs=1e-3)
    assert conditions["said"] == {"payload": "300 lb", "ambient": "50 °F", "wind": "10 mph", "tire": "36 psi"}
    assert "Noted: payload 300 lb; station wind 10 mph" in run(capsys, "drive", "3", "-b", van, "-u", "metric")[1]
    assert conditions["ambient_temperature_degc"] == pytest.approx(10.0)
    assert conditions["wind_m_per_s"] == pytest.approx(4.4704)
    assert conditions["tyre_pressure_pa"] == pytest.approx(248_211, rel=1e-5)
    code, out, _ = run(capsys, "drive", "3", "--payload", "", "-b", van, "--json")
    assert json.loads(out)["record"]["conditions"]["payload_kg"] is None
    assert json.loads(out)["record"]["conditions"]["tyre_pressure_pa"] == pytest.approx(248_211, rel=1e-5)
    for option, text, problem in (("--payload", "300 V", "not in a unit"), ("--tire", "3 psi s", "not in a unit")):
        code, _, err = run(capsys, "drive", "3", option, text, "-b", van)
        assert code == 2
        assert f"{option.lstrip('-')}: " in err
        assert problem in err


@pytest.fixture
def table_van(van, tmp_path):
    """A vehicle that is logged as a CSV table of speed and voltage, without current."""
    folder = tmp_path / "van"
    folder.mkdir()
    settings = (van / "build.toml").read_text(encoding="utf-8")
    (folder / "build.toml").write_text(re.sub(r"(?m)^dbc = .*$", "dbc = []", settings), encoding="utf-8")
    (folder / "channels.toml").write_text(
        '[channels.speed]\nsignal = "speed"\n[channels.pack_voltage]\nsignal = "volts"\n', encoding="utf-8"
    )
    return folder


def test_a_drive_without_current_is_refused_unless_it_is_wanted_for_the_rest(table_van, capsys):
    rows = "\n".join(f"{second},{second % 60},{400 - second % 7}" for second in range(600))
    (table_van / "d.csv").write_text(f"time [s],speed [km/h],volts [V]\n{rows}\n")
    code, _, err = run(capsys, "import", table_van / "d.csv", "-b", table_van)
    assert code == 2
    assert "no pack_current is mapped and logged" in err
    assert not list(table_van.glob("drives/*.parquet"))
    code, out, err = run(capsys, "import", table_van / "d.csv", "--without-energy", "-b", table_van)
    assert (code, err) == (0, "")
    assert "consumption refused" in out
    code, _, err = run(capsys, "fit", "-b", table_van)
    assert code == 2
    assert "current" in err


def test_text_in_a_mapped_number_is_refused_with_its_line_unless_told_to_leave_it_out(table_van, capsys):
    (table_van / "d.csv").write_text("time [s],speed [km/h],volts [V]\n0,1,400\n1,ten,401\n2,3,402\n")
    code, _, err = run(capsys, "import", table_van / "d.csv", "--without-energy", "-b", table_van)
    assert code == 2
    assert "d.csv:3: 'ten' in column 'speed' is no number" in err
    assert not list(table_van.glob("drives/*.parquet"))
    code, out, _ = run(capsys, "import", table_van / "d.csv", "--without-energy", "--skip-text", "-b", table_van)
    assert code == 0
    assert "d.csv:3: 'ten' in column 'speed' is no number" in re.sub(r"\s+", " ", out)


def test_text_in_a_column_that_is_not_mapped_costs_nothing(table_van, capsys):
    (table_van / "d.csv").write_text(
        "time [s],speed [km/h],volts [V],fan [rpm]\n0,1,400,1\n1,2,401,fast\n2,3,402,2\n", encoding="utf-8"
    )
    assert run(capsys, "import", table_van / "d.csv", "--without-energy", "-b", table_van)[0] == 0


@pytest.mark.parametrize("left_out", ["level_elevation", "all"])
def test_a_correction_by_rule_can_be_left_out(van, capsys, left_out):
    def actions(*options):
        assert run(capsys, "import", van / "logs" / "001.log", "--again", *options, "-b", van)[0] == 0
        return {step["action"] for step in json.loads(run(capsys, "drive", "1", "-b", van, "--json")[1])["history"]}

    assert "level_elevation" not in actions("--no-correction", left_out)
    assert "level_elevation" in actions()


def test_a_correction_that_does_not_exist_is_named_beside_those_that_do(van, capsys):
    code, _, err = run(capsys, "import", van / "logs" / "001.log", "--no-correction", "sleight", "-b", van)
    assert code == 2
    assert "there is no correction 'sleight'" in err
    assert "shift_current" in err
