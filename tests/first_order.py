"""A first-order thermal node stepped sample by sample: the readable twin that fits are tested against."""

from __future__ import annotations

import numpy as np

from logan.units import FloatArray


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
