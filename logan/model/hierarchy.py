"""Shared parameters, and each drive's own around them: solved together, with the spread learned too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from threadpoolctl import threadpool_limits

from logan.model.drive_likelihood import (
    DriveSay,
    DriveState,
    ErrorMoments,
    NoiseScales,
    error_moments,
    evaluate,
    first_state,
    own_mean,
    rescaled,
    reweighted,
)
from logan.model.fit_result import DriveInformation
from logan.model.measurement import Measurement
from logan.model.measurement_likelihood import measurement_quadratic
from logan.model.newton import Quadratic, minimise
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import SharedPrior
from logan.model.wheel_balance import LEVEL, OWN_AUXILIARY, OWN_COUNT
from logan.units import FloatArray

LEVEL_SPREAD_SIGMA: Final = 0.05
AUXILIARY_SPREAD_SIGMA: Final = 0.3
"""Half-normal priors of the spread from drive to drive: road load by wind, traffic and tyres; auxiliaries
(common practice)."""

_FIRST_SCALES: Final = NoiseScales()
_ROUNDS: Final = 8
_ROUNDS_FROM_NEARBY: Final = 3
_STEPS_A_ROUND: Final = 4
_SETTLED: Final = 0.02
_PSEUDO_COUNT: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """The fit in the solver's own terms.

    Parameters
    ----------
    shared : ndarray, shape (10,)
        Most probable shared vector. [ratio]
    own : ndarray, shape (d, 5)
        Most probable own unknowns of each drive. [ratio]
    information : ndarray, shape (10, 10)
        Curvature with the own unknowns integrated out, prior and measurements included. [ratio]
    states, says : tuple
        Drive by drive.
    converged : bool
        True when the last solve came to rest.
    message : str
        How it ended.
    moments : tuple of ErrorMoments
        Drive by drive, for the spread of the residuals.
    scales : NoiseScales
        Learned.
    """

    shared: FloatArray
    own: FloatArray
    information: FloatArray
    states: tuple[DriveState, ...]
    says: tuple[DriveSay, ...]
    converged: bool
    message: str
    moments: tuple[ErrorMoments, ...] = ()
    scales: NoiseScales = _FIRST_SCALES


def solve_hierarchy(
    prior: SharedPrior,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    rotating_mass_kg: float,
    *,
    known: Sequence[DriveInformation] = (),
    start: Solution | None = None,
    scales: NoiseScales | None = None,
) -> Solution:
    """Most probable shared vector and drives' own unknowns, with outliers weighed down and spreads learned.

    Parameters
    ----------
    prior : SharedPrior
        Plan.
    drives : sequence of DriveSegments
        Drives without refusal.
    measurements : sequence of Measurement
        What was measured besides.
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]
    known : sequence of DriveInformation
        Further drives, summed up by an earlier fit.
    start : Solution or None
        A solution of nearly the same problem: its shared vector and spreads are where to begin.
    scales : NoiseScales or None
        Spreads to hold; None learns them from ``drives``.
    """
    # Matrices of a few dozen rows gain nothing from the linear algebra's own threads, and where other work
    # shares the processor those threads cost tens of times the work itself.
    with threadpool_limits(limits=1, user_api="blas"):
        return _alternate(prior, drives, measurements, rotating_mass_kg, known=known, start=start, scales=scales)


def _alternate(
    prior: SharedPrior,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    rotating_mass_kg: float,
    *,
    known: Sequence[DriveInformation],
    start: Solution | None,
    scales: NoiseScales | None,
) -> Solution:
    """Solve, learn weights and spreads from the errors, and solve again, until nothing moves."""
    is_learning, scales = scales is None, scales or (start.scales if start else _FIRST_SCALES)
    shared = np.array(start.shared if start else prior.mean)
    met = {id(state.drive): state for state in start.states} if start else {}
    states = tuple(
        rescaled(met[id(drive)], scales) if id(drive) in met else first_state(drive, scales) for drive in drives
    )
    fixed = FixedTerms(prior=prior, measurements=tuple(measurements), known=tuple(known))
    moments: tuple[ErrorMoments, ...] = ()
    for _ in range(_ROUNDS_FROM_NEARBY if start else _ROUNDS):
        solved = _solve(fixed, states, rotating_mass_kg, shared, max_iterations=_STEPS_A_ROUND)
        moved = float(np.max(np.abs(solved.shared - shared)))
        shared = solved.shared
        moments = tuple(
            error_moments(state, shared, own, scales, rotating_mass_kg)
            for state, own in zip(states, solved.own, strict=True)
        )
        before = scales
        if is_learning:
            scales = learned_scales(scales, states, solved.says, solved.own, moments)
        states = tuple(
            rescaled(reweighted(state, own, moment), scales)
            for state, own, moment in zip(states, solved.own, moments, strict=True)
        )
        if not drives or (moved < 2e-3 and _is_settled(before, scales)):
            break
    solved = _solve(fixed, states, rotating_mass_kg, shared)
    return replace(solved, moments=moments, scales=scales)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedTerms:
    """What the fit knows besides the segments: plan, measurements, and drives summed up before.

    Parameters
    ----------
    prior : SharedPrior
        Plan.
    measurements : tuple of Measurement
        Measured besides the drives.
    known : tuple of DriveInformation
        Drives as quadratics.
    """

    prior: SharedPrior
    measurements: tuple[Measurement, ...]
    known: tuple[DriveInformation, ...]

    def at(self, shared: FloatArray, rotating_mass_kg: float) -> Quadratic:
        """Half their sum of squares near a shared vector."""
        deviation = shared - self.prior.mean
        value, gradient = 0.5 * float(deviation @ self.prior.precision @ deviation), self.prior.precision @ deviation
        information = np.array(self.prior.precision)
        for measurement in self.measurements:
            part = measurement_quadratic(measurement, shared, rotating_mass_kg)
            value, gradient = value + part.value, gradient + part.gradient
            information += part.information
        for drive in self.known:
            moved = shared - drive.reference
            slope = drive.information @ moved
            value += float(drive.gradient @ moved + 0.5 * moved @ slope)
            gradient = gradient + drive.gradient + slope
            information += drive.information
        return Quadratic(value=value, gradient=gradient, information=information)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockQuadratic:
    """Shared unknowns at the head, the own unknowns of d drives in blocks that only the head joins.

    Parameters
    ----------
    value : float
        Half the sum of squares.
    head_gradient, head_information : ndarray, shape (p,) and (p, p)
        Of the free shared unknowns. [ratio]
    gradient, cross, information : ndarray, shape (d, 5), (d, p, 5) and (d, 5, 5)
        Of the drives' own. [ratio]
    """

    value: float
    head_gradient: FloatArray
    head_information: FloatArray
    gradient: FloatArray
    cross: FloatArray
    information: FloatArray

    def step(self, damping: float) -> FloatArray:
        """Step to the minimum of the quadratic, its curvature's diagonal raised by a share ``damping``."""
        information = self.information + damping * _diagonals(self.information)
        head = self.head_information + damping * np.diag(np.diag(self.head_information))
        gain = np.linalg.solve(information, np.swapaxes(self.cross, 1, 2))
        shift = np.linalg.solve(information, self.gradient[:, :, None])[:, :, 0]
        schur = head - np.einsum("dpo,doq->pq", self.cross, gain)
        reduced = self.head_gradient - np.einsum("dpo,do->p", self.cross, shift)
        head_step = -np.linalg.solve(schur, reduced)
        return np.concatenate((head_step, (-shift - gain @ head_step).ravel()))

    def length(self, step: FloatArray) -> float:
        """Largest part of a step, in standard deviations of the part alone."""
        count = self.head_gradient.size
        diagonal = np.concatenate((np.diag(self.head_information), np.einsum("doo->do", self.information).ravel()))
        return float(np.max(np.abs(step) * np.sqrt(diagonal), initial=0.0)) if count else 0.0

    @property
    def marginal_information(self) -> FloatArray:
        """Curvature by the shared unknowns with all own ones integrated out, shape (p, p)."""
        gain = np.linalg.solve(self.information, np.swapaxes(self.cross, 1, 2))
        return np.asarray(self.head_information - np.einsum("dpo,doq->pq", self.cross, gain))


def _diagonals(matrices: FloatArray) -> FloatArray:
    return np.asarray(matrices * np.eye(matrices.shape[-1]))


def _solve(
    fixed: FixedTerms,
    states: Sequence[DriveState],
    rotating_mass_kg: float,
    start: FloatArray,
    *,
    max_iterations: int = 60,
) -> Solution:
    prior = fixed.prior
    free, count = prior.is_free, int(prior.is_free.sum())

    def unpack(point: FloatArray) -> tuple[FloatArray, FloatArray]:
        shared = np.array(prior.mean)
        shared[free] = point[:count]
        return shared, point[count:].reshape(len(states), OWN_COUNT)

    def says_at(shared: FloatArray, own: FloatArray) -> tuple[DriveSay, ...]:
        return tuple(
            evaluate(state, shared, drive_own, rotating_mass_kg) for state, drive_own in zip(states, own, strict=True)
        )

    def objective(point: FloatArray) -> BlockQuadratic:
        shared, own = unpack(point)
        says = says_at(shared, own)
        rest = fixed.at(shared, rotating_mass_kg)
        gradient = rest.gradient + sum((say.by_shared for say in says), np.zeros(free.size))
        information = rest.information + sum((say.shared_information for say in says), np.zeros((free.size,) * 2))
        return BlockQuadratic(
            value=rest.value + sum(say.value for say in says),
            head_gradient=gradient[free],
            head_information=information[np.ix_(free, free)],
            gradient=np.array([say.by_own for say in says]).reshape(-1, OWN_COUNT),
            cross=np.array([say.cross[free] for say in says]).reshape(-1, count, OWN_COUNT),
            information=np.array([say.own_information for say in says]).reshape(-1, OWN_COUNT, OWN_COUNT),
        )

    first = np.concatenate((np.asarray(start)[free], *(state.own for state in states)))
    minimum = minimise(objective, first, max_iterations=max_iterations, tolerance=1e-7, first_damping=1e-9)
    shared, own = unpack(minimum.point)
    information = np.zeros((free.size, free.size))
    information[np.ix_(free, free)] = minimum.quadratic.marginal_information
    return Solution(
        shared=shared,
        own=own,
        information=information,
        states=tuple(states),
        says=says_at(shared, own),
        converged=minimum.converged,
        message=minimum.message,
    )


def _is_settled(before: NoiseScales, after: NoiseScales) -> bool:
    pairs = zip(
        (before.segment_ratio, before.edge_ratio, before.level_sigma_ratio, before.auxiliary_sigma_ratio),
        (after.segment_ratio, after.edge_ratio, after.level_sigma_ratio, after.auxiliary_sigma_ratio),
        strict=True,
    )
    return all(abs(new / old - 1.0) < _SETTLED for old, new in pairs)


def learned_scales(
    scales: NoiseScales,
    states: Sequence[DriveState],
    says: Sequence[DriveSay],
    own: FloatArray,
    moments: Sequence[ErrorMoments],
) -> NoiseScales:
    """Noise scales after a solve: the errors' mean squares, held back by a few imagined ones at the assumed size."""
    if not says:
        return scales
    segment = np.concatenate([state.weight * moment.segment for state, moment in zip(states, moments, strict=True)])
    edge = np.concatenate([moment.edge for moment in moments])
    return NoiseScales(
        segment_ratio=_scaled(scales.segment_ratio, segment),
        edge_ratio=_scaled(scales.edge_ratio, edge),
        level_sigma_ratio=_spread(states, says, own, LEVEL, LEVEL_SPREAD_SIGMA),
        auxiliary_sigma_ratio=_spread(states, says, own, OWN_AUXILIARY, AUXILIARY_SPREAD_SIGMA),
    )


def _scaled(ratio: float, square: FloatArray) -> float:
    learned = (square.sum() * ratio**2 + _PSEUDO_COUNT) / (square.size + _PSEUDO_COUNT)
    return float(np.clip(np.sqrt(learned), 0.2, 5.0))


def _spread(
    states: Sequence[DriveState], says: Sequence[DriveSay], own: FloatArray, which: int, prior_sigma: float
) -> float:
    found, information = data_deviation(states, says, own, which)
    if which == OWN_AUXILIARY:
        # Cabin power that nobody logged says nothing of how the other auxiliaries differ from day to day.
        telling = np.array([state.drive.unlogged_cabin_log_sigma == 0.0 for state in states])
        found, information = found[telling], information[telling]
    return spread_of(found, information, prior_sigma)


def data_deviation(
    states: Sequence[DriveState], says: Sequence[DriveSay], own: FloatArray, which: int
) -> tuple[FloatArray, FloatArray]:
    """What the data alone say of one own unknown of each drive, the pull of its prior undone.

    Returns
    -------
    found, information : ndarray, shape (d,)
        Deviation from the mean, and the inverse of its variance at fixed shared parameters. [ratio]
    """
    own = own - np.array([own_mean(state.drive) for state in states]).reshape(own.shape)
    prior_precision = np.array([state.own_precision[which] for state in states])
    information = np.array([_alone(say.own_information, which) for say in says]) - prior_precision
    information = np.maximum(information, 1e-9)
    return own[:, which] * (information + prior_precision) / information, information


def _alone(information: FloatArray, which: int) -> float:
    """Information on one unknown with the others left free."""
    return float(1.0 / np.linalg.inv(information)[which, which])


def spread_of(found: FloatArray, information: FloatArray, prior_sigma: float) -> float:
    """Spread between drives from each drive's own deviation: root of the posterior mean square.

    Parameters
    ----------
    found, information : ndarray, shape (d,)
        Each drive's deviation and the inverse of its variance. [ratio]
    prior_sigma : float
        Scale of the half-normal prior of the spread.

    Returns
    -------
    float
        One standard deviation; near the prior's when there are few drives. [ratio]

    References
    ----------
    .. [1] Restricted likelihood of a random-effects mean on a grid of spreads: D. Harville,
       J. Am. Stat. Assoc. 72 (1977) 320, doi:10.1080/01621459.1977.10480998.
    """
    if found.size == 0:
        return prior_sigma
    spread = prior_sigma * np.linspace(0.05, 4.0, 80)
    variance = spread[:, None] ** 2 + 1.0 / information[None, :]
    mean = (found / variance).sum(axis=1) / (1.0 / variance).sum(axis=1)
    log_density = -0.5 * (np.log(variance) + (found - mean[:, None]) ** 2 / variance).sum(axis=1)
    log_density += -0.5 * np.log((1.0 / variance).sum(axis=1)) - 0.5 * (spread / prior_sigma) ** 2
    weight = np.exp(log_density - log_density.max())
    return float(np.sqrt((weight * spread**2).sum() / weight.sum()))
