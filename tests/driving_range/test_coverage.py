from dataclasses import replace

import numpy as np
import pytest

from logan.drive.wheel_work import rotating_mass_of
from logan.driving_range import coverage
from logan.driving_range.coverage import interval_scale_ratio, leave_one_drive_out, predict_others
from logan.model.drive_fit import own_variance_j2, planned_energy, predicted_energy, trip_energy
from logan.model.drive_likelihood import NoiseScales
from logan.model.estimator import covariance_parts, drive_informations
from logan.model.priors import prior_of
from logan.model.regen_limit import solve_with_regen_limit
from logan.model.unknowns import At, Own, shared_prior
from logan.results import json_ready
from tests.builds import example_build
from tests.model import synthetic_segments
from tests.model.synthetic_segments import drive_of, own_of, shared_truth


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
            own=own_of(rng.normal(0.0, spread), rng.normal(0, 0.7), rng.normal(0, 0.7)),
            noise_j=1e4,
            count=15,
        )
        for k in range(count)
    ]


@pytest.fixture(scope="module")
def found(build):
    return leave_one_drive_out(prior_of(build), drives_of(6), [], build)


def test_left_out_drives_are_predicted_better_than_by_plan_or_mean(found, build):
    assert found.median_error_ratio < 0.05
    by_plan = [planned_energy(drive, prior_of(build), build).value for drive in drives_of(6)]
    planned = [abs(wh / row.measured_wh - 1.0) for wh, row in zip(by_plan, found.drives, strict=True)]
    assert found.median_error_ratio < np.median(planned)
    assert found.median_error_ratio < found.naive_median_error_ratio
    assert 0.0 <= found.covered_ratio <= 1.0
    assert [row.drive_id for row in found.drives] == [str(k) for k in range(6)]


def test_a_left_out_drive_has_no_say_in_its_own_prediction(build):
    drives = drives_of(6)
    odd = replace(drives[2], trip_power_j=drives[2].trip_power_j * 1.3)
    plain = leave_one_drive_out(prior_of(build), drives, [], build).drives[2]
    moved = leave_one_drive_out(prior_of(build), [*drives[:2], odd, *drives[3:]], [], build).drives
    assert moved[2].predicted_wh == pytest.approx(plain.predicted_wh, rel=5e-3)
    assert moved[2].measured_wh == pytest.approx(1.3 * plain.measured_wh)


def test_each_drive_left_out_says_how_many_are_behind_for_a_bar(build):
    steps = []
    leave_one_drive_out(prior_of(build), drives_of(4), [], build, told=steps.append)
    assert [(str(step), step.done, step.total) for step in steps] == [
        (f"leaving out drive {k}", k, 4) for k in range(4)
    ]


def test_many_drives_are_left_out_in_groups(build, monkeypatch):
    drives = drives_of(6)
    alone = leave_one_drive_out(prior_of(build), drives, [], build).drives
    monkeypatch.setattr(coverage, "MOST_REFITS", 3)
    grouped = leave_one_drive_out(prior_of(build), drives, [], build).drives
    assert [row.drive_id for row in grouped] == [row.drive_id for row in alone]
    for one, other in zip(alone, grouped, strict=True):
        assert other.predicted_wh == pytest.approx(one.predicted_wh, rel=0.02)


def test_of_an_interval_only_what_drives_decide_is_widened(build):
    rows = leave_one_drive_out(prior_of(build), drives_of(6, spread=0.25), [], build).drives
    errors = np.array([(row.measured_wh - row.predicted_wh) / row.sigma_wh for row in rows])
    for place, row in enumerate(rows):
        scale = interval_scale_ratio(np.delete(errors, place))
        sigma = np.sqrt(row.plan_sigma_wh**2 + scale**2 * (row.sigma_wh**2 - row.plan_sigma_wh**2))
        assert scale > 1.1
        assert 0.0 < row.plan_sigma_wh < row.sigma_wh
        assert row.high_wh - row.predicted_wh == pytest.approx(1.645 * sigma, rel=1e-3)


def test_a_prediction_is_as_sure_as_the_vehicle_and_what_is_the_drives_own(build):
    """The vehicle's part by predicting again with each unknown a little off; the drive's own goes by its ratio."""
    shared, rotating_kg = shared_truth(), synthetic_segments.ROTATING_KG
    drive = drive_of(shared, np.random.default_rng(4), count=15)
    nothing = np.zeros((shared.size, shared.size))

    def predicted(shared=shared, covariance=nothing, drive=drive, **own):
        return predicted_energy(shared, covariance, drive, rotating_kg, NoiseScales(), source="plan", **own)

    assert predicted().value == pytest.approx(drive.measured_j / 3600.0, rel=1e-6)
    energy = trip_energy(shared, drive, rotating_kg)
    own_wh = np.sqrt(own_variance_j2(energy, drive, NoiseScales(), NoiseScales().auxiliary_sigma_ratio)) / 3600.0
    for ratio in (0.0, 1.0, 3.0):
        assert predicted(own_ratio=ratio).sigma == pytest.approx(ratio * own_wh, rel=1e-6)
    # Beyond what the days' level alone does to the road load.
    assert own_wh > NoiseScales().level_sigma_ratio * energy.by_own[Own.LEVEL] / 3600.0
    step = 1e-4
    slope_wh = np.array([
        (predicted(shared + step * one).value - predicted(shared - step * one).value) / (2.0 * step)
        for one in np.eye(shared.size)[: At.AUXILIARY + 1]
    ])  # fmt: skip
    sigma = np.array([0.02, 0.1, 0.15, 0.03, 0.05, 0.3])
    covariance = nothing.copy()
    covariance[:6, :6] = np.diag(sigma**2)
    vehicle_wh = np.sqrt(((slope_wh * sigma) ** 2).sum())
    assert predicted(covariance=covariance, own_ratio=0.0).sigma == pytest.approx(vehicle_wh, rel=1e-3)
    assert predicted(covariance=covariance).sigma == pytest.approx(np.hypot(vehicle_wh, own_wh), rel=1e-3)
    # Of auxiliaries that are logged the plan's ± has no part.
    logged = replace(drive, auxiliary_power_w=450.0)
    only = nothing.copy()
    only[At.AUXILIARY, At.AUXILIARY] = 0.3**2
    assert predicted(covariance=only, drive=logged, own_ratio=0.0).sigma == 0.0


def test_what_a_fit_says_of_a_drive_that_it_has_not_seen(build):
    """Its width is that of plan and drives together, of which the plan's part stands apart; both ways alike."""
    drives, prior = drives_of(7), prior_of(build)
    plan, rotating_kg = shared_prior(prior, build), rotating_mass_of(build)
    (row,) = predict_others(prior, drives[:6], drives[6:], [], build).drives
    solution = solve_with_regen_limit(plan, drives[:6], [], build)
    by_plan, by_drives = covariance_parts(solution.information, plan, drive_informations(solution))
    whole, of_plan = (
        predicted_energy(solution.shared, part, drives[6], rotating_kg, solution.scales, source="fit", own_ratio=own)
        for part, own in ((by_plan + by_drives, 1.0), (by_plan, 0.0))
    )
    assert row.predicted_wh == pytest.approx(whole.value)
    assert row.sigma_wh == pytest.approx(whole.sigma)
    assert row.plan_sigma_wh == pytest.approx(of_plan.sigma)
    assert 0.0 < of_plan.sigma < whole.sigma
    assert row.predicted_wh - row.low_wh == pytest.approx(row.high_wh - row.predicted_wh)
    assert row.high_wh - row.predicted_wh > 1.64 * row.sigma_wh


def test_intervals_are_widened_by_what_left_out_drives_show_and_never_narrowed():
    # Closed form: (9 n + 8) / (n + 8) for errors of three sigma each.
    assert interval_scale_ratio(np.full(24, 3.0)) == pytest.approx(np.sqrt((9 * 24 + 8) / 32))
    assert interval_scale_ratio(np.full(24, 0.3)) == 1.0
    assert interval_scale_ratio(np.empty(0)) == 1.0


def test_with_few_drives_it_is_said_what_share_the_count_goes_with(found):
    row = replace(found.drives[0], low_wh=0.0, high_wh=1e9)
    # Clopper and Pearson: all six held goes with a true share of 0.05 to the sixth root, and more.
    assert replace(found, drives=(row,) * 6).held_words == "held 6 of 6 (compatible with 61 to 100 %)"
    missed = replace(row, high_wh=1.0)
    assert replace(found, drives=(missed,) * 3).held_words == "held 0 of 3 (compatible with 0 to 63 %)"


def test_too_few_drives_give_the_reason_and_no_figures(build):
    drives = drives_of(3)
    found = leave_one_drive_out(prior_of(build), [drives[0], drives[1], replace(drives[2], refusal="short")], [], build)
    assert found.median_error_ratio is None
    assert "at least 3 drives; there are 2" in found.reason
    assert json_ready(found)["schema"] == "calibration/1"


def test_a_drive_without_which_no_fit_comes_to_rest_is_named(build, monkeypatch):
    drives, solve = drives_of(4), coverage.solve_hierarchy

    def stubborn(widened, others, *rest, **options):
        found = solve(widened, others, *rest, **options)
        return replace(found, converged=found.converged and any(drive.drive_id == "2" for drive in others))

    monkeypatch.setattr(coverage, "solve_hierarchy", stubborn)
    found = leave_one_drive_out(prior_of(build), drives, [], build)
    assert [row.drive_id for row in found.drives] == ["0", "1", "3"]
    assert found.unpredicted == ("2",)
    assert "without drive 2 no fit converged" in found.held_words


def test_drives_are_predicted_from_a_fit_of_others(build):
    drives = drives_of(8)
    found = predict_others(prior_of(build), drives[:5], drives[5:], [], build)
    assert [row.drive_id for row in found.drives] == ["5", "6", "7"]
    assert found.median_error_ratio < 0.05
    louder = [replace(drive, trip_power_j=2.0 * drive.trip_power_j) for drive in drives[5:]]
    again = predict_others(prior_of(build), drives[:5], louder, [], build)
    assert [row.predicted_wh for row in again.drives] == pytest.approx([row.predicted_wh for row in found.drives])
    assert not any(row.is_covered for row in again.drives)
    assert "one to predict" in predict_others(prior_of(build), drives, [], [], build).reason


@pytest.mark.slow
def test_ninety_per_cent_intervals_hold_about_nine_in_ten(build):
    covered = []
    for seed in range(5):
        rows = leave_one_drive_out(prior_of(build), drives_of(6, seed=seed), [], build).drives
        covered += [row.is_covered for row in rows]
    assert 0.8 <= np.mean(covered) <= 1.0
