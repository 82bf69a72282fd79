import json
import shutil
from types import SimpleNamespace

import pytest

from logan.cli.fit_command import sensor_lines
from logan.cli.main import main
from logan.cli.range_command import noted_text
from logan.model.next_test import CandidateTest, NextTests
from logan.model.shaft import ShaftSplit
from logan.results import Estimate
from logan.units import DisplayUnits
from tests.pipeline.twin_fleet import store_fleet


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    """A vehicle with four stored drives."""
    root = store_fleet(tmp_path_factory.mktemp("fleet"), vehicles=1, drives=4, duration_s=420.0)
    return root / "van-001"


@pytest.fixture(scope="module")
def one_drive(tmp_path_factory):
    return store_fleet(tmp_path_factory.mktemp("single"), vehicles=1, drives=1, duration_s=420.0) / "van-001"


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_fit_shows_plan_and_fit_plain_words_calibration_and_the_next_test(build, capsys):
    code, out, _ = run(capsys, "fit", "-b", build, "--full")
    assert code == 0
    for words in ("Fit of 4 drives", "learned", "can't tell", "day factor", "What to do next", "Best: "):
        assert words in out
    assert "Error on drives left out, each of 4 predicted from the others: median" in " ".join(out.split())
    assert "Sensors, shared by all drives: pack power ±" in out
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_fit_as_json_carries_the_posterior_calibration_and_expected_gains(build, capsys):
    content = json.loads(run(capsys, "fit", "-b", build, "--json")[1])
    assert content["schema"] == "build-fit/1"
    report = content["report"]
    assert report["fit"]["drive_count"] == 4
    assert len(report["calibration"]["drives"]) == 4
    assert all(0.0 <= test["gain_ratio"] <= 1.0 for test in content["next_tests"]["candidates"])
    assert set(report["fit"]["statements"]) <= set(report["fit"]["warnings"])


def test_a_weighbridge_enters_the_fit(build, capsys, tmp_path):
    weighed = shutil.copytree(build, tmp_path / "weighed")
    (weighed / "measurements.toml").write_text(
        '[[measurement]]\nkind = "mass"\nvalue = "1700 kg ± 5 kg"\nsource = "truck scale"\n', encoding="utf-8"
    )
    before, after = (json.loads(run(capsys, "fit", "-b", folder, "--json")[1]) for folder in (build, weighed))
    learned = [content["report"]["fit"]["learned_ratio"][0] for content in (before, after)]
    assert learned[1] < 0.3 * learned[0]
    assert after["report"]["fit"]["measurements"][0]["source"] == "truck scale"
    assert "truck scale" not in " ".join(after["report"]["fit"]["warnings"])


def test_weighings_that_contradict_each_other_are_named_where_the_range_stands(build, capsys, tmp_path):
    """1700 and 2700 kg, ± 1 kg each, once gave a confident range without a word."""
    folder = shutil.copytree(build, tmp_path / "weighed")
    (folder / "measurements.toml").write_text(
        "\n".join(
            f'[[measurement]]\nkind = "mass"\nvalue = "{one} kg ± 1 kg"\nsource = "scale {one}"\n'
            for one in (1700, 2700)
        ),
        encoding="utf-8",
    )
    for command in ("fit", "range"):
        out = " ".join(run(capsys, command, "-b", folder)[1].split())
        for one in (1700, 2700):
            assert f"the measured weight (scale {one}) lies" in out, command


@pytest.mark.parametrize("is_full", [False, True])
def test_a_drive_says_when_its_figures_are_by_the_plan_until_a_fit_of_this_logan_is_kept(
    build, capsys, monkeypatch, tmp_path, is_full
):
    """After an update of logan, or a load noted on a drive, the kept fit holds no more; a move, or words, change none.

    Figure and advice stand together on every face: terminal, JSON, the drive's report.
    """
    full = ["--full"] if is_full else []
    advice = "plan (logan fit, then logan drive N give it by the drives)"
    warning = f"Regen 3 to 8 and ledger are by {advice}."

    def shown(folder=build, *options):
        return " ".join(run(capsys, "drive", "1", "-b", folder, *full, *options)[1].split())

    run(capsys, "fit", "-b", build)
    fitted = shown()
    assert warning not in fitted
    assert "by fit of 4 drives" in fitted
    monkeypatch.setattr("logan.pipeline.refine._LAST", {})
    assert shown(shutil.copytree(build, tmp_path / "moved")) == fitted
    monkeypatch.setattr("logan.pipeline.refine.science_edition", lambda: "another")
    monkeypatch.setattr("logan.pipeline.refine._LAST", {})
    assert warning in shown()
    assert "by fit of" not in shown()
    run(capsys, "fit", "-b", build)
    assert shown() == fitted
    assert "change: radio; found" in shown(build, "--note", "found", "--change", "radio")
    assert warning not in shown()
    shown(build, "--payload", "40 lb")
    run(capsys, "fit", "-b", build)
    assert warning not in shown(build, "--payload", "40 pounds")  # the same in other words
    assert warning in shown(build, "--payload", "60 lb")  # by the very command that noted it
    analysis = json.loads(run(capsys, "drive", "1", "-b", build, "--json")[1])["analysis"]
    assert analysis["regen"]["basis_told"] == advice
    assert analysis["ledger"]["notes"][0] == f"wheel work and losses by {advice}"
    page = tmp_path / "drive.html"
    assert run(capsys, "report", "--drive", "1", "--out", page, "-b", build)[0] == 0
    text = page.read_text(encoding="utf-8")
    assert f"3 to 8 by {advice}" in text
    assert f"heel work and losses by {advice}" in text
    shown(build, "--payload", "0 lb", "--note", "", "--change", "")


def test_range_stands_beside_the_plan_with_its_reasons_and_calibration(build, capsys):
    code, out, _ = run(capsys, "range", "-b", build)
    assert code == 0
    for words in (
        "Refined by 4 drives",
        "Plan / refined",
        "Why 'highway 65' moved",
        "Error on drives left out",
    ):
        assert words in out
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_that_road_again_in_the_cold_with_a_rack_and_a_load(build, capsys):
    content = {}
    asked = {"as driven": (), "loaded": ("--ambient", "20 °F", "--drag", "1.15", "--payload", "300 lb")}
    for name, options in asked.items():
        code, out, _ = run(capsys, "range", "-b", build, "--replay", "2", "--name", name, "--json", *options)
        assert code == 0
        content[name] = json.loads(out)["refined"]["scenarios"][-1]
    loaded = content["loaded"]
    assert loaded["name"] == "loaded"
    assert loaded["ambient_temperature_degc"] == pytest.approx(-6.667, abs=1e-3)
    assert loaded["payload_kg"] == pytest.approx(136.08, abs=0.01)
    assert loaded["is_extrapolated"]
    assert "colder than was driven" in loaded["note"]
    driven = content["as driven"]
    for part in ("air", "rolling", "cabin_climate"):
        assert loaded["breakdown"][f"{part}_wh_per_km"][0] > driven["breakdown"][f"{part}_wh_per_km"][0]
    assert loaded["range_m"]["p50"] < driven["range_m"]["p50"]


def test_a_drive_that_does_not_exist_cannot_be_replayed(build, capsys):
    code, out, err = run(capsys, "range", "-b", build, "--replay", "9")
    assert code == 2
    assert "9" in err
    assert "Traceback" not in out + err


def test_one_drive_is_prior_dominated_in_those_words(one_drive, capsys):
    for command in ("fit", "range"):
        code, out, _ = run(capsys, command, "-b", one_drive)
        assert code == 0
        assert "Mostly your plan: too few drives" in " ".join(out.split())
    content = json.loads(run(capsys, "range", "-b", one_drive, "--json")[1])
    assert content["refined"]["is_prior_dominated"]
    assert "mostly your plan" in content["refined"]["note"]


def test_effect_gives_the_difference_with_its_interval(build, capsys):
    code, out, _ = run(capsys, "effect", "-b", build, "--before", "1,2", "--after", "3,4")
    assert code == 0
    text = " ".join(out.split())
    assert "90 % interval" in text
    assert "noise" in text
    assert "Before: drives 1, 2; after: drives 3, 4." in text
    content = json.loads(run(capsys, "effect", "-b", build, "--before", "1,2", "--after", "3,4", "--json")[1])
    assert content["schema"] == "modification-effect/1"
    assert content["interval_low_ratio"] < content["change"]["value"] < content["interval_high_ratio"]


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        ("1,2", "2,3", "named on both sides"),
        ("1", "2", "can't tell a change from that day's wind"),
        ("1,2", "9", "9"),
        ("", "2", "before"),
    ],
)
def test_an_effect_that_cannot_be_told_is_exit_code_2(build, capsys, before, after, problem):
    code, out, err = run(capsys, "effect", "-b", build, "--before", before, "--after", after)
    assert code == 2
    assert problem in err
    assert "Traceback" not in out + err


def test_gearing_of_a_driven_build_says_what_is_continuous(build, capsys):
    code, out, _ = run(capsys, "gearing", "-b", build)
    assert code == 0
    assert "continuous (S1)" in out
    assert "By the fit of" in out
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_gearing_follows_the_drives_unless_the_plan_alone_is_asked_for(build, capsys):
    def hill_w(*options):
        sheet = json.loads(run(capsys, "gearing", "-b", build, "--json", *options)[1])
        return sheet["choices"][0]["hill_battery_power_w"], sheet["basis"]

    planned, basis = hill_w("--planned")
    assert basis == "the plan"
    fitted, basis = hill_w()
    assert basis.startswith("the fit of ")
    assert fitted == pytest.approx(planned, rel=0.3)
    assert fitted != planned


@pytest.mark.parametrize(
    ("before_wh", "behind_wh", "words"),
    [
        (300.0, 100.0, "of what is lost while driving, 75 % stays in them."),
        (560.0, -60.0, "tell no split of the losses."),
    ],
)
def test_a_split_of_losses_that_torque_contradicts_is_not_told(before_wh, behind_wh, words):
    """ "112 % stays in inverter and motor, the rest behind the shaft" once stood there, beside "± 0.000"."""
    gain = Estimate(1.0, "ratio", 0.01)
    known = SimpleNamespace(power_gain=gain, of=lambda name: gain, applied={}, notes=())
    shaft = ShaftSplit(torque_scale=Estimate(1.036, "ratio", 2e-4), before_wh=before_wh, behind_wh=behind_wh)
    line = sensor_lines(SimpleNamespace(sensors=SimpleNamespace(instruments=known), shaft=shaft))[-1]
    assert line.startswith(
        "Torque as logged is 1.0360 ± 0.0002 of the true one, where inverter and motor lose the same"
    )
    assert line.endswith(words)


def test_what_noting_a_load_would_give_is_said_once():
    """As the best next test, or as what a noted load or wind gives; not as both."""

    def test(noted, gain_m):
        return CandidateTest(
            name="each day", sigma_before_ratio=0.1, sigma_after_ratio=0.09, how="note it", gain_m=gain_m, noted=noted
        )

    tests = NextTests(candidates=(test("payload", 1500.0), test("wind", 800.0), test("", 5000.0)), width_m=20_000.0)
    units = DisplayUnits.parse("metric")
    assert noted_text(tests, units) == "Payload noted: 1.5 km narrower; wind noted: 0.8 km narrower."
    assert noted_text(tests, units, told="payload") == "Wind noted: 0.8 km narrower."
    assert noted_text(NextTests(candidates=tests.candidates[:1]), units, told="payload") == ""
