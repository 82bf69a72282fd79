"""Coasting under a road load A + B v + C v², in closed form, and the forces a coastdown shows.

Fit speed against time, never its derivative: the closed forms here are what is fitted
(Thompson, EPA: "The Vehicle Road Load Problem", the non-linear approach).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import quad

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.units import FloatArray


def coastdown_force_n(
    speed_m_per_s: FloatArray,
    time_s: FloatArray,
    elevation_m: FloatArray,
    distance_m: FloatArray,
    *,
    mass_kg: float,
    effective_mass_kg: float,
    gravity_m_per_s2: float = STANDARD_GRAVITY_M_PER_S2,
) -> FloatArray:
    """Mean road-load force over each interval of a coastdown run.

    Parameters
    ----------
    speed_m_per_s, time_s, elevation_m, distance_m : ndarray, shape (n,)
        State at the interval ends; time and distance increase. [m/s, s, m, m]
    mass_kg, effective_mass_kg : float
        Mass on the scales; mass plus rotating inertia. [kg]
    gravity_m_per_s2 : float
        Local gravity. [m/s2]

    Returns
    -------
    ndarray, shape (n - 1,)
        Force opposing motion on a level road, wind not removed. [N]

    Raises
    ------
    ValueError
        If the four shapes differ.

    References
    ----------
    .. [1] 40 CFR 1037.528(h), road-load force between two speeds.
    """
    if not speed_m_per_s.shape == time_s.shape == elevation_m.shape == distance_m.shape:
        raise ValueError("speed, time, elevation and distance must have one shape (n,)")
    inertia_n = -effective_mass_kg * np.diff(speed_m_per_s) / np.diff(time_s)
    grade_n = mass_kg * gravity_m_per_s2 * np.diff(elevation_m) / np.diff(distance_m)
    return np.asarray(inertia_n - grade_n)


def coasting_time_s(
    from_m_per_s: float,
    to_m_per_s: float,
    *,
    effective_mass_kg: float,
    constant_n: float,
    linear_n_s_per_m: float = 0.0,
    quadratic_n_s2_per_m2: float,
) -> float:
    """Time to coast from one speed to a lower one against A + B v + C v².

    Parameters
    ----------
    from_m_per_s, to_m_per_s : float
        Speeds. [m/s]
    effective_mass_kg : float
        Mass plus rotating inertia. [kg]
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : float
        Road load A, B and C. [N, N/(m/s), N/(m/s)2]

    Returns
    -------
    float
        Time. [s]

    Raises
    ------
    ValueError
        If the load is not above zero everywhere between the two speeds.

    References
    ----------
    .. [1] 40 CFR 86.529-98, Figure F98-9, uses this integral for its target times (B = 0).
    """

    def force_n(speed_m_per_s: float) -> float:
        return constant_n + (linear_n_s_per_m + quadratic_n_s2_per_m2 * speed_m_per_s) * speed_m_per_s

    turning = -linear_n_s_per_m / (2.0 * quadratic_n_s2_per_m2) if quadratic_n_s2_per_m2 else to_m_per_s
    between = min(max(turning, to_m_per_s), from_m_per_s)
    if min(force_n(from_m_per_s), force_n(to_m_per_s), force_n(between)) <= 0.0:
        raise ValueError("the road load must be above zero between the two speeds")
    if linear_n_s_per_m == 0.0 and constant_n > 0.0 and quadratic_n_s2_per_m2 > 0.0:
        alpha = math.sqrt(constant_n / quadratic_n_s2_per_m2)
        angle = math.atan(from_m_per_s / alpha) - math.atan(to_m_per_s / alpha)
        return effective_mass_kg / math.sqrt(constant_n * quadratic_n_s2_per_m2) * angle
    value, _ = quad(lambda speed: 1.0 / force_n(speed), to_m_per_s, from_m_per_s, epsabs=0.0, epsrel=1e-11)
    return effective_mass_kg * float(value)


def coasting_speed_m_per_s(
    time_s: FloatArray,
    *,
    start_m_per_s: float,
    effective_mass_kg: float,
    constant_n: float,
    linear_n_s_per_m: float = 0.0,
    quadratic_n_s2_per_m2: float,
) -> FloatArray:
    """Speed while coasting against A + B v + C v², in closed form; zero once stopped.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Time since the start, not negative. [s]
    start_m_per_s : float
        Speed at time zero. [m/s]
    effective_mass_kg : float
        Mass plus rotating inertia. [kg]
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : float
        Road load A, B and C; A and C above zero, B such that the load stays above zero. [N, N/(m/s), N/(m/s)2]

    Returns
    -------
    ndarray, shape (n,)
        Speed. [m/s]

    Raises
    ------
    ValueError
        If the load has no minimum above zero.

    Notes
    -----
    Completing the square, w = v + B / (2 C), leaves A' + C w² and with it
    w(t) = a tan(arctan(w0 / a) - t sqrt(A' C) / m), a = sqrt(A' / C).

    References
    ----------
    .. [1] Thompson, "The Vehicle Road Load Problem: An Approach by Non-Linear Modeling", EPA.
    """
    if quadratic_n_s2_per_m2 <= 0.0:
        raise ValueError("the quadratic coefficient must be above zero")
    shift = linear_n_s_per_m / (2.0 * quadratic_n_s2_per_m2)
    floor_n = constant_n - quadratic_n_s2_per_m2 * shift**2
    if floor_n <= 0.0:
        raise ValueError("the road load must stay above zero")
    alpha = math.sqrt(floor_n / quadratic_n_s2_per_m2)
    rate = math.sqrt(floor_n * quadratic_n_s2_per_m2) / effective_mass_kg
    angle = math.atan((start_m_per_s + shift) / alpha) - rate * time_s
    stopped = math.atan(shift / alpha)
    return np.maximum(alpha * np.tan(np.maximum(angle, stopped)) - shift, 0.0)


def drag_area_from_force_pair_m2(
    high_force_n: float,
    low_force_n: float,
    *,
    spin_loss_difference_n: float,
    rolling_difference_n: float,
    air_density_kg_per_m3: float,
    high_air_speed_squared_m2_per_s2: float,
    low_air_speed_squared_m2_per_s2: float,
) -> float:
    """Drag area from the road-load force at a high and at a low speed.

    Parameters
    ----------
    high_force_n, low_force_n : float
        Road load at both speeds. [N]
    spin_loss_difference_n, rolling_difference_n : float
        What driveline and tyres contribute to the difference. [N]
    air_density_kg_per_m3 : float
        [kg/m3]
    high_air_speed_squared_m2_per_s2, low_air_speed_squared_m2_per_s2 : float
        Mean square of the air speed at both. [m2/s2]

    Returns
    -------
    float
        Drag area. [m2]

    References
    ----------
    .. [1] 40 CFR 1037.528(h)(12).
    """
    drag_n = high_force_n - low_force_n - spin_loss_difference_n - rolling_difference_n
    dynamic = 0.5 * air_density_kg_per_m3 * (high_air_speed_squared_m2_per_s2 - low_air_speed_squared_m2_per_s2)
    return drag_n / dynamic
