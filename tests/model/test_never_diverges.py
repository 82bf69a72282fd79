"""No input makes the fit run away: the bound of the method (fit, eq. 16) holds for whatever it is given."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from logan.errors import NotEnoughDataError
from logan.model.drive_likelihood import evaluate, own_mean
from logan.model.hierarchy import FixedTerms, solve_hierarchy
from logan.model.priors import prior_of
from logan.model.unknowns import shared_prior
from logan.pipeline import fit as fitting
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.model.synthetic_segments import ROTATING_KG, drive_of, own_of, shared_truth

BUILD = example_build()


def spoilt_drives(rng, count, sigma_m, noise_m, *, how):
    """Drives whose heights claim one error and have another, some a mile long, some without heights, some nonsense."""
    drives = []
    for number in range(count):
        segments = int(rng.choice([1, 2, 6, 20]))
        drive = drive_of(
            shared_truth(), rng, drive_id=str(number), count=segments, noise_j=2e4, own=own_of(rng.normal(0.0, 0.05))
        )
        heights_m = rng.normal(0.0, noise_m, segments + 1)
        drive = replace(drive, elevation_sigma_m=sigma_m, climb_m=drive.climb_m + np.diff(heights_m))
        if how == "no heights" or (how == "mixed" and number % 3 == 0):
            drive = replace(drive, has_elevation=False, elevation_sigma_m=50.0, climb_m=np.zeros(segments))
        if how == "nonsense" or (how == "mixed" and number % 4 == 1):
            drive = replace(drive, trip_power_j=drive.trip_power_j * rng.choice([-1.0, 10.0, 0.0, 1e4]))
        drives.append(drive)
    return drives


def assert_bounded(build, drives):
    prior = shared_prior(prior_of(build), build)
    found = solve_hierarchy(prior, drives, [], ROTATING_KG)
    deviation = found.shared - prior.mean
    pulled = 0.5 * float(deviation @ prior.precision @ deviation)
    fixed = FixedTerms(prior=prior, measurements=())
    at_found = sum(likelihood.value for likelihood in found.likelihoods) + fixed.at(found.shared, ROTATING_KG).value
    # What integrating the drives' own unknowns out adds is linear within a solve, and no square.
    tilted = sum(
        float(state.tilt @ np.concatenate([found.shared, own]))
        for state, own in zip(found.states, found.own, strict=True)
    )
    assert np.isfinite(found.shared).all()
    assert np.isfinite(found.information).all()
    assert 0.0 <= pulled <= (at_found - tilted) * (1 + 1e-9)
    if found.converged:
        plan = [evaluate(state, prior.mean, own_mean(state.drive), ROTATING_KG).value for state in found.states]
        assert at_found <= sum(plan) * (1 + 1e-9) + 1e-6
    free = prior.is_free
    assert (np.linalg.eigvalsh(found.information[np.ix_(free, free)]) > 0.0).all()
    return found


@given(
    seed=st.integers(0, 2**31),
    count=st.integers(1, 12),
    sigma_m=st.floats(0.1, 20.0),
    noise_m=st.floats(0.0, 20.0),
    how=st.sampled_from(["plain", "no heights", "mixed", "nonsense"]),
)
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
def test_any_drives_with_any_stated_height_error_give_a_bounded_answer_or_none(seed, count, sigma_m, noise_m, how):
    rng = np.random.default_rng(seed)
    found = assert_bounded(BUILD, spoilt_drives(rng, count, sigma_m, noise_m, how=how))
    assert found.converged or "did not settle" in found.message


def test_sixty_drives_converge_and_their_order_is_no_matter():
    rng = np.random.default_rng(1)
    drives = spoilt_drives(rng, 60, 3.0, 3.0, how="plain")
    one, other = (assert_bounded(BUILD, order) for order in (drives, [drives[k] for k in rng.permutation(60)]))
    assert one.converged
    assert other.converged
    sigma = np.sqrt(np.diag(np.linalg.inv(one.information[:11, :11])))
    assert np.abs(one.shared[:11] - other.shared[:11]).max() < 0.2 * sigma.max()


@pytest.mark.slow
def test_five_hundred_random_builds_converge_on_sound_drives():
    rng, settled = np.random.default_rng(2), 0
    for _ in range(500):
        vehicle = replace(
            BUILD.vehicle,
            mass_kg=PlanningValue(float(rng.uniform(600, 4000)), float(rng.uniform(5, 200))),
            drag_area_m2=PlanningValue(float(rng.uniform(0.4, 2.5)), float(rng.uniform(0.01, 0.4))),
            rolling_coefficient=PlanningValue(float(rng.uniform(0.006, 0.02)), float(rng.uniform(2e-4, 5e-3))),
        )
        build = replace(BUILD, vehicle=vehicle)
        sigma_m = float(np.exp(rng.uniform(np.log(0.1), np.log(20.0))))
        # Time goes with the drives: most builds have few, as most that are new do.
        count = int(rng.choice([1, 1, 1, 2, 2, 7]))
        drives = spoilt_drives(rng, count, sigma_m, float(rng.uniform(0.0, 5.0)), how="plain")
        settled += assert_bounded(build, drives).converged
    # A vehicle of one step a segment, at the corner between driving and braking, may be refused; none may run away.
    assert settled >= 485


def test_a_fit_that_does_not_settle_is_an_error_and_prints_no_number(monkeypatch):
    monkeypatch.setattr("logan.model.hierarchy._MOST_ROUNDS", 1)
    drives = spoilt_drives(np.random.default_rng(3), 4, 3.0, 3.0, how="plain")
    with pytest.raises(NotEnoughDataError, match="no refined range: the fit of 4 drives is of no use"):
        fitting.fit_drives(BUILD, drives)
