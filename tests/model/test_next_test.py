from dataclasses import replace

import numpy as np
import pytest

from logan.instruments.posterior import known_instruments
from logan.model.estimator import fit, with_drag_model_term
from logan.model.fit_result import DRAG_MODEL_SIGMA_RATIO
from logan.model.measurement import Measurement, MeasurementKind
from logan.model.next_test import covariance_after, rank_next_tests
from logan.model.priors import prior_of
from logan.model.sensor_errors import with_sensor_errors
from logan.model.unknowns import SHARED_COUNT, At
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.model.synthetic_segments import drive_of, shared_truth

HIGHWAY = np.array([0.28, 0.70, 0.28, -0.97, 0.0, 0.02, *np.zeros(SHARED_COUNT - 6)])
"""Elasticities of steady 65 mph of a boxy vehicle, about."""


@pytest.fixture(scope="module")
def build():
    return example_build()


def ranked(build, drives=(), measurements=(), target=HIGHWAY):
    return rank_next_tests(fit(prior_of(build), drives, measurements, build), target, build).candidates


def test_a_candidate_never_widens_and_the_best_comes_first(build):
    candidates = ranked(build)
    gains = [candidate.gain_m_per_h for candidate in candidates]
    assert gains == sorted(gains, reverse=True)
    assert all(-1e-9 <= candidate.gain_ratio < 1.0 for candidate in candidates)
    assert candidates[0].how


def test_for_the_highway_steady_driving_beats_the_truck_scale(build):
    order = [candidate.name for candidate in ranked(build)]
    weighed = next(name for name in order if "truck scale" in name)
    steady = next(name for name in order if name.startswith("30 min at a steady"))
    assert order.index(steady) < order.index(weighed)


def test_a_target_that_hangs_on_auxiliaries_asks_for_standstill(build):
    target = np.eye(SHARED_COUNT)[At.AUXILIARY]
    assert "standstill" in ranked(build, target=target)[0].name


def test_doing_the_test_gives_what_was_promised(build):
    prior = prior_of(build)
    vague = Measurement(kind=MeasurementKind.MASS, value=prior.median[0], sigma=1e5, source="says nothing")
    before = next(row for row in ranked(build, measurements=[vague]) if "truck scale" in row.name)
    weighed = Measurement(kind=MeasurementKind.MASS, value=prior.median[0], sigma=0.005 * prior.median[0], source="w")
    after = fit(prior, [], [weighed], build).shared_covariance
    usable = np.log1p((build.pack.usable_energy_wh.sigma / build.pack.usable_energy_wh.value) ** 2)
    assert before.sigma_after_ratio == pytest.approx(np.sqrt(HIGHWAY @ after @ HIGHWAY + usable), rel=1e-3)


def test_a_pack_that_is_hardly_known_asks_for_a_run_from_full_to_empty(build):
    pack = replace(build.pack, usable_energy_wh=PlanningValue(57_000.0, 9_000.0))
    best = max(ranked(replace(build, pack=pack)), key=lambda candidate: candidate.gain_m)
    assert best.name == "a run from full to empty"


def test_after_drives_the_current_sensor_is_worth_a_clamp_meter(build):
    """Drives never learn its gain: the more of them, the more of what is left it is."""
    drives = [drive_of(shared_truth(), np.random.default_rng(seed), noise_j=1e4) for seed in range(6)]
    result = fit(prior_of(build), drives, (), build)
    known = with_sensor_errors(result, known_instruments(build), build)
    order = {test.name: test for test in rank_next_tests(known, HIGHWAY, build, range_m=200_000.0).candidates}
    clamp, again = order["clamp meter on the pack cable"], order["one more drive like those so far"]
    assert clamp.gain_m > again.gain_m > 0.0


def test_one_more_drive_is_offered_once_there_are_drives(build):
    drives = [drive_of(shared_truth(), np.random.default_rng(4), noise_j=1e4)]
    assert any("one more drive" in candidate.name for candidate in ranked(build, drives))
    assert not any("one more drive" in candidate.name for candidate in ranked(build))


def test_covariance_after_is_the_inverse_of_the_added_information():
    rng = np.random.default_rng(1)
    root, rows = rng.normal(size=(6, 9)), rng.normal(size=(3, 6))
    before = root @ root.T
    expected = np.linalg.inv(np.linalg.inv(before) + rows.T @ rows)
    assert covariance_after(before, rows) == pytest.approx(expected, rel=1e-8)


def test_an_exact_parameter_stays_exact():
    before = np.diag([0.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    after = covariance_after(before, np.ones((1, 6)))
    assert after[0] == pytest.approx(np.zeros(6))


def test_what_the_model_cannot_know_of_drag_widens_predictions_and_is_promised_by_no_test(build):
    plain = fit(prior_of(build), [drive_of(shared_truth(), np.random.default_rng(4), noise_j=1e4)], [], build)
    carried = with_drag_model_term(plain)
    added = carried.posterior.log_covariance - plain.posterior.log_covariance
    assert added[At.DRAG, At.DRAG] == pytest.approx(DRAG_MODEL_SIGMA_RATIO**2)
    assert np.count_nonzero(added) == 1
    gains = [[row.gain_m for row in rank_next_tests(found, HIGHWAY, build).candidates] for found in (carried, plain)]
    assert gains[0] == pytest.approx(gains[1], rel=1e-9)
    unfitted = fit(prior_of(build), [], [], build)
    assert with_drag_model_term(unfitted) is unfitted


def test_noting_the_wind_buys_what_a_day_strays_by_it_on_the_targets_own_road(build):
    """A station's wind leaves half of it, and so three quarters of its square is known."""
    found = fit(prior_of(build), [drive_of(shared_truth(), np.random.default_rng(4), noise_j=1e4)], [], build)
    combined_m, range_m = 30_000.0, 200_000.0

    def gain_m(wind):
        tests = rank_next_tests(
            found, HIGHWAY, build, range_m=range_m, combined_sigma_m=combined_m, wind_log_sigma=wind
        ).candidates
        return {test.noted: test.gain_m for test in tests if test.noted}

    none, windy, left_m = gain_m(0.0), gain_m(0.04), np.sqrt(combined_m**2 - 0.75 * (0.04 * range_m) ** 2)
    assert none["wind"] == pytest.approx(0.0, abs=1e-6)
    assert windy["wind"] == pytest.approx(2.0 * 1.2816 * (combined_m - left_m), rel=1e-4)
    assert windy["payload"] == pytest.approx(none["payload"]) != windy["wind"]
