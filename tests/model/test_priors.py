import numpy as np
import pytest

from logan.model.parameters import PARAMETER_NAMES
from logan.model.priors import (
    BODY_CLASS_DRAG_AREA_M2,
    TYRE_CLASS_ROLLING_COEFFICIENT,
    log_sigma_of,
    planning_values,
    prior_of,
)
from logan.settings import PlanningValue
from tests.builds import example_build


def test_prior_has_the_plan_as_median_and_its_uncertainty_as_width():
    build = example_build()
    prior = prior_of(build)
    values = planning_values(build)
    assert prior.median == pytest.approx([value.value for value in values])
    assert prior.log_sigma == pytest.approx([value.sigma / value.value for value in values], rel=0.1)
    assert prior.sources == tuple(value.source for value in values)
    assert np.count_nonzero(prior.log_covariance) == len(PARAMETER_NAMES)


def test_samples_of_the_prior_have_its_relative_spread():
    value = PlanningValue(1.0, 0.3)
    samples = np.exp(log_sigma_of(value) * np.random.default_rng(1).standard_normal(200_000))
    assert samples.std() / samples.mean() == pytest.approx(0.3, rel=0.01)


def test_a_value_taken_as_exact_has_no_width():
    assert log_sigma_of(PlanningValue(5.0, 0.0)) == 0.0


def test_every_typical_value_says_where_it_comes_from():
    for values in (BODY_CLASS_DRAG_AREA_M2, TYRE_CLASS_ROLLING_COEFFICIENT):
        for value in values.values():
            assert value.source.startswith("common practice")
            assert value.sigma > 0
