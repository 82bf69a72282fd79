import dataclasses
from math import erf, sqrt

import numpy as np
import pytest

from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.prediction import draw_samples, predict_range
from logan.driving_range.scenarios import prepare_scenarios
from logan.driving_range.sensitivity import Standpoint
from logan.driving_range.usable_energy import available_share_ratio
from logan.model.fit_result import DrivenHull
from logan.model.parameters import ParameterDistribution
from logan.model.priors import prior_of
from logan.results import json_ready
from logan.settings import Target
from tests.builds import MPH, example_build


def predicted(build=None, *, distribution=None, seed=1, **changes):
    build = build or example_build()
    scenarios = prepare_scenarios(build.scenarios, lambda scenario: load_cycle(scenario.cycle))
    alike = {"level_sigma": 0.05, "wind_sigma_m_per_s": 0.0, "auxiliary_sigma": 0.0} | changes
    known = dataclasses.replace(Standpoint.of_plan(build), **alike)
    known = dataclasses.replace(known, parameters=distribution or known.parameters)
    return predict_range(known, build, scenarios, rng=np.random.default_rng(seed))


def hull(**changes):
    return DrivenHull(
        **{
            "speed_low_m_per_s": 3.0,
            "speed_high_m_per_s": 31.0,
            "temperature_low_degc": 15.0,
            "temperature_high_degc": 25.0,
            "distance_m": 1e5,
            "duration_s": 6e3,
        }
        | changes
    )


def test_every_scenario_has_a_distribution_that_adds_up():
    found = predicted()
    assert [scenario.name for scenario in found.scenarios] == [s.name for s in example_build().scenarios]
    for scenario in found.scenarios:
        used, reach = scenario.consumption, scenario.range_m
        assert used.p05 < used.p10 < used.p50 < used.p90 < used.p95
        assert reach.p05 < reach.p10 < reach.p50 < reach.p90 < reach.p95
        share = available_share_ratio(example_build().target)
        assert reach.p50 == pytest.approx(share * scenario.usable_energy.p50 / used.p50 * 1000.0, rel=0.01)
        assert scenario.breakdown.total_wh_per_km[0] == pytest.approx(used.p50)


def test_speed_and_cold_shorten_the_range():
    found = predicted()
    steady, fast, cold = (found.scenario(name) for name in ("steady 45 mph", "steady 65 mph", "cold 65 mph"))
    assert steady.range_m.p50 > fast.range_m.p50 > cold.range_m.p50
    assert cold.usable_energy.p50 < fast.usable_energy.p50


def reach_probability(usable_wh, consumption_wh_per_km, range_m, *, consumption_log_sigma, usable_log_sigma):
    """Chance of a range where both are lognormal: Phi(ln(U / (E R)) / sqrt(s^2 + u^2)) with medians U and E."""
    margin = np.log(usable_wh / (consumption_wh_per_km * range_m / 1000.0))
    return 0.5 * (1.0 + erf(margin / np.hypot(consumption_log_sigma, usable_log_sigma) / sqrt(2.0)))


def test_counted_and_closed_form_chances_agree():
    target = example_build().target
    for one in predicted(seed=3).scenarios:
        closed = reach_probability(
            available_share_ratio(target) * one.usable_energy.p50, one.consumption.p50, target.range_m,
            consumption_log_sigma=one.consumption_log_sigma, usable_log_sigma=one.usable_log_sigma,
        )  # fmt: skip
        assert one.probability_of_target == pytest.approx(closed, abs=0.02)


def test_reserve_and_ageing_come_off_the_range():
    build = example_build()
    bare = dataclasses.replace(build, target=dataclasses.replace(build.target, reserve_ratio=0.0, ageing_ratio=0.0))
    with_both, without = predicted(build), predicted(bare)
    for kept, whole in zip(with_both.scenarios, without.scenarios, strict=True):
        assert kept.range_m.p50 == pytest.approx(0.9 * 0.95 * whole.range_m.p50)
    assert available_share_ratio(Target(range_m=1.0, scenario="x")) == 1.0


def test_beyond_what_was_driven_the_interval_widens_and_says_so():
    inside = predicted(driven=hull(temperature_low_degc=-10.0), drive_count=6)
    outside = predicted(driven=hull(speed_high_m_per_s=18.0), drive_count=6)
    fast, slow = outside.scenario("steady 65 mph"), outside.scenario("steady 45 mph")
    assert not any(scenario.is_extrapolated for scenario in inside.scenarios if scenario.name != "aggressive")
    assert fast.is_extrapolated
    assert fast.speed_beyond_m_per_s == pytest.approx(65 * MPH - 18.0)
    assert fast.note.startswith("faster than was driven")
    assert "widened" in fast.note
    assert fast.consumption_log_sigma > 1.15 * inside.scenario("steady 65 mph").consumption_log_sigma
    assert slow.consumption_log_sigma < fast.consumption_log_sigma
    cold = outside.scenario("cold 65 mph")
    assert cold.temperature_beyond_k == pytest.approx(-22.0)
    assert "colder than was driven" in cold.note


def test_one_drive_is_prior_dominated_in_those_words():
    one, many = predicted(driven=hull(), drive_count=1), predicted(driven=hull(), drive_count=5)
    assert one.is_prior_dominated
    assert one.note.startswith("mostly your plan")
    assert not many.is_prior_dominated
    assert many.note == ""
    assert (predicted().basis, many.basis) == ("plan", "fit")


def test_correlated_parameters_make_a_narrower_range_than_their_margins():
    build = example_build()
    prior = prior_of(build)
    covariance = prior.log_covariance.copy()
    covariance[1, 2] = covariance[2, 1] = -0.95 * np.sqrt(covariance[1, 1] * covariance[2, 2])
    fitted = ParameterDistribution(log_mean=prior.log_mean, log_covariance=covariance, sources=prior.sources)
    wide, narrow = predicted(), predicted(distribution=fitted)
    name = "steady 65 mph"
    assert narrow.scenario(name).consumption_log_sigma < 0.8 * wide.scenario(name).consumption_log_sigma


def test_the_same_seed_gives_the_same_answer_and_the_result_is_json():
    assert json_ready(predicted(seed=7)) == json_ready(predicted(seed=7))
    assert json_ready(predicted(seed=7)) != json_ready(predicted(seed=8))


def test_samples_of_which_no_day_is_asked_have_none():
    build = example_build()
    sure = ParameterDistribution(
        log_mean=prior_of(build).log_mean, log_covariance=np.zeros((6, 6)), sources=("example",) * 6
    )
    drawn = draw_samples(sure, build, 50, np.random.default_rng(1))
    assert drawn.parameters == pytest.approx(np.broadcast_to(sure.median, (50, 6)))
    assert not drawn.wind_m_per_s.any()


def test_target_is_found_by_name():
    found = predicted()
    assert found.target.name == "steady 65 mph"
    with pytest.raises(KeyError):
        found.scenario("nowhere")
