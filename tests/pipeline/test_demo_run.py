"""The demo keeps its promise: the drives find out what the plan got wrong."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logan.cli.demo_command import _show
from logan.pipeline.demo_run import run_demo
from logan.pipeline.plan_files import frozen_plans
from logan.units import wh_per_mi_from_wh_per_km
from tests.cli.test_golden import GOLDEN, assert_golden

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    steps: list[str] = []
    made = run_demo(tmp_path_factory.mktemp("demo") / "logan-demo", told=steps.append)
    assert [step[:3] for step in steps if step[0].isdigit()] == ["1/6", "2/6", "3/6", "4/6", "5/6", "6/6"]
    return made


def test_the_refined_prediction_finds_the_truth_that_the_plan_missed(outcome):
    assert abs(outcome.planned_wh_per_km / outcome.true_wh_per_km - 1.0) > 0.10
    # Its own standard uncertainty is near 3 %: one set of six drives need not come nearer.
    assert outcome.refined_wh_per_km == pytest.approx(outcome.true_wh_per_km, rel=0.03)
    refined = outcome.refinement.range.refined.scenario("highway 65").consumption
    assert refined.p05 <= outcome.true_wh_per_km <= refined.p95


def test_what_is_printed_is_what_its_golden_file_says(outcome, capsys):
    capsys.readouterr()
    _show(outcome)
    out = capsys.readouterr().out.replace(str(outcome.folder.path), "DEMO")
    assert_golden(out, GOLDEN / "us" / "demo.txt")


def test_the_chance_of_the_target_falls_with_what_was_learned(outcome):
    planned, refined = outcome.refinement.range.planned.target, outcome.refinement.range.refined.target
    assert refined.probability_of_target < planned.probability_of_target


def test_the_picture_in_the_readme_is_what_the_demo_answers(outcome):
    picture = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8").split("```")
    rows = {line.split(",")[0].split(" ")[0]: line for line in picture[1].splitlines() if line}
    planned, refined = outcome.refinement.range.planned, outcome.refinement.range.refined
    left, right = (rows["range"].index(mark) + 1 for mark in ("120", "180"))
    for row, found in (("plan", planned), ("after", refined)):
        mi = found.target.range_m
        assert int(re.search(r"(\d+) mi$", rows[row])[1]) == pytest.approx(mi.p50 / 1609.344, abs=5.0)
        # Where a mark stands in the line says miles too.
        marks = re.search("(·)-*(o)-*(·)", rows[row])
        drawn = [120.0 + 60.0 * (marks.start(group) - left) / (right - left) for group in (1, 2, 3)]
        assert drawn == pytest.approx([one / 1609.344 for one in (mi.p10, mi.p50, mi.p90)], abs=7.0)
    target, after, before = map(int, re.search(r"(\d+) mi: (\d+) % instead of (\d+) %", rows["target"]).groups())
    assert target == pytest.approx(refined.target_range_m / 1609.344, abs=1.0)
    chances = [100.0 * one.target.probability_of_target for one in (planned, refined)]
    assert [before, after] == pytest.approx(chances, abs=25.0)
    told = re.match(r"\s*(\d+) Wh/mi in the plan, (\d+) on the road", picture[2]).groups()
    used = [wh_per_mi_from_wh_per_km(one) for one in (outcome.planned_wh_per_km, outcome.refined_wh_per_km)]
    assert list(map(int, told)) == pytest.approx(used, abs=8.0)


def test_six_drives_a_frozen_plan_and_a_report_are_left_behind(outcome):
    assert [drive.record.number for drive in outcome.imported] == [1, 2, 3, 4, 5, 6]
    assert len(frozen_plans(outcome.folder.plans)) == 1
    assert outcome.report == outcome.folder.path / "report.html"
    assert outcome.report.stat().st_size < 6_000_000


def test_the_demo_may_be_run_again_and_imports_nothing_twice(outcome):
    again = run_demo(outcome.folder.path, told=lambda words: None)
    assert all(drive.was_there for drive in again.imported)
    assert len(frozen_plans(outcome.folder.plans)) == 1
