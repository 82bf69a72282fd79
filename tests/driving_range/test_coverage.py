from dataclasses import replace

import numpy as np
import pytest

from logan.driving_range import coverage
from logan.driving_range.coverage import leave_one_drive_out, predict_left_out
from logan.model.priors import prior_of
from logan.results import json_ready
from tests.builds import example_build
from tests.model.synthetic_segments import drive_of, shared_truth


@pytest.fixture(scope="module")
def build():
    return example_build()


def drives_of(count, spread=0.02, seed=3):
    rng = np.random.default_rng(seed)
    return [
        drive_of(
            shared_truth(),
            rng,
            drive_id=str(k),
            own=np.array([rng.normal(0.0, spread), rng.normal(0, 0.7), rng.normal(0, 0.7), 0.0, 0.0]),
            noise_j=1e4,
            count=15,
        )
        for k in range(count)
    ]


@pytest.fixture(scope="module")
def found(build):
    return leave_one_drive_out(prior_of(build), drives_of(6), [], build)


def test_left_out_drives_are_predicted_better_than_by_plan_or_mean(found):
    assert found.median_error_ratio < 0.05
    assert found.median_error_ratio < found.planned_median_error_ratio
    assert found.median_error_ratio < found.naive_median_error_ratio
    assert 0.0 <= found.covered_ratio <= 1.0
    assert [row.drive_id for row in found.drives] == [str(k) for k in range(6)]


def test_a_left_out_drive_has_no_say_in_its_own_prediction(build):
    drives = drives_of(6)
    odd = replace(drives[2], total_j=drives[2].total_j * 1.3, measured_j=drives[2].measured_j * 1.3)
    plain = predict_left_out(prior_of(build), drives, [], build, efficiency_model="constant")[2]
    moved = predict_left_out(prior_of(build), [*drives[:2], odd, *drives[3:]], [], build, efficiency_model="constant")
    assert moved[2].predicted_wh == pytest.approx(plain.predicted_wh, rel=2e-3)
    assert moved[2].measured_wh == pytest.approx(1.3 * plain.measured_wh)


def test_taking_a_drive_out_of_the_sum_agrees_with_fitting_again(build, monkeypatch):
    drives = drives_of(6)
    again = predict_left_out(prior_of(build), drives, [], build, efficiency_model="constant")
    monkeypatch.setattr(coverage, "MOST_DRIVES_REFITTED", 1)
    taken_out = predict_left_out(prior_of(build), drives, [], build, efficiency_model="constant")
    for one, other in zip(again, taken_out, strict=True):
        assert other.predicted_wh == pytest.approx(one.predicted_wh, rel=0.01)


def test_too_few_drives_give_the_reason_and_no_figures(build):
    drives = drives_of(3)
    found = leave_one_drive_out(prior_of(build), [drives[0], drives[1], replace(drives[2], refusal="short")], [], build)
    assert found.median_error_ratio is None
    assert "at least 3 drives; there are 2" in found.reason
    assert json_ready(found)["schema"] == "calibration/1"


def test_the_simpler_drivetrain_model_wins_unless_loss_terms_clearly_pay(found):
    assert found.efficiency_model == "constant"
    assert found.rejected_mean_error_ratio > 0.9 * found.mean_error_ratio


@pytest.mark.slow
def test_ninety_per_cent_intervals_hold_about_nine_in_ten(build):
    covered = []
    for seed in range(5):
        rows = predict_left_out(prior_of(build), drives_of(6, seed=seed), [], build, efficiency_model="constant")
        covered += [row.is_covered for row in rows]
    assert 0.8 <= np.mean(covered) <= 1.0
