from types import SimpleNamespace

import pytest

from logan.pipeline.gearing import thermal_limit
from logan.results import Estimate, Refusal


def summary(**watts):
    models = [SimpleNamespace(channel=channel, continuous_power_design_w=figure) for channel, figure in watts.items()]
    return SimpleNamespace(models=tuple(models))


def test_the_hottest_temperature_decides_by_its_surest_drive():
    vague = summary(motor_temperature=Estimate(30e3, "W", 15e3), inverter_temperature=Estimate(60e3, "W", 2e3))
    sure = summary(motor_temperature=Estimate(45e3, "W", 1e3))
    found = thermal_limit([vague, sure])
    assert found.value == pytest.approx(45e3)
    assert "motor_temperature" in found.source


def test_models_without_a_limit_say_nothing():
    assert thermal_limit([]) is None
    assert thermal_limit([summary(motor_temperature=Refusal("no limit given"))]) is None
    assert thermal_limit([summary(motor_temperature=Estimate(40e3, "W"))]) is None
