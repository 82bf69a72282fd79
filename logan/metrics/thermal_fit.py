"""Fit of one first-order thermal node to block means: T lags (sink + gains x inputs)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import nnls

from logan.numerics import long_run_factor
from logan.physics.thermal import lagged
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
_SHORTEST_S: Final = 15.0
_LONGEST_S: Final = 7200.0
_COARSE: Final = 20
_FINE: Final = 13
_ENOUGH: Final = 7
_LEAST_WEIGHT_RATIO: Final = 1e-3
_LEAST_SCORE: Final = 8.0
"""A time constant less likely than the best by more than exp(8) is not carried on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeConstantPrior:
    """What is known of a time constant before the drive: log-normal.

    Parameters
    ----------
    median_s : float
        [s]
    sigma_ratio : float
        Standard deviation of its logarithm.
    """

    median_s: float
    sigma_ratio: float

    def score(self, time_constant_s: FloatArray) -> FloatArray:
        """Logarithm of its density over the logarithm of the time constant, less a constant."""
        return np.asarray(-0.5 * (np.log(time_constant_s / self.median_s) / self.sigma_ratio) ** 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThermalNode:
    """A fitted node: every time constant that the data leave open, with its weight and its gains.

    Parameters
    ----------
    tried_s, weight : ndarray, shape (k,)
        Time constants and how likely each is; weights add up to one. [s, ratio]
    tried_gains : ndarray, shape (k, m)
        Settled rise per unit of each input; never negative. [K per unit]
    tried_sink_degc : ndarray, shape (k,)
        Fitted constant sink; zero where a sink was given. [degC]
    tried_covariance : ndarray, shape (k, m + 1, m + 1)
        Of gains and sink at each time constant.
    residual_k : float
        RMS of what the best fit leaves. [K]
    observed_s : float
        Length of data behind it. [s]
    """

    tried_s: FloatArray
    weight: FloatArray
    tried_gains: FloatArray
    tried_sink_degc: FloatArray
    tried_covariance: FloatArray
    residual_k: float
    observed_s: float

    @property
    def time_constant_s(self) -> float:
        """Mean over what the data leave open. [s]"""
        return float(self.weight @ self.tried_s)

    @property
    def time_constant_sigma_s(self) -> float:
        """One standard uncertainty of the time constant. [s]"""
        return float(np.sqrt(self.weight @ (self.tried_s - self.time_constant_s) ** 2))

    @property
    def gains(self) -> FloatArray:
        """Mean gains, shape (m,). [K per unit]"""
        return np.asarray(self.weight @ self.tried_gains)

    @property
    def sink_degc(self) -> float:
        """Mean constant sink. [degC]"""
        return float(self.weight @ self.tried_sink_degc)

    def rise_k(self, inputs: FloatArray) -> float:
        """Settled rise over the sink (over zero where the sink is fitted). [K]"""
        return float(self.gains @ inputs) + self.sink_degc

    def rise_sigma_k(self, inputs: FloatArray, input_sigma: FloatArray | None = None) -> float:
        """One standard uncertainty of the settled rise, time constants left open included. [K]"""
        rises = self.tried_gains @ inputs + self.tried_sink_degc
        gradient = np.concatenate((inputs, [1.0]))
        within = np.einsum("i,kij,j->k", gradient, self.tried_covariance, gradient)
        variance = float(self.weight @ ((rises - self.rise_k(inputs)) ** 2 + np.maximum(within, 0.0)))
        if input_sigma is not None:
            variance += float(np.sum((self.gains * input_sigma) ** 2))
        return float(np.sqrt(variance))

    @property
    def refusal(self) -> Refusal | None:
        """Why the node stands for no temperature of its own; None where it does."""
        if self.observed_s < self.time_constant_s:
            minutes, constant = self.observed_s / 60.0, self.time_constant_s / 60.0
            reason = f"{minutes:.0f} min of data are shorter than its time constant of {constant:.0f} min"
            return Refusal(reason, "Hold the load longer")
        if self.residual_k > MOST_RESIDUAL_K:
            text = f"residual {self.residual_k:.1f} K"
            reason = f"it does not follow a first-order law ({text}): thermostat, fan, other load"
            return Refusal(reason, "Hold a steady load until it settles")
        return None


def fit_node(
    observed_degc: FloatArray,
    sink_degc: FloatArray | None,
    inputs: FloatArray,
    prior: TimeConstantPrior | None = None,
) -> ThermalNode | Refusal:
    """Fit a node by output error, over every time constant that the data leave open.

    Parameters
    ----------
    observed_degc : ndarray, shape (n,)
        Block means; NaN where not known. [degC]
    sink_degc : ndarray, shape (n,), or None
        What cools; None fits a constant. [degC]
    inputs : ndarray, shape (n, m)
        What heats. [any]
    prior : TimeConstantPrior, optional
        What is known of the time constant; left out, any is as likely as another in its logarithm.

    Returns
    -------
    ThermalNode or Refusal
        The node, which may carry a refusal of its own, or why there is none.

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
    problem = _Problem(observed, None if sink_degc is None else sink_degc[first:last], inputs[first:last])
    return _weighed(problem, prior)


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
        rises = _follow(self.inputs, time_constant_s) - self.inputs[0] * start[:, None]
        known = np.zeros(start.shape) if self.sink is None else _follow(self.sink, time_constant_s)
        return known, np.column_stack([rises, start, 1.0 - start])

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


def _follow(signals: FloatArray, time_constant_s: float) -> FloatArray:
    return lagged(signals, step_s=BLOCK_S, time_constant_s=time_constant_s, is_settled=True)


@dataclass(frozen=True, slots=True)
class _Tried:
    """Fits at several time constants."""

    tau_s: FloatArray
    coefficients: FloatArray
    residual: FloatArray

    @property
    def misfit(self) -> FloatArray:
        """Sum of squared residuals of each."""
        return np.asarray(np.sum(self.residual**2, axis=1))

    @property
    def best(self) -> int:
        """Index of the closest fit."""
        return int(np.argmin(self.misfit))


def _tried(problem: _Problem, tau_s: FloatArray) -> _Tried:
    solved = [problem.solve(tau) for tau in tau_s.tolist()]
    return _Tried(tau_s, np.array([one for one, _ in solved]), np.array([residual for _, residual in solved]))


def _variance(tried: _Tried) -> float:
    """Variance of one residual, widened by how far neighbours are alike. [K2]"""
    residual, coefficients = tried.residual[tried.best], tried.coefficients[tried.best]
    freedom = max(residual.size - int(np.count_nonzero(coefficients)) - 1, 1)
    # Sensors step by half a kelvin and more: a fit is never believed to a twentieth of one.
    variance = max(float(np.sum(residual**2)) / freedom, 0.05**2)
    return float(variance * long_run_factor(residual, lags=ALIKE_LAGS))


def _score(tried: _Tried, prior: TimeConstantPrior | None) -> FloatArray:
    score = -0.5 * (tried.misfit - tried.misfit.min()) / _variance(tried)
    if prior is not None:
        score = score + prior.score(tried.tau_s)
    return np.asarray(score - score.max())


def _weighed(problem: _Problem, prior: TimeConstantPrior | None) -> ThermalNode | Refusal:
    longest_s = float(np.clip(4.0 * problem.age_s[-1], 2.0 * _SHORTEST_S, _LONGEST_S))
    tried = _tried(problem, np.geomspace(_SHORTEST_S, longest_s, _COARSE))
    for _ in range(2):
        kept = np.flatnonzero(_score(tried, prior) > -_LEAST_SCORE)
        if tried.tau_s.size == _FINE and kept.size >= _ENOUGH:
            break
        low, high = max(int(kept[0]) - 1, 0), min(int(kept[-1]) + 1, tried.tau_s.size - 1)
        tried = _tried(problem, np.geomspace(tried.tau_s[low], tried.tau_s[high], _FINE))
    if not (tried.coefficients[tried.best, :-2] > 0.0).any():
        return Refusal("it does not rise with the drive's load", "It may be heated or cooled by something else")
    weight = np.exp(_score(tried, prior))
    variance = _variance(tried)
    likely = weight > _LEAST_WEIGHT_RATIO
    tried, weight = _Tried(tried.tau_s[likely], tried.coefficients[likely], tried.residual[likely]), weight[likely]
    covariance = [_covariance(problem, *pair, variance) for pair in zip(tried.tau_s, tried.coefficients, strict=True)]
    return ThermalNode(
        tried_s=tried.tau_s,
        weight=weight / weight.sum(),
        tried_gains=tried.coefficients[:, :-2] / problem.scale,
        tried_sink_degc=tried.coefficients[:, -1],
        tried_covariance=np.array(covariance),
        residual_k=float(np.sqrt(np.mean(tried.residual[tried.best] ** 2))),
        observed_s=float(problem.age_s[-1]) + BLOCK_S,
    )


def _covariance(problem: _Problem, tau_s: float, coefficients: FloatArray, variance: float) -> FloatArray:
    """Covariance of gains and sink at one time constant; gains held at zero are known to be zero."""
    active = np.concatenate((coefficients[:-2] > 0.0, [True, problem.sink is None]))
    columns = problem.columns(float(tau_s))[1][:, active]
    weight = np.maximum(np.sqrt(np.sum(columns**2, axis=0)), 1e-30)
    normal = (columns / weight).T @ (columns / weight)
    full = np.zeros((active.size, active.size))
    full[np.ix_(active, active)] = np.linalg.pinv(normal, rcond=1e-10) * variance / np.outer(weight, weight)
    unit = np.concatenate((problem.scale, [1.0, 1.0]))
    start = active.size - 2
    return np.asarray(np.delete(np.delete(full / np.outer(unit, unit), start, axis=0), start, axis=1))
