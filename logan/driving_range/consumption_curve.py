"""Steady consumption against speed, with its uncertainty: the biggest single message of a plan."""

from __future__ import annotations

import numpy as np

from logan.model.environment import Conditions
from logan.model.forward import consumption_wh_per_km
from logan.model.parameters import ParameterDistribution
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
    samples : int
        Number of samples.

    Returns
    -------
    ConsumptionCurve
        From 15 to 85 mph.
    """
    conditions = conditions or Conditions()
    parameters = distribution.sample(samples, rng)
    speeds = _SPEEDS_MPH * METRES_PER_SECOND_PER_MPH
    points = np.array(
        [
            np.quantile(consumption_wh_per_km(steady_schedule(speed), conditions, parameters, build), [0.1, 0.5, 0.9])
            for speed in speeds
        ]
    )
    return ConsumptionCurve(
        speed_m_per_s=speeds,
        p10=points[:, 0],
        p50=points[:, 1],
        p90=points[:, 2],
        ambient_temperature_degc=conditions.ambient_temperature_degc,
    )
