"""First-order heating: C dT/dt = P - (T - T_sink) / R."""

from __future__ import annotations

import math

import numpy as np

from logan.units import FloatArray


def plateau_degc(*, load_w: float, sink_degc: float, resistance_k_per_w: float) -> float:
    """Temperature at which a steady load settles. [degC]

    Parameters
    ----------
    load_w : float
        Heating. [W]
    sink_degc : float
        Temperature of what cools. [degC]
    resistance_k_per_w : float
        Rise per heating. [K/W]

    Returns
    -------
    float
        Temperature. [degC]

    References
    ----------
    .. [1] First-order thermal network, steady state.
    """
    return sink_degc + resistance_k_per_w * load_w


def time_to_limit_s(*, start_degc: float, plateau_degc: float, limit_degc: float, time_constant_s: float) -> float:
    """Time until a steady load reaches a limit; 0 when already beyond, infinity when it never does.

    Parameters
    ----------
    start_degc, plateau_degc, limit_degc : float
        Now, where it settles, and the limit. [degC]
    time_constant_s : float
        [s]

    Returns
    -------
    float
        Time, ``-tau ln((plateau - limit) / (plateau - start))``. [s]

    References
    ----------
    .. [1] Step response of a first-order system.
    """
    if start_degc >= limit_degc:
        return 0.0
    if plateau_degc <= limit_degc:
        return math.inf
    return -time_constant_s * math.log((plateau_degc - limit_degc) / (plateau_degc - start_degc))


def continuous_load_w(*, limit_degc: float, sink_degc: float, resistance_k_per_w: float) -> float:
    """Steady load that settles just at the limit; zero where the sink is already at it. [W]

    Parameters
    ----------
    limit_degc, sink_degc : float
        Limit, and temperature of what cools. [degC]
    resistance_k_per_w : float
        Rise per heating. [K/W]

    Returns
    -------
    float
        Load. [W]

    References
    ----------
    .. [1] First-order thermal network, steady state.
    """
    return max(limit_degc - sink_degc, 0.0) / resistance_k_per_w


def first_order_response_degc(
    time_s: FloatArray,
    load_w: FloatArray,
    sink_degc: FloatArray,
    *,
    start_degc: float,
    time_constant_s: float,
    resistance_k_per_w: float,
) -> FloatArray:
    """Temperature under a load and a sink that are straight lines between samples; exact.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Increasing. [s]
    load_w, sink_degc : ndarray, shape (n,)
        Heating, and temperature of what cools. [W, degC]
    start_degc : float
        Temperature at the first sample. [degC]
    time_constant_s : float
        [s]
    resistance_k_per_w : float
        Rise per heating. [K/W]

    Returns
    -------
    ndarray, shape (n,)
        Temperature. [degC]

    References
    ----------
    .. [1] Exact solution of the first-order equation with a ramp input.
    """
    goal = sink_degc + resistance_k_per_w * load_w
    step_s = np.diff(time_s)
    decay = np.exp(-step_s / time_constant_s)
    slope = np.diff(goal) / step_s
    # Response to a ramp: it follows the goal, late by one time constant.
    added = goal[1:] - slope * time_constant_s - decay * (goal[:-1] - slope * time_constant_s)
    result = np.empty(time_s.shape)
    result[0] = state = start_degc
    for index, (factor, increment) in enumerate(zip(decay.tolist(), added.tolist(), strict=True), start=1):
        state = factor * state + increment
        result[index] = state
    return result


def coolant_heat_w(
    flow_m3_per_s: float,
    difference_k: float,
    *,
    density_kg_per_m3: float = 1050.0,
    specific_heat_j_per_kg_k: float = 3500.0,
) -> float:
    """Heat that a coolant carries away.

    Parameters
    ----------
    flow_m3_per_s : float
        Volume flow. [m3/s]
    difference_k : float
        Outlet less inlet. [K]
    density_kg_per_m3, specific_heat_j_per_kg_k : float
        Of the coolant; defaults for water and glycol in equal parts at 50 °C. [kg/m3, J/(kg K)]

    Returns
    -------
    float
        Heat. [W]

    References
    ----------
    .. [1] Steady-flow energy balance; the two defaults are common practice.
    """
    return flow_m3_per_s * density_kg_per_m3 * specific_heat_j_per_kg_k * difference_k
