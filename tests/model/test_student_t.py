import numpy as np
import pytest
from scipy import stats

from logan.model.newton import student_t_half_width, student_t_weight


def test_weights_reweight_a_mean_to_scipys_student_t_location():
    values = np.concatenate((stats.t.rvs(4, loc=3.0, size=200, random_state=1), [60.0, -80.0, 75.0]))
    location = values.mean()
    for _ in range(200):
        weight = student_t_weight((values - location) ** 2, 4.0)
        location = float(weight @ values / weight.sum())
    _, expected, _ = stats.t.fit(values, fdf=4, fscale=1)
    assert location == pytest.approx(expected, abs=1e-4)


def test_an_outlier_weighs_next_to_nothing_and_a_good_segment_a_little_more_than_one():
    assert student_t_weight(np.array([0.0, 1.0, 1e4]), 4.0) == pytest.approx([1.25, 1.0, 5.0 / 10_004.0])


@pytest.mark.parametrize(("freedom", "expected"), [(np.inf, 1.6448536), (4.0, stats.t.ppf(0.95, 4))])
def test_half_width_is_scipys_quantile(freedom, expected):
    assert student_t_half_width(0.9, freedom) == pytest.approx(expected, rel=1e-6)
