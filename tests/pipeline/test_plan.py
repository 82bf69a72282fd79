import dataclasses
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from logan.errors import ConfigurationError
from logan.pipeline.plan import (
    build_fingerprint,
    make_gearing_sheet,
    make_plan,
)
from logan.pipeline.plan_files import _seal_of, freeze_plan, frozen_plans, latest_plan, load_plan
from logan.results import json_ready
from logan.settings import Scenario, ScenarioKind
from tests.builds import example_build

NOON = datetime(2026, 4, 30, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def plan():
    return make_plan(example_build(), np.random.default_rng(1), now=NOON)


def test_a_plan_answers_every_question_of_planning(plan):
    build = example_build()
    assert [scenario.name for scenario in plan.prediction.scenarios] == [s.name for s in build.scenarios]
    assert [size.confidence_ratio for size in plan.sizing.sizes] == [0.5, 0.8, 0.9]
    assert plan.budget.quantity == f"range, {build.target.scenario}"
    assert len(plan.gearing.choices) == 2
    assert plan.created_at == "2026-04-30T12:00:00+00:00"
    assert plan.left_out == ()


def test_every_assumption_names_its_source(plan):
    assert {assumed.name for assumed in plan.assumptions} >= {"mass_kg", "drag_area_m2", "usable_energy_wh"}
    assert all(assumed.source for assumed in plan.assumptions)


def test_a_frozen_plan_comes_back_equal(plan, tmp_path):
    path = freeze_plan(plan, tmp_path / "plans")
    assert path.name == "plan-2026-04-30.json"
    assert json_ready(load_plan(path)) == json_ready(plan)


def test_a_plan_that_an_earlier_version_froze_is_still_read():
    old = load_plan(Path(__file__).resolve().parents[2] / "fixtures" / "plans" / "plan-2026-11-29.json")
    assert old.gearing.choices
    assert old.prediction.scenarios[0].name == "highway 65"


def test_a_frozen_plan_is_never_overwritten(plan, tmp_path):
    first = freeze_plan(plan, tmp_path)
    content = first.read_bytes()
    names = [freeze_plan(plan, tmp_path).name for _ in range(10)]
    assert names[0] == "plan-2026-04-30-2.json"
    assert first.read_bytes() == content
    later = dataclasses.replace(plan, created_at="2026-05-01T00:00:00+00:00", build_name="later")
    freeze_plan(later, tmp_path)
    assert [path.name for path in frozen_plans(tmp_path)][-2:] == ["plan-2026-04-30-11.json", "plan-2026-05-01.json"]
    assert latest_plan(tmp_path).build_name == "later"


def test_without_a_frozen_plan_there_is_none(tmp_path):
    assert latest_plan(tmp_path / "nowhere") is None


@pytest.mark.parametrize(
    "text", ["", "not json", "[]", "{}", '{"schema": "plan/999"}', '{"schema": "plan/1", "build_name": 7}']
)
def test_a_file_that_is_no_plan_is_refused_in_one_line(tmp_path, text):
    path = tmp_path / "plan-2026-01-01.json"
    path.write_text(text)
    with pytest.raises(ConfigurationError, match="not a plan") as caught:
        load_plan(path)
    assert "\n" not in str(caught.value)


def test_a_field_of_the_wrong_kind_is_refused(plan, tmp_path):
    path = freeze_plan(plan, tmp_path)
    content = json.loads(path.read_text())
    content["plan"]["sizing"]["target_range_m"] = "much"
    sealed(path, content["plan"])
    with pytest.raises(ConfigurationError, match="target_range_m needs a number"):
        load_plan(path)


def sealed(path, content):
    path.write_text(json.dumps({"sha256": _seal_of(content), "plan": content}))


def test_a_plan_that_was_changed_is_refused_by_name(plan, tmp_path):
    path = freeze_plan(plan, tmp_path)
    path.write_text(path.read_text().replace('"reserve_ratio": 0.1', '"reserve_ratio": 0.0'))
    text = path.read_text()
    path.write_text(text.replace(f'"build_name": "{plan.build_name}"', '"build_name": "other"'))
    with pytest.raises(ConfigurationError, match="changed after it was frozen") as caught:
        load_plan(path)
    assert path.name in str(caught.value)


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        (("parameters", "log_mean", 3), 0.2, "drive_efficiency_ratio of 1.22"),
        (("usable", "energy_wh"), -1.0, "usable energy of -1 Wh"),
        (("parameters", "log_covariance", 0, 0), -0.1, "contradict each other"),
        (("parameters", "log_covariance", 2, 2), 1e308, "contradict each other"),
    ],
)
def test_a_plan_that_no_vehicle_can_have_is_refused_by_name(plan, tmp_path, place, value, words):
    path = freeze_plan(plan, tmp_path)
    content = json.loads(path.read_text())["plan"]
    inner = content
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    sealed(path, content)
    with pytest.raises(ConfigurationError, match=words):
        load_plan(path)


def test_a_missing_plan_is_refused(tmp_path):
    with pytest.raises(ConfigurationError, match="cannot be read"):
        load_plan(tmp_path / "plan-2026-01-01.json")


def test_a_folder_that_is_a_file_is_refused(plan, tmp_path):
    (tmp_path / "plans").write_text("")
    with pytest.raises(ConfigurationError, match="cannot be written"):
        freeze_plan(plan, tmp_path / "plans")


def test_the_fingerprint_follows_what_a_prediction_rests_on():
    build = example_build()
    names = {scenario.name for scenario in build.scenarios}
    same = build_fingerprint(dataclasses.replace(build, keep_logs=True, name="renamed"), names)
    assert same == build_fingerprint(build, names)
    retyped = dataclasses.replace(build.vehicle, mass_kg=dataclasses.replace(build.vehicle.mass_kg, typed="1.6 t"))
    assert same == build_fingerprint(dataclasses.replace(build, vehicle=retyped), names)
    heavier = dataclasses.replace(build.vehicle.mass_kg, value=1900.0)
    changed = dataclasses.replace(build, vehicle=dataclasses.replace(build.vehicle, mass_kg=heavier))
    assert build_fingerprint(changed, names) != same
    more = Scenario(name="more", kind=ScenarioKind.STEADY, speed_m_per_s=10.0)
    assert build_fingerprint(dataclasses.replace(build, scenarios=(*build.scenarios, more)), names) == same


def test_a_replay_waits_for_its_drive_and_so_does_a_mix_with_it():
    build = example_build()
    again = Scenario(name="again", kind=ScenarioKind.REPLAY, drive="3")
    both = Scenario(name="both", kind=ScenarioKind.MIX, parts={"city": 0.5, "again": 0.5})
    plan = make_plan(
        dataclasses.replace(build, scenarios=(*build.scenarios, again, both)), np.random.default_rng(1), now=NOON
    )
    assert [scenario.name for scenario in plan.prediction.scenarios] == [s.name for s in build.scenarios]
    assert [reason.split(":")[0] for reason in plan.left_out] == ["again", "both"]


def test_a_route_is_read_from_its_file(tmp_path):
    points = "".join(f'<trkpt lat="{45 + 0.001 * index:.4f}" lon="7.0"><ele>300</ele></trkpt>' for index in range(50))
    path = tmp_path / "pass.gpx"
    path.write_text(f'<gpx version="1.1" creator="t"><trk><trkseg>{points}</trkseg></trk></gpx>')
    build = example_build()
    route = Scenario(name="pass", kind=ScenarioKind.ROUTE, route=path, speed_m_per_s=20.0)
    plan = make_plan(
        dataclasses.replace(build, scenarios=(*build.scenarios, route)), np.random.default_rng(1), now=NOON
    )
    assert plan.prediction.scenario("pass").kind == "route"


def test_a_target_that_is_no_scenario_is_refused():
    build = example_build()
    lost = dataclasses.replace(build, target=dataclasses.replace(build.target, scenario="nowhere"))
    with pytest.raises(ConfigurationError, match="target's scenario 'nowhere'"):
        make_plan(lost, np.random.default_rng(1))


def test_the_gearing_sheet_lists_the_chain_in_the_vehicle_first():
    sheet = make_gearing_sheet(example_build())
    assert [choice.name for choice in sheet.choices] == ["drive unit", "kept axle"]
