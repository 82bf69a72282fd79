"""The demo keeps its promise: the drives find out what the plan got wrong."""

from __future__ import annotations

import pytest

from logan.pipeline.demo_run import run_demo
from logan.pipeline.plan_files import frozen_plans

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    steps: list[str] = []
    made = run_demo(tmp_path_factory.mktemp("demo") / "logan-demo", told=steps.append)
    assert [step[:3] for step in steps if step[0].isdigit()] == ["1/6", "2/6", "3/6", "4/6", "5/6", "6/6"]
    return made


def test_the_refined_prediction_finds_the_truth_that_the_plan_missed(outcome):
    assert abs(outcome.planned_wh_per_km / outcome.true_wh_per_km - 1.0) > 0.10
    assert outcome.refined_wh_per_km == pytest.approx(outcome.true_wh_per_km, rel=0.02)
    refined = outcome.refinement.range.refined.scenario("highway 65").consumption
    assert refined.p05 <= outcome.true_wh_per_km <= refined.p95


def test_the_chance_of_the_target_falls_with_what_was_learned(outcome):
    planned, refined = outcome.refinement.range.planned.target, outcome.refinement.range.refined.target
    assert refined.probability_of_target < planned.probability_of_target


def test_six_drives_a_frozen_plan_and_a_report_are_left_behind(outcome):
    assert [drive.record.number for drive in outcome.imported] == [1, 2, 3, 4, 5, 6]
    assert len(frozen_plans(outcome.folder.plans)) == 1
    assert outcome.report == outcome.folder.path / "report.html"
    assert outcome.report.stat().st_size < 6_000_000


def test_the_demo_may_be_run_again_and_imports_nothing_twice(outcome):
    again = run_demo(outcome.folder.path, told=lambda words: None)
    assert all(drive.was_there for drive in again.imported)
    assert len(frozen_plans(outcome.folder.plans)) == 1
