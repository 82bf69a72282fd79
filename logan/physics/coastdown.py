"""Coasting under a road load A + B v + C v², in closed form, and the forces a coastdown shows.

Fit speed against time, never its derivative: the closed forms here are what is fitted
(Thompson, EPA: "The Vehicle Road Load Problem", the non-linear approach).
"""

from __future__ import annotations

import math

import numpy as np

from logan.units import FloatArray


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
