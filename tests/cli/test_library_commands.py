from __future__ import annotations

import csv
import json
import shutil
import zipfile

import pytest

from logan.cli.main import main
from tests.pipeline.twin_fleet import store_fleet


@pytest.fixture(scope="module")
def kit(tmp_path_factory):
    """Two vehicles with two drives each."""
    return store_fleet(tmp_path_factory.mktemp("kit"), vehicles=2, drives=2, duration_s=300.0)


@pytest.fixture(scope="module")
def build(kit):
    return kit / "van-001"


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_trend_lists_metrics_and_shows_one_within_eighty_columns(build, capsys):
    assert "net consumption, net energy" in " ".join(run(capsys, "trend", "-b", build)[1].split())
    code, out, _ = run(capsys, "trend", "net-consumption", "-b", build)
    assert code == 0
    assert "Wh/mi" in out
    assert "90 % interval" in out
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    assert "Wh/km" in run(capsys, "trend", "net_wh_per_km", "-b", build, "--units", "km,C")[1]


def test_trend_as_json_and_of_an_unknown_metric(build, capsys):
    content = json.loads(run(capsys, "trend", "net_wh_per_km", "-b", build, "--json")[1])
    assert content["schema"] == "trend/1"
    assert [point["number"] for point in content["points"]] == [1, 2]
    code, _, err = run(capsys, "trend", "net_wh_per_kn", "-b", build)
    assert code == 2
    assert "net_wh_per_km" in err


def test_what_differed_between_two_drives_adds_up_on_the_page(build, capsys):
    code, out, _ = run(capsys, "compare", "1", "2", "-b", build)
    assert code == 0
    for word in ("speed", "driving", "hills", "weather", "not explained", "air density"):
        assert word in out
    assert "-0" not in out.split()
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    content = json.loads(run(capsys, "compare", "1", "2", "-b", build, "--json")[1])
    total = sum(part["effect_wh_per_km"]["value"] for part in content["parts"])
    whole = content["difference_wh_per_km"]["value"]
    assert total + content["unexplained_wh_per_km"]["value"] == pytest.approx(whole)


def test_one_drive_is_compared_with_the_plan_alone(build, capsys):
    everything = json.loads(run(capsys, "compare", "-b", build, "--json")[1])
    alone = json.loads(run(capsys, "compare", "2", "-b", build, "--json")[1])
    assert [line["drive_id"] for line in everything["drives"]] == ["1", "2"]
    assert alone["drives"] == everything["drives"][1:]


def test_a_drive_is_predicted_from_a_fit_of_another(build, capsys):
    code, out, _ = run(capsys, "compare", "--fit-on", "1", "-b", build)
    assert code == 0
    assert "fit has not seen" in out
    named = json.loads(run(capsys, "compare", "--fit-on", "1", "--predict", "2", "-b", build, "--json")[1])
    assert [row["drive_id"] for row in named["drives"]] == ["2"]


def test_a_roof_rack_is_noted_and_changes_what_the_drive_is_compared_with(build, capsys):
    planned = [json.loads(run(capsys, "compare", "2", "-b", build, "--json")[1])["drives"][0]["planned"]["value"]]
    assert run(capsys, "drive", "2", "-b", build, "--drag-factor", "5")[0] == 2
    assert "drag x 1.15" in run(capsys, "drive", "2", "-b", build, "--drag-factor", "1.15")[1]
    planned += [json.loads(run(capsys, "compare", "2", "-b", build, "--json")[1])["drives"][0]["planned"]["value"]]
    assert "drag x 1.15" in " ".join(run(capsys, "fit", "--full", "-b", build)[1].split())
    run(capsys, "drive", "2", "-b", build, "--drag-factor", "1")
    assert 1.02 < planned[1] / planned[0] < 1.15


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("1", "2", "3"), "3 drives cannot be compared"),
        (("1", "999"), "no drive '999'"),
        (("999",), "no drive '999'"),
        (("1", "1"), "does not differ from itself"),
        (("1", "2", "--plan", "x.json"), "not with a plan"),
        (("--predict", "2"), "goes with --fit-on"),
        (("--fit-on", "1", "--predict", "1-2"), "fitted and predicted"),
        (("--fit-on", "1-3"), "no drive '3'"),
    ],
)
def test_a_comparison_that_makes_no_sense_is_refused(build, capsys, arguments, problem):
    code, out, err = run(capsys, "compare", *arguments, "-b", build)
    assert (code, out) == (2, "")
    assert problem in err


def test_exports_are_written(build, capsys, tmp_path):
    assert (
        run(capsys, "export", "channels", "1", tmp_path / "c.csv", "-b", build, "-c", "speed", "--every", "1")[0] == 0
    )
    assert (tmp_path / "c.csv").read_text().startswith("time_s,speed [m/s]\n")
    assert run(capsys, "export", "metrics", tmp_path / "m.csv", "-b", build, "--long")[0] == 0
    with (tmp_path / "m.csv").open(newline="") as stream:
        assert {row["drive"] for row in csv.DictReader(stream)} == {"1", "2"}
    assert run(capsys, "export", "bundle", tmp_path / "b.zip", "2", "-b", build, "--keep-route")[0] == 0
    with zipfile.ZipFile(tmp_path / "b.zip") as bundle:
        assert sum(name.endswith(".parquet") for name in bundle.namelist()) == 1
        assert b"within 200 m" in bundle.read("README.txt")


def test_a_clip_without_a_route_is_refused(build, capsys, tmp_path):
    code, _, err = run(capsys, "export", "bundle", tmp_path / "b.zip", "-b", build, "--clip", "500")
    assert code == 2
    assert "--keep-route" in err


def test_check_rebuild_and_remove(build, capsys, tmp_path):
    copy = shutil.copytree(build, tmp_path / "van")
    assert run(capsys, "library", "check", "-b", copy)[:2] == (0, "whole: 2 drives, 0 frame files, 0 logs\n")
    assert run(capsys, "library", "rebuild", "-b", copy)[1] == "index made again: 2 drives\n"
    assert run(capsys, "library", "remove", "1", "-b", copy, "--yes")[1] == "removed drive 1\n"
    path = next((copy / "drives").glob("0002-*.parquet"))
    path.write_bytes(path.read_bytes()[:1000])
    code, out, _ = run(capsys, "library", "check", "-b", copy)
    assert code == 2
    assert "damaged" in out
    assert json.loads(run(capsys, "library", "check", "-b", copy, "--json")[1])["damage"][0]["file"] == path.name


def test_a_fleet_is_fitted_and_its_table_written(kit, capsys, tmp_path):
    code, out, _ = run(capsys, "fleet", "report", kit, tmp_path / "f.csv", "--processes", "1")
    assert code == 0
    for word in ("van-001", "van-002", "drag_area_m2", "road load vs kit"):
        assert word in out
    with (tmp_path / "f.csv").open(newline="") as stream:
        assert [row["vehicle"] for row in csv.DictReader(stream)] == ["van-001", "van-002"]
    content = json.loads(run(capsys, "fleet", "fit", kit, "--processes", "1", "--json")[1])
    assert content["schema"] == "fleet-fit/1"


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("report", "KIT", "f.xlsx"), "no format that can be written"),
        (("report", "KIT", "nowhere/f.csv"), "no such folder"),
        (("fit", "KIT", "--cluster", "nonsense"), "no address of a scheduler"),
        (("fit", "nosuch://kit"), "no address of a fleet"),
        (("fit", "KIT/van-001"), "no vehicle lies at"),
    ],
)
def test_a_fleet_that_cannot_be_done_is_refused_before_any_work(kit, capsys, arguments, problem):
    code, out, err = run(capsys, "fleet", *(text.replace("KIT", str(kit)) for text in arguments))
    assert (code, out) == (2, "")
    assert problem in err


def test_a_fleet_import_says_what_failed(kit, capsys, tmp_path):
    copy = shutil.copytree(kit, tmp_path / "kit")
    (copy / "van-002" / "logs").mkdir()
    (copy / "van-002" / "logs" / "a.log").write_text("no log\n")
    code, out, _ = run(capsys, "fleet", "import", copy, "--processes", "1")
    assert code == 2
    assert "imported 0 logs; 0 were there; 1 failed" in out
    assert "logs/a.log" in out
