import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.physics.elevation import denoised_elevation_m, turning_points

DISTANCE_M = np.arange(0.0, 40_000.0, 25.0)


def climbed_m(elevation_m):
    rises = np.diff(elevation_m)
    return rises[rises > 0].sum(), -rises[rises < 0].sum()


def correlated_noise(length_m, seed, sigma_m=2.5):
    rng = np.random.default_rng(seed)
    keep = np.exp(-25.0 / length_m)
    noise = np.empty(DISTANCE_M.size)
    noise[0] = sigma_m * rng.standard_normal()
    for index in range(1, noise.size):
        noise[index] = keep * noise[index - 1] + sigma_m * np.sqrt(1 - keep**2) * rng.standard_normal()
    return noise


@pytest.mark.parametrize("length_m", [1.0, 100.0, 450.0])
def test_noise_on_a_flat_road_is_not_counted_as_climb(length_m):
    raw = correlated_noise(length_m, 1)
    climb, _ = climbed_m(denoised_elevation_m(DISTANCE_M, raw))
    raw_climb, _ = climbed_m(raw)
    assert raw_climb > 400.0
    assert climb < 40.0


@pytest.mark.parametrize("length_m", [1.0, 100.0, 450.0])
def test_real_hills_keep_their_climb(length_m):
    truth = 60.0 * np.sin(2 * np.pi * DISTANCE_M / 10_000.0)
    climb, descent = climbed_m(denoised_elevation_m(DISTANCE_M, truth + correlated_noise(length_m, 2)))
    true_climb, true_descent = climbed_m(truth)
    assert climb == pytest.approx(true_climb, rel=0.04)
    assert descent == pytest.approx(true_descent, rel=0.04)


def test_a_profile_without_noise_is_hardly_touched():
    truth = 300.0 * np.minimum(DISTANCE_M / 20_000.0, 2.0 - DISTANCE_M / 20_000.0)
    found = denoised_elevation_m(DISTANCE_M, truth)
    assert np.abs(found - truth).max() < 2.0
    assert denoised_elevation_m(DISTANCE_M, truth, noise_m=0.0) == pytest.approx(truth)


@given(st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=15)
def test_denoising_never_adds_climb(seed):
    raw = correlated_noise(200.0, seed) + 20.0 * np.sin(DISTANCE_M / 3000.0)
    assert climbed_m(denoised_elevation_m(DISTANCE_M, raw))[0] <= climbed_m(raw)[0]


def test_turning_points_are_the_ends_and_the_large_swings():
    height = np.array([0.0, 1.0, 0.5, 20.0, 19.0, 20.5, 3.0, 4.0, 30.0])
    assert turning_points(height, 5.0).tolist() == [0, 5, 6, 8]


def test_unequal_shapes_are_refused():
    with pytest.raises(ValueError, match="one shape"):
        denoised_elevation_m(DISTANCE_M, DISTANCE_M[1:])
