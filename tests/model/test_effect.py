from dataclasses import replace

import numpy as np
import pytest

from logan.errors import NotEnoughDataError
from logan.model.effect import drives_to_see, modification_effect
from logan.model.priors import prior_of
from tests.builds import example_build
from tests.model.synthetic_segments import drive_of, own_of, shared_truth


@pytest.fixture(scope="module")
def build():
    return example_build()


def group(count, change, *, seed, spread=0.01):
    """Drives whose road load is ``change`` (in logarithms) off, each with its own little deviation."""
    rng = np.random.default_rng(seed)
    return [
        drive_of(
            shared_truth(),
            rng,
            drive_id=f"{seed}-{k}",
            own=own_of(change + rng.normal(0.0, spread), rng.normal(), rng.normal()),
            noise_j=1e4,
            count=25,
        )
        for k in range(count)
    ]


def test_a_real_change_is_found_with_its_sign_and_size(build):
    found = modification_effect(prior_of(build), group(5, 0.0, seed=1), group(5, -0.08, seed=2), [], build)
    assert found.interval_low_ratio < np.expm1(-0.08) < found.interval_high_ratio
    assert found.change.value == pytest.approx(-0.077, abs=0.03)
    assert found.is_beyond_noise
    assert found.consumption_change.value < 0.0
    assert "less road load, more than noise" in found.statement
    assert found.before == tuple(f"1-{k}" for k in range(5))


def test_no_change_is_not_beyond_noise(build):
    found = modification_effect(prior_of(build), group(5, 0.0, seed=3), group(5, 0.0, seed=4), [], build)
    assert not found.is_beyond_noise
    assert "not beyond noise" in found.statement


def test_swapping_the_sides_turns_the_sign(build):
    before, after = group(4, 0.0, seed=5), group(4, 0.05, seed=6)
    there = modification_effect(prior_of(build), before, after, [], build)
    back = modification_effect(prior_of(build), after, before, [], build)
    assert np.log1p(there.change.value) == pytest.approx(-np.log1p(back.change.value), abs=5e-3)


@pytest.mark.slow
def test_intervals_keep_their_promise_over_many_trials(build):
    covered = 0
    for trial in range(24):
        change = -0.03
        found = modification_effect(
            prior_of(build),
            group(3, 0.0, seed=100 + trial, spread=0.02),
            group(3, change, seed=200 + trial, spread=0.02),
            [],
            build,
        )
        covered += found.interval_low_ratio < np.expm1(change) < found.interval_high_ratio
    assert covered >= 18  # 90 % of 24 is 21.6; fewer than 18 happens once in five hundred


def test_one_drive_each_is_refused(build):
    with pytest.raises(NotEnoughDataError, match="that day's wind"):
        modification_effect(prior_of(build), group(1, 0.0, seed=1), group(1, 0.0, seed=2), [], build)


def test_a_side_without_a_usable_drive_is_refused_with_the_reason(build):
    refused = [replace(drive, refusal="no road speed") for drive in group(2, 0.0, seed=7)]
    with pytest.raises(NotEnoughDataError, match="no drive after the change can be used: no road speed"):
        modification_effect(prior_of(build), group(2, 0.0, seed=8), refused, [], build)


def test_how_many_drives_it_takes_follows_students_t():
    """At a spread of 3 %: t(4) = 2.132 with three a side gives 5.2 %, t(6) = 1.943 with four 4.1 % (tables of t)."""
    assert drives_to_see(0.05, 0.03) == 4
    assert drives_to_see(0.05, 0.06) > 3 * drives_to_see(0.05, 0.03) - 4
    assert drives_to_see(0.05, 0.0) == 2
