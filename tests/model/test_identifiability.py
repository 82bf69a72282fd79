from dataclasses import replace

import numpy as np
import pytest

from logan.model.estimator import confounded_pairs, fit, plain_words
from logan.model.measurement import Measurement, MeasurementKind
from logan.model.parameters import ParameterDistribution
from logan.model.priors import prior_of
from tests.builds import example_build
from tests.model.synthetic_segments import drive_of, shared_truth


def some_drives(count=6):
    rng = np.random.default_rng(2)
    return [drive_of(shared_truth(), rng, drive_id=str(k), noise_j=1e4, count=25) for k in range(count)]


@pytest.fixture(scope="module")
def build():
    return example_build()


@pytest.fixture(scope="module")
def result(build):
    return fit(prior_of(build), some_drives(), [], build)


def test_the_truck_scale_is_asked_for_until_it_has_been_used(build, result):
    assert any("a truck scale settles it" in words for words in result.statements)
    weighed = Measurement(kind=MeasurementKind.MASS, value=1700.0, sigma=5.0, source="weighbridge")
    with_it = fit(prior_of(build), some_drives(), [weighed], build)
    assert not any("truck scale" in words for words in with_it.statements)


def test_parameters_that_go_together_are_named(result):
    covariance = np.array(result.prior.log_covariance) * 0.2
    root = np.sqrt(covariance[1, 1] * covariance[2, 2])
    covariance[1, 2] = covariance[2, 1] = -0.95 * root
    posterior = ParameterDistribution(
        log_mean=result.prior.log_mean, log_covariance=covariance, sources=result.prior.sources
    )
    assert confounded_pairs(posterior, result.prior) == (("drag_area_m2", "rolling_coefficient", pytest.approx(-0.95)),)
    words = plain_words(replace(result, posterior=posterior))
    assert any("can't tell CdA and Crr apart" in line for line in words)


def test_what_the_plan_correlates_is_not_blamed_on_the_data(result):
    covariance = np.array(result.prior.log_covariance)
    covariance[1, 2] = covariance[2, 1] = 0.95 * np.sqrt(covariance[1, 1] * covariance[2, 2])
    same = ParameterDistribution(log_mean=result.prior.log_mean, log_covariance=covariance, sources=("plan",) * 6)
    assert confounded_pairs(same, same) == ()


def test_what_was_not_learned_is_named(build):
    steady = [
        replace(drive, auxiliary_power_w=None, has_heading=False) for drive in some_drives(2)
    ]  # two noisy drives leave the mass where the plan has it
    found = fit(prior_of(build), steady, [], build)
    assert any("not learned" in words and "weight" in words for words in found.statements)
