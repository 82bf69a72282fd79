"""First-order heating, C dT/dt = P - (T - T_sink) / R: what lags behind what, and what a coolant carries away."""

from __future__ import annotations

import math

import numpy as np

from logan.units import FloatArray


def lagged(signals: FloatArray, *, step_s: float, time_constant_s: float, is_settled: bool) -> FloatArray:
    """First-order response of each column to itself, exact for what runs straight between samples.

    Parameters
    ----------
    signals : ndarray, shape (n,) or (n, m)
        At equal steps. [any]
    step_s, time_constant_s : float
        [s]
    is_settled : bool
        True where the response starts at the first value, False where it starts at zero.

    Returns
    -------
    ndarray, shape (n,) or (n, m)
        What follows with that time constant. [same]

    References
    ----------
    .. [1] Exact solution of tau dy/dt = x - y for a ramp: y follows x, late by tau.
    """
    from scipy.signal import lfilter  # takes as long to load as all the rest

    decay = math.exp(-step_s / time_constant_s)
    late = (1.0 - decay) * time_constant_s / step_s
    start = signals[:1] * late if is_settled else np.zeros_like(signals[:1])
    response, _ = lfilter([1.0 - late, late - decay], [1.0, -decay], signals, axis=0, zi=start)
    return np.asarray(response)


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
