"""Fit of one coastdown, or of two in opposite directions together, to its closed form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.metrics.coastdown_runs import CoastdownSpan
from logan.numerics import long_run_factor
from logan.physics.coastdown import coasting_speed_m_per_s
from logan.results import read_only
from logan.units import FloatArray

WIND_SIGMA_M_PER_S: Final = 2.0
"""Prior uncertainty of the wind along the road, around what is noted (common practice)."""

UNKNOWN_GRADE_SIGMA_RATIO: Final = 0.005
"""Prior uncertainty of the slope of a road chosen to be level, where height is not known."""

MOST_RESIDUAL_M_PER_S: Final = 0.35
GUST_LAGS: Final = 30
"""Residuals may be alike over this many half seconds: gusts and the wander of a receiver."""

SHORT_RUN_FACTOR: Final = 1.4
"""A run of two minutes hides part of what is slow in its own fit; checked by simulation with ten-second gusts."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupFit:
    """Road load of one run or pair.

    Parameters
    ----------
    constant_n, quadratic_n_s2_per_m2 : float
        Rolling part, and half the density times drag area. [N, N/(m/s)2]
    covariance : ndarray, shape (2, 2)
        Of both.
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

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", read_only(self.covariance))


def fit_group(
    spans: Sequence[CoastdownSpan], *, mass_kg: float, effective_mass_kg: float, headwind_m_per_s: float = 0.0
) -> GroupFit | None:
    """Fit speed against time of one run, or of a pair that shares wind and slope with opposite signs.

    With the wind w along the road the air speed u = v + w obeys m du/dt = -(A + m g slope) - C u²,
    whose solution is closed; so wind and slope are parameters of the fit, held by priors.

    Parameters
    ----------
    spans : sequence of CoastdownSpan
        One, or two in opposite directions.
    mass_kg, effective_mass_kg : float
        With payload; and with rotating parts. [kg]
    headwind_m_per_s : float
        Noted, on the first run. [m/s]

    Returns
    -------
    GroupFit or None
        None where the fit fails.

    References
    ----------
    .. [1] Thompson, EPA: fit v(t), do not differentiate. 40 CFR 1066.301(c): both directions.
    """
    signs = (1.0, -1.0)[: len(spans)]
    problem = _Problem(spans, signs, mass_kg, effective_mass_kg, headwind_m_per_s)
    solved = _solved(problem)
    if solved is None:
        return None
    group = problem.group(*solved)
    return group if len(spans) == 2 else _with_unknown_wind_and_slope(group, problem)


def _solved(problem: _Problem) -> tuple[FloatArray, FloatArray] | None:
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
            other = np.exp(solved[0][:2])
            step = other - np.array([group.constant_n, group.quadratic_n_s2_per_m2])
            covariance = covariance + np.outer(step, step)
    return replace(group, covariance=covariance)


class _Problem:
    """Parameters: log A, log C, wind, slope, and each run's first speed; residuals weighted to unit variance."""

    def __init__(
        self,
        spans: Sequence[CoastdownSpan],
        signs: Sequence[float],
        mass_kg: float,
        effective_mass_kg: float,
        headwind_m_per_s: float,
    ) -> None:
        self.spans, self.signs = spans, signs
        self.weight_n, self.inertia_kg = mass_kg * STANDARD_GRAVITY_M_PER_S2, effective_mass_kg
        self.wind = headwind_m_per_s
        self.slope, self.slope_sigma = _slope_prior(spans, signs)
        # One direction alone cannot tell wind or slope from the road load: they are held where they are.
        self.hold = 1.0 if len(spans) == 2 else 1e-4
        # One sample of Doppler speed, half a second's mean: residuals are rescaled after the fit.
        self.noise = 0.05
        rolling_n, drag = 0.011 * self.weight_n, 0.5
        self.start = np.array(
            [np.log(rolling_n), np.log(drag), self.wind, self.slope, *(float(s.speed_m_per_s[0]) for s in spans)]
        )

    def moved(self, wind_m_per_s: float, slope_ratio: float) -> _Problem:
        """The same problem, held at another wind or slope."""
        other = _Problem(self.spans, self.signs, self.weight_n / STANDARD_GRAVITY_M_PER_S2, self.inertia_kg, self.wind)
        other.wind, other.slope = self.wind + wind_m_per_s, self.slope + slope_ratio
        other.start = self.start.copy()
        other.start[2:4] = other.wind, other.slope
        return other

    def predicted(self, parameters: FloatArray, index: int) -> FloatArray:
        """Speed of one run."""
        wind = self.signs[index] * parameters[2]
        constant = np.exp(parameters[0]) + self.signs[index] * self.weight_n * parameters[3]
        air = coasting_speed_m_per_s(
            self.spans[index].time_s,
            start_m_per_s=float(parameters[4 + index] + wind),
            effective_mass_kg=self.inertia_kg,
            constant_n=max(float(constant), 1.0),
            quadratic_n_s2_per_m2=float(np.exp(parameters[1])),
        )
        return np.asarray(air - wind)

    def residuals(self, parameters: FloatArray) -> FloatArray:
        """Weighted differences, then the two priors."""
        parts = [
            (span.speed_m_per_s - self.predicted(parameters, index)) / self.noise
            for index, span in enumerate(self.spans)
        ]
        priors = [
            (parameters[2] - self.wind) / (WIND_SIGMA_M_PER_S * self.hold),
            (parameters[3] - self.slope) / (self.slope_sigma * self.hold),
        ]
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
        data = jacobian[:-2]
        normal = data.T @ data / inflation + jacobian[-2:].T @ jacobian[-2:]
        covariance = np.linalg.pinv(normal)
        values = np.exp(parameters[:2])
        return GroupFit(
            constant_n=float(values[0]),
            quadratic_n_s2_per_m2=float(values[1]),
            covariance=np.asarray(covariance[:2, :2] * np.outer(values, values)),
            residual_m_per_s=tuple(float(np.sqrt(np.mean(misfit**2))) for misfit in misfits),
            headwind_m_per_s=float(parameters[2]),
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
