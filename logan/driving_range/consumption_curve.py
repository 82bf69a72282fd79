"""Steady consumption against speed, with its uncertainty: the biggest single message of a plan."""

import numpy as np

from logan.driving_range.other_values import environment_by, learned_other_values
from logan.driving_range.prediction import draw_samples
from logan.model.fit_result import LearnedConditions
from logan.model.forward import consumption_wh_per_km
from logan.model.parameters import Conditions, ParameterDistribution
from logan.model.schedule import steady_schedule
from logan.results import result
from logan.settings import BuildSettings
from logan.units import METRES_PER_SECOND_PER_MPH, FloatArray

_SPEEDS_MPH = np.arange(15.0, 90.0, 5.0)


@result("consumption-curve/1")
class ConsumptionCurve:
    """Net consumption at steady speeds on the level, without wind.

    Parameters
    ----------
    speed_m_per_s : ndarray, shape (n,)
        Steady speeds. [m/s]
    p10, p50, p90 : ndarray, shape (n,)
        Points of its distribution. [Wh/km]
    ambient_temperature_degc : float
        Outside air. [degC]
    """

    speed_m_per_s: FloatArray
    p10: FloatArray
    p50: FloatArray
    p90: FloatArray
    ambient_temperature_degc: float


def consumption_curve(
    distribution: ParameterDistribution,
    build: BuildSettings,
    *,
    rng: np.random.Generator,
    conditions: Conditions | None = None,
    learned: LearnedConditions | None = None,
    samples: int = 2000,
) -> ConsumptionCurve:
    """Net consumption against steady speed, from a plan or from a fit.

    Parameters
    ----------
    distribution : ParameterDistribution
        Prior or posterior.
    build : BuildSettings
        The build.
    rng : numpy.random.Generator
        Source of the samples.
    conditions : Conditions, optional
        Weather and load; mild weather and no payload where left out.
    learned : LearnedConditions, optional
        What the drives of a fit taught besides the six parameters: losses, driveline, tires.
    samples : int
        Number of samples.

    Returns
    -------
    ConsumptionCurve
        From 15 to 85 mph.
    """
    conditions = conditions or Conditions()
    others = None if learned is None else learned_other_values(build, learned)
    drawn = draw_samples(distribution, build, samples, rng, others=others)
    environment = environment_by(drawn.others)
    speeds = _SPEEDS_MPH * METRES_PER_SECOND_PER_MPH
    used = [
        consumption_wh_per_km(steady_schedule(speed), conditions, drawn.parameters, build, environment=environment)
        for speed in speeds
    ]
    points = np.quantile(used, [0.1, 0.5, 0.9], axis=1).T
    return ConsumptionCurve(
        speed_m_per_s=speeds,
        p10=points[:, 0],
        p50=points[:, 1],
        p90=points[:, 2],
        ambient_temperature_degc=conditions.ambient_temperature_degc,
    )
