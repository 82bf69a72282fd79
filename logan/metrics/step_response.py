"""Resistance as the answer to a current step, fitted to a whole drive rather than read off a few pulses.

A pulse test holds a current for 2, 10 or 18 s. A road does not; but a cell's voltage is its
open-circuit voltage less a fixed linear response to its current, so the same figure follows
from the fitted response, with all of the drive behind it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Channel
from logan.numerics import interpolate, long_run_factor, nominal_period_s
from logan.physics.thermal import lagged
from logan.units import FloatArray

TIME_CONSTANTS_S: Final = (1.5, 6.0, 20.0)
"""Relaxations that the response is built from; together they carry any response between 1 and 30 s. [s]"""

WINDOW_S: Final = 240.0
"""Length of one fit: long against the relaxations, short against state of charge. [s]"""

_SETTLING_S: Final = 40.0
_MOST_CONDITION: Final = 3e3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResponseWindow:
    """Fitted response of one window.

    Parameters
    ----------
    middle_s : float
        [s]
    resistance_ohm, sigma_ohm : ndarray, shape (m,)
        At the durations asked for. [ohm]
    open_circuit_v : float
        Voltage less the response, at the middle. [V]
    """

    middle_s: float
    resistance_ohm: FloatArray
    sigma_ohm: FloatArray
    open_circuit_v: float


def response_windows(
    voltage: Channel, current: Channel, durations_s: tuple[float, ...], *, least_spread_a: float
) -> tuple[ResponseWindow, ...]:
    """Step response of a voltage to a current, window by window (method/measured.md, eq. 16).

    Parameters
    ----------
    voltage, current : Channel
        Terminal voltage of pack or cell, and pack current. [V, A]
    durations_s : tuple of float
        Pulse lengths asked for. [s]
    least_spread_a : float
        Standard deviation of the current that a window needs. [A]

    Returns
    -------
    tuple of ResponseWindow
        Windows with enough current and covered data.

    References
    ----------
    .. [1] R = (U0 - U) / (I - I0) after a step (ISO 12405 type profile, from memory), here of
       the fitted linear response.
    """
    step_s = min(max(nominal_period_s(current.time_s), 0.05), 1.0)
    start_s, end_s = float(current.time_s[0]), float(current.time_s[-1])
    grid_s = np.arange(start_s, end_s, step_s)
    if grid_s.size < 100:
        return ()
    amperes = interpolate(grid_s, current.time_s, current.value, max_gap_s=current.max_gap_s)
    known = np.isfinite(amperes)
    filled = np.where(known, amperes, 0.0)
    columns = [filled] + [
        lagged(filled, step_s=step_s, time_constant_s=tau, is_settled=False) for tau in TIME_CONSTANTS_S
    ]
    charge = np.cumsum(filled) * step_s / 3600.0
    present = np.isfinite(voltage.value)
    at_s, volts = voltage.time_s[present], voltage.value[present]
    # A sample counts only where the current was known all through the relaxation before it.
    unknown = np.cumsum(~known)
    index = np.clip(((at_s - start_s) / step_s).astype(np.int64), 0, grid_s.size - 1)
    back = np.maximum(index - int(_SETTLING_S / step_s), 0)
    usable = (at_s > start_s + _SETTLING_S) & (at_s < end_s) & (unknown[index] == unknown[back])
    at_s, volts = at_s[usable], volts[usable]
    design = np.column_stack([np.interp(at_s, grid_s, column) for column in columns])
    drawn = np.interp(at_s, grid_s, charge)
    found = []
    for low in np.arange(start_s, end_s, WINDOW_S).tolist():
        chosen = (at_s >= low) & (at_s < low + WINDOW_S)
        if int(chosen.sum()) < 40 or float(np.std(design[chosen, 0])) < least_spread_a:
            continue
        window = _fit(at_s[chosen], volts[chosen], design[chosen], drawn[chosen], durations_s)
        if window is not None:
            found.append(window)
    return tuple(found)


def _fit(
    at_s: FloatArray, volts: FloatArray, design: FloatArray, drawn: FloatArray, durations_s: tuple[float, ...]
) -> ResponseWindow | None:
    """Least squares of one window; None where the current does not tell the parts of the response apart."""
    centred = drawn - drawn.mean()
    matrix = np.column_stack([-design, np.ones(at_s.size), -centred])
    scale = np.maximum(np.sqrt(np.mean(matrix**2, axis=0)), 1e-12)
    scaled = matrix / scale
    gram = scaled.T @ scaled
    spread = np.linalg.eigvalsh(gram)
    if spread[0] <= 0.0 or spread[-1] / spread[0] > _MOST_CONDITION**2:
        return None
    inverse = np.linalg.inv(gram)
    solution = inverse @ (scaled.T @ volts)
    residual = volts - scaled @ solution
    # Residuals alike in time carry less than their number says.
    alike = long_run_factor(residual, lags=at_s.size // 12)
    variance = float(np.sum(residual**2)) / max(at_s.size - matrix.shape[1], 1) * alike
    covariance = inverse * variance / np.outer(scale, scale)
    solution = solution / scale
    weights = np.array([_weights(duration) for duration in durations_s])
    resistance = weights @ solution
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", weights, covariance, weights))
    if not (resistance > 0.0).all():
        return None
    return ResponseWindow(
        middle_s=float(0.5 * (at_s[0] + at_s[-1])),
        resistance_ohm=resistance,
        sigma_ohm=sigma,
        open_circuit_v=float(solution[-2]),
    )


def _weights(duration_s: float) -> list[float]:
    """How much of each part has answered to a step after a time."""
    return [1.0, *(1.0 - float(np.exp(-duration_s / tau)) for tau in TIME_CONSTANTS_S), 0.0, 0.0]


def combine(values: FloatArray, sigmas: FloatArray) -> tuple[float, float]:
    """Weighted mean of windows, and its uncertainty from their own errors and from their spread.

    Parameters
    ----------
    values, sigmas : ndarray, shape (n,)
        n at least 1. [any]

    Returns
    -------
    mean, sigma : float
        In the same unit.
    """
    # No window is trusted to better than 2 %, so that none outvotes all others.
    spread = np.maximum(sigmas, 0.02 * np.abs(values))
    weight = 1.0 / spread**2
    mean = float(np.sum(weight * values) / np.sum(weight))
    formal = float(1.0 / np.sqrt(np.sum(weight)))
    if values.size < 2:
        return mean, 1.5 * formal
    share = weight / np.sum(weight)
    seen = float(np.sqrt(np.sum(share**2 * (values - mean) ** 2) * values.size / (values.size - 1)))
    return mean, max(formal, seen)
