"""Fit of one coastdown, or of two in opposite directions together, to its closed form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logan.metrics.coastdown_runs import CoastdownSpan
from logan.numerics import long_run_factor
from logan.physics.road_load import coasting_speed_m_per_s
from logan.results import Estimate, Figure, Refusal, result
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

WIND_SIGMA_M_PER_S: Final = 2.0
"""Prior uncertainty of the wind along the road, around what is noted (common practice)."""

UNKNOWN_GRADE_SIGMA_RATIO: Final = 0.005
"""Prior uncertainty of the slope of a road chosen to be level, where height is not known."""

LINEAR_SIGMA_N_S_PER_M: Final = 5.0
"""Prior uncertainty of a linear term, where one is let in: gears, bearings and tyres of a car (common practice)."""

MOST_RESIDUAL_M_PER_S: Final = 0.35
GUST_LAGS: Final = 30
"""Residuals may be alike over this many half seconds: gusts and the wander of a receiver."""

SHORT_RUN_FACTOR: Final = 1.4
"""A run of two minutes hides part of what is slow in its own fit; checked by simulation with ten-second gusts."""


@result()
class GroupFit:
    """Road load of one run or pair.

    Parameters
    ----------
    constant_n, quadratic_n_s2_per_m2, linear_n_s_per_m : float
        Rolling part, half the density times drag area, and the linear term, zero where it was held.
        [N, N/(m/s)2, N/(m/s)]
    covariance : ndarray, shape (2, 2) or (3, 3)
        Of constant, quadratic and, where it was free, linear term.
    residual_m_per_s : tuple of float
        RMS of each run.
    headwind_m_per_s : float
        On the first run. [m/s]
    """

    constant_n: float
    quadratic_n_s2_per_m2: float
    covariance: FloatArray
    residual_m_per_s: tuple[float, ...]
    headwind_m_per_s: float
    linear_n_s_per_m: float = 0.0


def fit_group(
    spans: Sequence[CoastdownSpan],
    *,
    mass_kg: float,
    effective_mass_kg: float,
    headwind_m_per_s: float = 0.0,
    has_linear: bool = False,
) -> GroupFit | None:
    """Fit speed against time of one run, or of a pair that shares wind and slope with opposite signs.

    With the wind w along the road the air speed u = v + w obeys
    m du/dt = -(A + m g slope - B w) - B u - C u², whose solution is closed; so wind and slope are
    parameters of the fit, held by priors.

    Parameters
    ----------
    spans : sequence of CoastdownSpan
        One, or two in opposite directions.
    mass_kg, effective_mass_kg : float
        With payload; and with rotating parts. [kg]
    headwind_m_per_s : float
        Noted, on the first run. [m/s]
    has_linear : bool
        Let a linear term B in; else it is held at zero.

    Returns
    -------
    GroupFit or None
        None where the fit fails.

    References
    ----------
    .. [1] Thompson, EPA: fit v(t), do not differentiate. 40 CFR 1066.301(c): both directions.
    """
    signs = (1.0, -1.0)[: len(spans)]
    problem = _Problem(spans, signs, mass_kg, effective_mass_kg, headwind_m_per_s, has_linear=has_linear)
    solved = _solved(problem)
    if solved is None:
        return None
    group = problem.group(*solved)
    return group if len(spans) == 2 else _with_unknown_wind_and_slope(group, problem)


def _solved(problem: _Problem) -> tuple[FloatArray, FloatArray] | None:
    from scipy.optimize import least_squares  # few drives coast, and loading it takes 0.2 s

    try:
        result = least_squares(problem.residuals, problem.start, x_scale="jac", max_nfev=200)
    except ValueError:
        return None
    if not result.success or result.x[0] <= -5.0 or result.x[1] <= -9.0:
        return None
    return np.asarray(result.x, dtype=np.float64), np.asarray(result.jac, dtype=np.float64)


def _with_unknown_wind_and_slope(group: GroupFit, problem: _Problem) -> GroupFit:
    """Add what one direction cannot tell: the load fitted again with a windier and with a steeper road."""
    covariance = group.covariance.copy()
    for wind, slope in ((WIND_SIGMA_M_PER_S, 0.0), (0.0, problem.slope_sigma)):
        solved = _solved(problem.moved(wind, slope))
        if solved is not None:
            step = problem.load(solved[0]) - problem.load_of(group)
            covariance = covariance + np.outer(step, step)
    return replace(group, covariance=covariance)


class _Problem:
    """Parameters: log A, log C, wind, slope, B where it is free, each run's first speed; residuals of unit variance."""

    def __init__(
        self,
        spans: Sequence[CoastdownSpan],
        signs: Sequence[float],
        mass_kg: float,
        effective_mass_kg: float,
        headwind_m_per_s: float,
        *,
        has_linear: bool,
    ) -> None:
        self.spans, self.signs = spans, signs
        self.weight_n, self.inertia_kg = mass_kg * STANDARD_GRAVITY_M_PER_S2, effective_mass_kg
        self.wind, self.has_linear = headwind_m_per_s, has_linear
        self.slope, self.slope_sigma = _slope_prior(spans, signs)
        # One direction alone cannot tell wind or slope from the road load: they are held where they are.
        self.hold = 1.0 if len(spans) == 2 else 1e-4
        # One sample of Doppler speed, half a second's mean: residuals are rescaled after the fit.
        self.noise = 0.05
        rolling_n, drag = 0.011 * self.weight_n, 0.5
        first = [float(span.speed_m_per_s[0]) for span in spans]
        linear = [0.0] if has_linear else []
        self.start = np.array([np.log(rolling_n), np.log(drag), self.wind, self.slope, *linear, *first])

    def load(self, parameters: FloatArray) -> FloatArray:
        """A and C, and B where it is free."""
        return np.concatenate((np.exp(parameters[:2]), parameters[4:5] if self.has_linear else []))

    def load_of(self, group: GroupFit) -> FloatArray:
        """The same of a group."""
        both = [group.constant_n, group.quadratic_n_s2_per_m2]
        return np.array([*both, group.linear_n_s_per_m] if self.has_linear else both)

    def moved(self, wind_m_per_s: float, slope_ratio: float) -> _Problem:
        """The same problem, held at another wind or slope."""
        mass_kg = self.weight_n / STANDARD_GRAVITY_M_PER_S2
        other = _Problem(self.spans, self.signs, mass_kg, self.inertia_kg, self.wind, has_linear=self.has_linear)
        other.wind, other.slope = self.wind + wind_m_per_s, self.slope + slope_ratio
        other.start = self.start.copy()
        other.start[2:4] = other.wind, other.slope
        return other

    def predicted(self, parameters: FloatArray, index: int) -> FloatArray:
        """Speed of one run."""
        wind = self.signs[index] * parameters[2]
        rolling_n, quadratic = np.exp(np.clip(parameters[:2], -20.0, 20.0)).tolist()
        linear = float(parameters[4]) if self.has_linear else 0.0
        constant = rolling_n + self.signs[index] * self.weight_n * parameters[3] - linear * wind
        air = coasting_speed_m_per_s(
            self.spans[index].time_s,
            start_m_per_s=float(parameters[4 + self.has_linear + index] + wind),
            effective_mass_kg=self.inertia_kg,
            # The load stays above zero at every speed, whatever the search tries.
            constant_n=max(float(constant), linear**2 / (4.0 * quadratic) + 1.0),
            linear_n_s_per_m=linear,
            quadratic_n_s2_per_m2=quadratic,
        )
        return np.asarray(air - wind)

    def residuals(self, parameters: FloatArray) -> FloatArray:
        """Weighted differences, then the priors."""
        parts = [
            (span.speed_m_per_s - self.predicted(parameters, index)) / self.noise
            for index, span in enumerate(self.spans)
        ]
        priors = [
            (parameters[2] - self.wind) / (WIND_SIGMA_M_PER_S * self.hold),
            (parameters[3] - self.slope) / (self.slope_sigma * self.hold),
        ]
        if self.has_linear:
            priors.append(parameters[4] / LINEAR_SIGMA_N_S_PER_M)
        return np.concatenate([*parts, priors])

    def group(self, parameters: FloatArray, jacobian: FloatArray) -> GroupFit:
        """Estimates with a covariance that counts neighbouring residuals as alike: gusts last seconds."""
        misfits = [span.speed_m_per_s - self.predicted(parameters, index) for index, span in enumerate(self.spans)]
        count = sum(misfit.size for misfit in misfits)
        variance = sum(float(np.sum(misfit**2)) for misfit in misfits) / max(count - parameters.size, 1)
        alike = max(long_run_factor(misfit, lags=GUST_LAGS) for misfit in misfits)
        independent = max(count / alike, parameters.size + 2.0)
        inflation = max(variance / self.noise**2, 0.1) * alike * independent / (independent - parameters.size)
        inflation *= SHORT_RUN_FACTOR**2
        data, priors = jacobian[:count], jacobian[count:]
        covariance = np.linalg.pinv(data.T @ data / inflation + priors.T @ priors)
        values = np.exp(parameters[:2])
        free = [0, 1, 4] if self.has_linear else [0, 1]
        steps = np.concatenate((values, np.ones(len(free) - 2)))
        return GroupFit(
            constant_n=float(values[0]),
            quadratic_n_s2_per_m2=float(values[1]),
            covariance=np.asarray(covariance[np.ix_(free, free)] * np.outer(steps, steps)),
            residual_m_per_s=tuple(float(np.sqrt(np.mean(misfit**2))) for misfit in misfits),
            headwind_m_per_s=float(parameters[2]),
            linear_n_s_per_m=float(parameters[4]) if self.has_linear else 0.0,
        )


def _slope_prior(spans: Sequence[CoastdownSpan], signs: Sequence[float]) -> tuple[float, float]:
    """Slope along the first run and its uncertainty; the mean of both runs' where both know it."""
    known = [
        (sign * span.mean_grade_ratio, span.grade_sigma_ratio)
        for span, sign in zip(spans, signs, strict=True)
        if span.mean_grade_ratio is not None and span.grade_sigma_ratio is not None
    ]
    if not known:
        return 0.0, UNKNOWN_GRADE_SIGMA_RATIO
    slope = float(np.mean([grade for grade, _ in known]))
    sigma = float(np.sqrt(np.sum([sigma**2 for _, sigma in known]))) / len(known)
    return slope, max(sigma, 1e-5)


@result("three-term-load/1")
class ThreeTermLoad:
    """Road load with a linear term let in, at reference conditions: what a dynamometer is set to.

    Parameters
    ----------
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : Figure
        A, B and C; their errors are strongly correlated, so that their sum is surer than each.
    """

    constant_n: Figure
    linear_n_s_per_m: Figure
    quadratic_n_s2_per_m2: Figure


_NO_PAIR: Final = Refusal("no pair of opposite runs: wind, slope and a linear term look alike", "Drive both ways")
NO_THREE_TERMS: Final = ThreeTermLoad(constant_n=_NO_PAIR, linear_n_s_per_m=_NO_PAIR, quadratic_n_s2_per_m2=_NO_PAIR)


def three_term_load(fits: Sequence[GroupFit], *, constant_factor: float, quadratic_factor: float) -> ThreeTermLoad:
    """Weighted means of A, B and C over pairs fitted with a free linear term.

    Parameters
    ----------
    fits : sequence of GroupFit
        At least one, with a covariance of shape (3, 3).
    constant_factor, quadratic_factor : float
        What brings A and C as driven to reference conditions.

    Returns
    -------
    ThreeTermLoad
        Estimates; pairs that scatter more than they should widen them.
    """
    loads = np.array([(fit.constant_n, fit.linear_n_s_per_m, fit.quadratic_n_s2_per_m2) for fit in fits])
    variances = np.array([np.diag(fit.covariance)[[0, 2, 1]] for fit in fits])
    factors = (constant_factor, 1.0, quadratic_factor)
    constant, linear, quadratic = (
        _mean(loads[:, column] * factors[column], variances[:, column] * factors[column] ** 2, unit)
        for column, unit in enumerate(("N", "N s/m", "N s2/m2"))
    )
    return ThreeTermLoad(constant_n=constant, linear_n_s_per_m=linear, quadratic_n_s2_per_m2=quadratic)


def _mean(values: FloatArray, variances: FloatArray, unit: str) -> Estimate:
    weight = 1.0 / variances
    middle = float(np.sum(weight * values) / np.sum(weight))
    chi = float(np.sum(weight * (values - middle) ** 2))
    widened = max(1.0, chi / max(values.size - 1, 1))
    return Estimate(middle, unit, float(np.sqrt(widened / np.sum(weight))), "coastdown, linear term free")
