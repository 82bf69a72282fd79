import dataclasses
import json
import re

import pytest

from logan.cli.main import main
from logan.cli.range_command import calibration_text
from logan.driving_range.coverage import Calibration
from logan.units import DisplayUnits
from logan.wording import parameter_text, probability, with_sigma


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("builds") / "van"
    assert main(["new", str(path)]) == 0
    return path


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_plan_gives_the_answer_first_and_fits_eighty_columns(folder, capsys):
    code, out, _ = run(capsys, "plan", "-b", folder, "--dry", "--full")
    assert code == 0
    lines = out.splitlines()
    assert max(len(line.rstrip()) for line in lines) <= 80
    assert "chance" in lines[0]
    assert "Wh/mi" in out
    for word in ("CdA", "common practice", "highway 65", "Packs that can be built", "HWFET"):
        assert word in out
    assert not (folder / "plans").exists()


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize(("typed", "shown"), [("1600 kg", "1600 kg ± 1 %"), ("3,640 lb ± 45 lb", "3,640 lb ± 45 lb")])
def test_a_planned_value_comes_back_as_it_was_typed(tmp_path, capsys, typed, shown, units):
    assert main(["new", str(tmp_path / "van")]) == 0
    file = tmp_path / "van" / "build.toml"
    file.write_text(re.sub('(?m)^mass = "[^"]*"', f'mass = "{typed}"', file.read_text(encoding="utf-8")), "utf-8")
    out = run(capsys, "plan", "-b", tmp_path / "van", "--dry", "--full", "--units", units)[1]
    assert re.search(rf"(?m)^test weight +{re.escape(shown)}(  |$)", out)
    assert re.search(rf"(?m)^Crr lost per degree .*{'%/°F' if units == 'us' else '%/K'}", out), "not the user's own"


def test_plan_is_frozen_to_a_new_file_each_time(folder, capsys):
    for count in (1, 2):
        code, out, _ = run(capsys, "plan", "-b", folder)
        assert code == 0
        assert "Frozen to" in out
        assert len(list((folder / "plans").glob("plan-*.json"))) == count


def test_plan_as_json_carries_schema_and_units(folder, capsys):
    code, out, err = run(capsys, "plan", "-b", folder, "--json", "--dry")
    content = json.loads(out)
    assert code == 0
    assert err == ""
    assert content["schema"] == "plan/1"
    assert content["prediction"]["schema"] == "range-prediction/1"
    assert content["prediction"]["scenarios"][0]["range_m"]["unit"] == "m"


def test_kilometres_are_shown_when_asked_for(folder, capsys):
    code, out, _ = run(capsys, "plan", "-b", folder, "--dry", "--units", "km,C")
    assert code == 0
    assert "Wh/km" in out
    assert "Wh/mi" not in out


def test_gearing_is_a_sheet_of_eighty_columns(folder, capsys):
    code, out, _ = run(capsys, "gearing", "-b", folder)
    assert code == 0
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    for word in ("top speed mph", "no limit given", "rpm", "6 % at 55 mph"):
        assert word in out
    _, out, _ = run(capsys, "gearing", "-b", folder, "--json")
    assert json.loads(out)["schema"] == "gearing-sheet/2"


def test_range_without_drives_is_the_plan_alone_and_says_why(folder, capsys):
    code, out, _ = run(capsys, "range", "-b", folder)
    assert code == 0
    assert "The plan alone, because no drive has been imported" in out


def test_a_scenario_can_be_asked_for_on_the_command_line(folder, capsys):
    code, out, err = run(
        capsys,
        "range",
        "-b",
        folder,
        "--json",
        "--speed",
        "70 mph",
        "--ambient",
        "20 °F",
        "--drag",
        "1.1",
        "--name",
        "x",
    )
    assert code == 0
    assert "no drive has been imported" in err
    asked = json.loads(out)["prediction"]["scenarios"][-1]
    assert asked["name"] == "x"
    assert asked["mean_speed_m_per_s"] == pytest.approx(70 * 0.44704)
    assert asked["ambient_temperature_degc"] == pytest.approx(-6.667, abs=1e-3)


@pytest.mark.parametrize(("cycle", "name"), [("udds", "UDDS"), ("wltc_3b", "WLTC class 3b")])
def test_a_standard_cycle_that_is_asked_for_bears_its_standard_name(folder, capsys, cycle, name):
    _, out, _ = run(capsys, "range", "-b", folder, "--json", "--cycle", cycle)
    assert json.loads(out)["prediction"]["scenarios"][-1]["name"] == f"asked: {name}"


def test_a_round_trip_that_is_asked_for_is_said_once(folder, capsys):
    _, out, _ = run(capsys, "range", "-b", folder, "--speed", "50 mph", "--round-trip")
    (line,) = (line for line in out.splitlines() if line.startswith("asked: 50 mph, round trip: "))
    assert line.count("round trip") == 1


def test_heat_on_a_climb_without_drives_is_refused_and_says_what_to_log(folder, capsys):
    code, out, _ = run(capsys, "range", "-b", folder, "--grade", "6 %", "--speed", "55 mph", "--length", "10 mi")
    assert code == 0
    assert "Heat: refused, no drive teaches the heat" in out
    assert "Log motor, inverter and coolant temperature" in " ".join(out.split())


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (["--ambient", "20 °F"], "give exactly one of speed"),
        (["--speed", "70 mph", "--name", "town"], "called 'town' already"),
        (["--cycle", "nedc"], "cycle"),
        (["--route", "nowhere.gpx"], "cannot be read"),
        (["--plan", "nowhere.json"], "cannot be read"),
        (["--units", "furlongs"], "unknown unit"),
    ],
)
def test_bad_questions_get_one_clear_answer_and_exit_code_2(folder, capsys, arguments, problem):
    code, out, err = run(capsys, "range", "-b", folder, *arguments)
    assert code == 2
    assert problem in err
    assert "Traceback" not in err + out


def test_no_build_is_exit_code_2(tmp_path, capsys):
    for command in ("plan", "gearing", "range"):
        code, _, err = run(capsys, command, "-b", tmp_path)
        assert code == 2
        assert "there is no build here" in err


def test_chances_never_read_as_certain():
    assert [probability(ratio) for ratio in (0.0, 0.004, 0.5, 0.996, 1.0)] == [
        "< 1 %",
        "< 1 %",
        "50 %",
        "> 99 %",
        "> 99 %",
    ]


def test_quantities_are_shown_with_their_unit():
    us, metric = DisplayUnits(), DisplayUnits.parse("metric")
    assert parameter_text("mass_kg", 1650.4, metric) == "1,650 kg"
    assert parameter_text("mass_kg", 1650.4, us, sigma=20.0) == "3,639 ± 44 lb"
    assert parameter_text("drive_efficiency_ratio", 0.874, us) == "87.4 %"
    # A step of the air's pressure that moves the range by miles shows as more than one psi.
    assert [parameter_text("air_pressure", 1e5 * bar, us, "Pa") for bar in (1.013, 0.96)] == ["14.7 psi", "13.9 psi"]
    assert parameter_text("air_pressure", 95_900.0, metric, "Pa") == "95.9 kPa"
    # More back than went in is no efficiency: only how well it is known can be said.
    assert parameter_text("regen_efficiency_ratio", 1.06, us, sigma=0.05) == "no loss told (± 5.0 %)"
    assert parameter_text("rolling_coefficient", 0.0105, us) == "0.0105"
    assert parameter_text("usable_loss_per_k", 0.0036, us) == "0.20 %/°F"


def test_no_uncertainty_of_nothing_and_no_minus_zero():
    texts = [with_sigma(297.2, 0.04), with_sigma(-0.3, None), with_sigma(297.2, 0.0), with_sigma(297.2, 1e-9)]
    assert texts == ["297.20 ± 0.04", "0", "297", "297"]


def calibration(**figures):
    names = [field.name for field in dataclasses.fields(Calibration) if field.name.endswith("_ratio")]
    empty = dict.fromkeys(names) | {"drives": ()}
    return Calibration(**(empty | figures))


def test_calibration_in_one_sentence():
    figures = {"median_error_ratio": 0.021, "p90_error_ratio": 0.055, "covered_ratio": 0.9}
    text = calibration_text(calibration(**figures, naive_median_error_ratio=0.12))
    assert "median 2.1 %" in text
    assert "mean of the others: 12.0 %" in text
    assert "the 90 % interval held 0 of 0" in text
    assert (
        calibration_text(calibration(reason="one drive alone"))
        == "Error on drives left out: not shown, one drive alone."
    )


@pytest.mark.parametrize(
    ("units", "speed", "payload", "ambient", "called"),
    [
        ("us", "55", "300 lb", "50", "asked: 55 mph, 50 °F, 300 lb payload"),
        ("metric", "90", "140", "10", "asked: 90 km/h, 10 °C, 140 kg payload"),
        ("us", "90 km/h", "140 kg", "10 °C", "asked: 90 km/h, 10 °C, 140 kg payload"),
    ],
)
def test_a_bare_number_is_taken_in_the_readers_own_unit_and_said_with_it(
    folder, capsys, units, speed, payload, ambient, called
):
    arguments = ["--speed", speed, "--payload", payload, "--ambient", ambient, "--units", units]
    code, out, _ = run(capsys, "range", "-b", folder, *arguments)
    assert code == 0
    assert called in " ".join(out.split())
    asked = json.loads(run(capsys, "range", "-b", folder, *arguments, "--json")[1])["prediction"]["scenarios"][-1]
    assert asked["mean_speed_m_per_s"] == pytest.approx(25.0 if units == "metric" or "km" in speed else 24.5872)
    assert asked["payload_kg"] == pytest.approx(140.0 if units == "metric" or "kg" in payload else 136.0777, abs=1e-3)
    assert asked["ambient_temperature_degc"] == pytest.approx(10.0)
