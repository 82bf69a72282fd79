"""Fit of one first-order thermal node to block means: T lags (sink + gains x inputs)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import nnls
from scipy.signal import lfilter

from logan.numerics import long_run_factor
from logan.results import Refusal
from logan.units import FloatArray

BLOCK_S: Final = 5.0
"""Temperatures and loads are averaged over blocks of this length. [s]"""

LEAST_RISE_K: Final = 4.0
"""A temperature that moved less says nothing about its time constant. [K]"""

MOST_RESIDUAL_K: Final = 2.0
"""RMS residual above which the temperature does not behave as first order (thermostat, fan). [K]"""

ALIKE_LAGS: Final = 36
"""Residuals may be alike over this many blocks: three minutes."""

_LEAST_BLOCKS: Final = 24
_TIME_CONSTANTS_S: Final = np.geomspace(15.0, 7200.0, 26)
_GOLDEN: Final = 0.5 * (5.0**0.5 - 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThermalNode:
    """A fitted node.

    Parameters
    ----------
    time_constant_s : float
        [s]
    gains : ndarray, shape (m,)
        Settled rise per unit of each input; never negative. [K per unit]
    sink_degc : float
        Fitted constant sink; zero where a sink was given. [degC]
    covariance : ndarray, shape (m + 3, m + 3)
        Of time constant, gains, start and sink.
    residual_k : float
        RMS of what the fit leaves. [K]
    """

    time_constant_s: float
    gains: FloatArray
    sink_degc: float
    covariance: FloatArray
    residual_k: float

    @property
    def time_constant_sigma_s(self) -> float:
        """One standard uncertainty of the time constant. [s]"""
        return float(np.sqrt(self.covariance[0, 0]))

    def rise_k(self, inputs: FloatArray) -> float:
        """Settled rise over the sink (over zero where the sink is fitted). [K]"""
        return float(self.gains @ inputs) + self.sink_degc

    def rise_sigma_k(self, inputs: FloatArray, input_sigma: FloatArray | None = None) -> float:
        """One standard uncertainty of the settled rise. [K]"""
        gradient = np.concatenate(([0.0], inputs, [0.0, 1.0]))
        variance = float(gradient @ self.covariance @ gradient)
        if input_sigma is not None:
            variance += float(np.sum((self.gains * input_sigma) ** 2))
        return float(np.sqrt(max(variance, 0.0)))


def fit_node(observed_degc: FloatArray, sink_degc: FloatArray | None, inputs: FloatArray) -> ThermalNode | Refusal:
    """Fit a node by output error, its time constant profiled.

    Parameters
    ----------
    observed_degc : ndarray, shape (n,)
        Block means; NaN where not known. [degC]
    sink_degc : ndarray, shape (n,), or None
        What cools; None fits a constant. [degC]
    inputs : ndarray, shape (n, m)
        What heats. [any]

    Returns
    -------
    ThermalNode or Refusal
        The node, or why there is none.

    References
    ----------
    .. [1] First-order thermal network; the interval counts neighbouring residuals as alike (Newey and West).
    """
    known = np.isfinite(observed_degc) & np.isfinite(inputs).all(axis=1)
    if sink_degc is not None:
        known &= np.isfinite(sink_degc)
    if int(known.sum()) < _LEAST_BLOCKS:
        return Refusal("fewer than two minutes of temperature under a known load", "Drive longer")
    first, last = int(np.flatnonzero(known)[0]), int(np.flatnonzero(known)[-1]) + 1
    observed = observed_degc[first:last]
    if not known[first:last].all():
        return Refusal("the temperature or its load has gaps", "Log both all the way")
    if float(np.ptp(observed)) < LEAST_RISE_K:
        return Refusal(f"it moved by {np.ptp(observed):.1f} K only; {LEAST_RISE_K:.0f} K are needed", "Load it harder")
    node = _profile(_Problem(observed, None if sink_degc is None else sink_degc[first:last], inputs[first:last]))
    if isinstance(node, Refusal):
        return node
    minutes, constant = BLOCK_S * observed.size / 60.0, node.time_constant_s / 60.0
    if minutes < constant:
        reason = f"{minutes:.0f} min of data are shorter than its time constant of {constant:.0f} min"
        return Refusal(reason, "Hold the load longer")
    if node.residual_k > MOST_RESIDUAL_K:
        reason = f"it does not follow a first-order law (residual {node.residual_k:.1f} K): thermostat, fan, other load"
        return Refusal(reason, "Hold a steady load until it settles")
    return node


class _Problem:
    """Observations, sink and inputs of one node, without gaps."""

    def __init__(self, observed: FloatArray, sink: FloatArray | None, inputs: FloatArray) -> None:
        self.observed, self.sink = observed, sink
        self.scale = np.maximum(np.sqrt(np.mean(inputs**2, axis=0)), 1e-12)
        self.inputs = inputs / self.scale
        self.age_s = BLOCK_S * np.arange(observed.size)

    def columns(self, time_constant_s: float) -> tuple[FloatArray, FloatArray]:
        """Known part, and columns for the inputs, the start, and an unknown constant sink."""
        start = np.exp(-self.age_s / time_constant_s)
        rises = [_lagged(signal, time_constant_s) - signal[0] * start for signal in self.inputs.T]
        known = np.zeros(start.shape) if self.sink is None else _lagged(self.sink, time_constant_s)
        return known, np.column_stack([*rises, start, 1.0 - start])

    def solve(self, time_constant_s: float) -> tuple[FloatArray, FloatArray]:
        """Scaled coefficients at one time constant, gains kept from going negative, and residuals."""
        known, columns = self.columns(time_constant_s)
        target = self.observed - known
        gains = self.inputs.shape[1]
        count = gains + (2 if self.sink is None else 1)
        free = columns[:, gains:count]
        # Start and sink may have either sign, so they enter with both.
        solution, _ = nnls(np.column_stack([columns[:, :count], -free]), target)
        coefficients = np.zeros(gains + 2)
        coefficients[:count] = solution[:count]
        coefficients[gains:count] -= solution[count:]
        return coefficients, target - columns @ coefficients

    def misfit(self, time_constant_s: float) -> float:
        """Sum of squared residuals."""
        return float(np.sum(self.solve(time_constant_s)[1] ** 2))


def _lagged(signal: FloatArray, time_constant_s: float) -> FloatArray:
    """First-order response, settled at the first value, to a signal that runs straight between blocks."""
    decay = np.exp(-BLOCK_S / time_constant_s)
    late = (1.0 - decay) * time_constant_s / BLOCK_S
    response, _ = lfilter([1.0 - late, late - decay], [1.0, -decay], signal, zi=np.array([signal[0] * late]))
    return np.asarray(response)


def _profile(problem: _Problem) -> ThermalNode | Refusal:
    longest_s = 4.0 * float(problem.age_s[-1])
    tried = _TIME_CONSTANTS_S[: int(np.searchsorted(_TIME_CONSTANTS_S, longest_s))]
    index = int(np.argmin([problem.misfit(tau) for tau in tried]))
    tau = _narrowed(problem, float(tried[max(index - 1, 0)]), float(tried[min(index + 1, tried.size - 1)]))
    coefficients, residual = problem.solve(tau)
    gains = coefficients[:-2]
    if not (gains > 0.0).any():
        return Refusal("it does not rise with the drive's load", "It may be heated or cooled by something else")
    return ThermalNode(
        time_constant_s=tau,
        gains=gains / problem.scale,
        sink_degc=float(coefficients[-1]),
        covariance=_covariance(problem, tau, coefficients, residual),
        residual_k=float(np.sqrt(np.mean(residual**2))),
    )


def _narrowed(problem: _Problem, low: float, high: float) -> float:
    """Golden section in the logarithm of the time constant."""
    inner = [low * (high / low) ** (1.0 - _GOLDEN), low * (high / low) ** _GOLDEN]
    misfits = [problem.misfit(tau) for tau in inner]
    for _ in range(12):
        if misfits[0] < misfits[1]:
            high, inner[1], misfits[1] = inner[1], inner[0], misfits[0]
            inner[0] = low * (high / low) ** (1.0 - _GOLDEN)
            misfits[0] = problem.misfit(inner[0])
        else:
            low, inner[0], misfits[0] = inner[0], inner[1], misfits[1]
            inner[1] = low * (high / low) ** _GOLDEN
            misfits[1] = problem.misfit(inner[1])
    return float(np.sqrt(low * high))


def _covariance(problem: _Problem, tau: float, coefficients: FloatArray, residual: FloatArray) -> FloatArray:
    def predicted(time_constant_s: float) -> FloatArray:
        known, columns = problem.columns(time_constant_s)
        return np.asarray(known + columns @ coefficients)

    slope = (predicted(tau * 1.01) - predicted(tau * 0.99)) / (0.02 * tau)
    gains = coefficients[:-2]
    active = np.concatenate(([True], gains > 0.0, [True, problem.sink is None]))
    jacobian = np.column_stack([slope, problem.columns(tau)[1]])[:, active]
    alike = long_run_factor(residual, lags=ALIKE_LAGS)
    freedom = max(residual.size - int(active.sum()), 1)
    # Sensors step by half a kelvin and more: a fit is never believed to a twentieth of one.
    variance = max(float(np.sum(residual**2)) / freedom, 0.05**2) * alike
    weight = np.maximum(np.sqrt(np.sum(jacobian**2, axis=0)), 1e-30)
    normal = (jacobian / weight).T @ (jacobian / weight)
    part = np.linalg.pinv(normal, rcond=1e-10) * variance / np.outer(weight, weight)
    full = np.zeros((active.size, active.size))
    full[np.ix_(active, active)] = part
    unit = np.concatenate(([1.0], problem.scale, [1.0, 1.0]))
    return np.asarray(full / np.outer(unit, unit))
