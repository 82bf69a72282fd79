import numpy as np
import pytest

from logan.driving_range.other_values import environment_by, planned_other_values
from tests.builds import example_build

BUILD = example_build()


def test_a_plan_reckons_with_no_loss_besides_the_efficiencies():
    environment = environment_by(planned_other_values(BUILD).medians)
    assert environment.constant_loss_w == environment.copper_loss_w_per_n2 == 0.0
    assert environment.heating_w_per_k == pytest.approx([110.0])


def test_samples_stay_at_or_above_zero_and_spread_as_told():
    samples = planned_other_values(BUILD).sample(20_000, np.random.default_rng(1))
    assert all((values >= 0).all() for values in samples.values())
    assert samples["heating_w_per_k"].std() == pytest.approx(40.0, rel=0.03)
    assert not samples["constant_loss_w"].any()
