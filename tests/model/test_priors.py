from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from logan.model.parameters import PARAMETER_NAMES
from logan.model.priors import (
    BODY_CLASS_DRAG_AREA_M2,
    TYRE_CLASS_ROLLING_COEFFICIENT,
    log_sigma_of,
    planning_values,
    prior_of,
    raised_if_published,
)
from logan.model.unknowns import At, physical, shared_prior, whole_efficiencies
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
            assert value.source.startswith(("common practice", "119 certified EVs"))
            assert value.sigma > 0


def test_a_published_road_load_is_doubted_on_one_side_only():
    for source in ("brochure", "Type approval road load"):
        raised = raised_if_published(PlanningValue(0.60, 0.02, source))
        below = (np.log(0.60) - np.log(raised.value)) / log_sigma_of(raised)
        assert norm.cdf(below) < 0.15  # truth below the brochure is as good as left out
        assert raised.value == pytest.approx(0.60 * np.exp(0.15 * np.sqrt(2 / np.pi)))
        assert source in raised.source
        assert "come out low" in raised.source


def test_the_raised_value_has_the_moments_of_a_half_normal_excess():
    excess = np.abs(0.15 * np.random.default_rng(2).standard_normal(400_000))
    own = 0.05 * np.random.default_rng(3).standard_normal(400_000)
    raised = raised_if_published(PlanningValue(1.0, 0.05, "brochure"))
    assert np.log(raised.value) == pytest.approx((excess + own).mean(), abs=1e-3)
    assert raised.sigma / raised.value == pytest.approx((excess + own).std(), rel=0.01)


@pytest.mark.parametrize("source", ["given", "weighed", "common practice: van", "coastdown"])
def test_other_sources_are_taken_as_they_are(source):
    value = PlanningValue(0.60, 0.02, source)
    assert raised_if_published(value) is value


def test_only_road_loads_are_raised():
    build = example_build()
    heavy = replace(build.vehicle.mass_kg, source="brochure")
    values = planning_values(replace(build, vehicle=replace(build.vehicle, mass_kg=heavy)))
    assert values[0] is heavy


@pytest.mark.parametrize(("efficiency", "wheels"), [(0.87, "rear"), (0.87, "all"), (0.96, "")])
def test_losses_with_names_and_the_rest_lose_what_the_plan_says(efficiency, wheels):
    """By hand at 18 m/s: 1800 kg, Crr 0.0105, CdA 1.0 m2; a plan that loses little leaves little to name."""
    build = example_build()
    build = replace(
        build,
        vehicle=replace(build.vehicle, driven_wheels=wheels),
        powertrain=replace(build.powertrain, drive_efficiency=PlanningValue(efficiency, 0.03)),
    )
    prior = shared_prior(prior_of(build), build)
    values = physical(prior.mean)
    force_n = 1800.0 * 9.80665 * 0.0105 + 0.6 * 1.0 * 18.0**2 + 0.15 * 1800.0
    shaft_n = force_n + values[At.DRIVELINE_DRAG] + values[At.DRIVELINE_RISE] * 18.0
    drawn_w = shaft_n * 18.0 / values[At.DRIVE] + values[At.CONSTANT_LOSS] + values[At.COPPER_LOSS] * shaft_n**2
    assert force_n * 18.0 / drawn_w == pytest.approx(efficiency, rel=2e-3)
    assert values[At.DRIVE] < 1.0
    planned = [efficiency, build.powertrain.regen_efficiency.value]
    assert whole_efficiencies(prior.mean) == pytest.approx(planned, rel=2e-3)
    low, high = {"rear": (29.99, 30.01), "all": (40.0, 55.0), "": (5.0, 15.0)}[wheels]
    assert low < values[At.DRIVELINE_DRAG] < high
    # A driveline that drags more leaves the rest the better.
    assert prior.covariance[At.DRIVE, At.DRIVELINE_DRAG] > 0.0 > prior.precision[At.DRIVE, At.DRIVELINE_DRAG]
