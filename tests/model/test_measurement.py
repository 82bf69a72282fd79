import json
import re

import numpy as np
import pytest

from logan.model.estimator import fit
from logan.model.measurement import Measurement, MeasurementKind, expected_measurement, measurement_quadratic
from logan.model.priors import prior_of
from logan.model.unknowns import SHARED_COUNT
from logan.results import json_ready, result_from_json
from tests.builds import example_build
from tests.model.synthetic_segments import shared_truth

BUILD = example_build()


def measured(kind, **changes):
    return Measurement(
        kind=kind, value=1.0, sigma=0.1, source="test", speed_m_per_s=25.0, temperature_degc=5.0, **changes
    )


@pytest.mark.parametrize("kind", list(MeasurementKind))
def test_derivatives_agree_with_finite_differences(kind):
    shared = shared_truth()
    shared[8:10] = 60.0, 2e-4
    _, gradient = expected_measurement(measured(kind), shared, 70.0)
    for index in range(SHARED_COUNT):
        step = np.zeros(SHARED_COUNT)
        step[index] = 1e-6 * max(1.0, abs(shared[index]))
        up, down = (expected_measurement(measured(kind), shared + sign * step, 70.0)[0] for sign in (1, -1))
        assert gradient[index] == pytest.approx((up - down) / (2 * step[index]), rel=1e-5, abs=1e-6)


def test_road_load_is_rolling_and_air():
    value, _ = expected_measurement(measured(MeasurementKind.ROAD_LOAD), shared_truth(), 70.0)
    rolling_n = 1700.0 * 9.80665 * 0.011 * (1 + 0.008 * 20.0)
    assert value == pytest.approx(rolling_n + 0.5 * 1.2 * 0.8 * 625.0)
    per_mass, _ = expected_measurement(measured(MeasurementKind.ROAD_LOAD_PER_MASS), shared_truth(), 70.0)
    assert per_mass == pytest.approx(value / 1770.0)


def test_a_certified_b_is_part_of_road_load_and_steady_power():
    for kind, more in ((MeasurementKind.ROAD_LOAD, 3.0 * 25.0), (MeasurementKind.STEADY_POWER, 3.0 * 625.0 / 0.88)):
        plain, certified = (
            expected_measurement(measured(kind, linear_n_s_per_m=b), shared_truth(), 70.0)[0] for b in (0.0, 3.0)
        )
        assert certified - plain == pytest.approx(more)


def test_steady_power_is_force_times_speed_over_efficiency_and_auxiliaries():
    force_n, _ = expected_measurement(measured(MeasurementKind.ROAD_LOAD), shared_truth(), 70.0)
    power_w, _ = expected_measurement(measured(MeasurementKind.STEADY_POWER), shared_truth(), 70.0)
    assert power_w == pytest.approx(force_n * 25.0 / 0.88 + 450.0)


def test_a_measurement_met_exactly_pulls_nowhere():
    value, _ = expected_measurement(measured(MeasurementKind.ROAD_LOAD), shared_truth(), 70.0)
    exact = Measurement(
        kind=MeasurementKind.ROAD_LOAD, value=value, sigma=5.0, source="t", speed_m_per_s=25.0, temperature_degc=5.0
    )
    found = measurement_quadratic(exact, shared_truth(), 70.0)
    assert found.value == pytest.approx(0.0)
    assert found.gradient == pytest.approx(np.zeros(SHARED_COUNT))
    assert np.linalg.matrix_rank(found.information) == 1


def test_measurements_survive_json():
    one = measured(MeasurementKind.STEADY_POWER)
    assert result_from_json(Measurement, json.loads(json.dumps(json_ready(one)))) == one


def test_measurements_that_contradict_each_other_are_named():
    def warnings(*kilograms):
        found = [
            Measurement(kind=MeasurementKind.MASS, value=one, sigma=5.0, source="truck scale") for one in kilograms
        ]
        said = fit(prior_of(BUILD), [], found, BUILD).warnings
        return [line for line in said if "of its own ± from the fit" in line]

    # Two equal ± of 5 kg meet half way between 1700 and 2200 kg, but for the plan's pull.
    said = [
        re.fullmatch(r"the measured weight \(truck scale\) lies (\d+) of .* is wrong.*", one)
        for one in warnings(1700, 2200)
    ]
    assert [int(one[1]) for one in said] == pytest.approx([50, 50], abs=2)
    assert warnings(1700, 1710) == []
    # About the plan's own weight, which pulls neither way: half of what parts them over ± 5 kg.
    middle = prior_of(BUILD).median[0]
    assert warnings(middle - 19.5, middle + 19.5) == []
    assert len(warnings(middle - 20.5, middle + 20.5)) == 2
