"""Shared parameters, and each drive's own around them: solved together, with the spread learned too."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Final

import numpy as np
from threadpoolctl import threadpool_limits

from logan.model import drive_likelihood as likelihood
from logan.model.drive_likelihood import DriveLikelihood, DriveState, ErrorMoments, NoiseScales
from logan.model.heights import hilliness_m2_per_m
from logan.model.measurement import Measurement, measurement_quadratic
from logan.model.newton import Quadratic, minimise
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import OWN_COUNT, Own, SharedPrior
from logan.results import Estimate
from logan.units import FloatArray

LEVEL_SPREAD_SIGMA: Final = 0.05
AUXILIARY_SPREAD_SIGMA: Final = 0.3
WIND_SPREAD_SIGMA: Final = 2.0
"""Half-normal priors of the spread from drive to drive: road load by traffic, tires and road; auxiliaries; and the mean
wind from one side [m/s], which a spread of zero would turn into drag area (common practice)."""

_MOST_ROUNDS: Final = 60
_ROUNDS_UNDAMPED: Final = 8
_STEPS_A_ROUND: Final = 8
_SETTLED: Final = 0.02
_MOVED: Final = 0.03
_SETTLED_NEARBY: Final = 0.05
_MOVED_NEARBY: Final = 0.1
"""A round is the last when no scale moved by more than this share, nor an unknown by more than this of its sigma; the
second pair where the start was a solution of nearly the same problem."""

_PSEUDO_COUNT: Final = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solution:
    """The fit in the solver's own terms.

    Parameters
    ----------
    shared : ndarray, shape (p,)
        Most probable shared vector. [ratio]
    own : ndarray, shape (d, o)
        Most probable own unknowns of each drive. [ratio]
    information : ndarray, shape (p, p)
        Curvature with the own unknowns integrated out, prior and measurements included. [ratio]
    states, says : tuple
        Drive by drive.
    converged : bool
        True when the last solve converged.
    message : str
        How it ended.
    scales : NoiseScales
        Learned.
    regen_limit : Estimate or None
        Most power that regen put back, where the braking shows one.
    """

    shared: FloatArray
    own: FloatArray
    information: FloatArray
    states: tuple[DriveState, ...]
    likelihoods: tuple[DriveLikelihood, ...]
    converged: bool
    message: str
    scales: NoiseScales
    regen_limit: Estimate | None = None


def solve_hierarchy(
    prior: SharedPrior,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    rotating_mass_kg: float,
    *,
    start: Solution | None = None,
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
    start : Solution or None
        A solution of nearly the same problem: its shared vector and spreads are where to begin.

    Returns
    -------
    Solution
        ``converged`` is False, and nothing in it to be shown, where weights and spreads did not settle. Method: fit
        (14) to (16) on why no solve can diverge.
    """
    # Matrices of a few dozen rows gain nothing from the linear algebra's own threads, and where other work
    # shares the processor those threads cost tens of times the work itself.
    with threadpool_limits(limits=1, user_api="blas"), np.errstate(all="ignore"):
        return _alternate(prior, drives, measurements, rotating_mass_kg, start)


def _alternate(
    prior: SharedPrior,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    rotating_mass_kg: float,
    start: Solution | None,
) -> Solution:
    """Solve, learn weights and spreads from the errors, and solve again, until nothing moves."""
    scales = start.scales if start else NoiseScales()
    shared = np.array(start.shared if start else prior.mean)
    met = {id(state.drive): state for state in start.states} if start else {}
    states = tuple(
        likelihood.rescaled(met[id(drive)], scales)
        if id(drive) in met
        else likelihood.first_state(drive, scales, prior.mean)
        for drive in drives
    )
    fixed = FixedTerms(prior=prior, measurements=tuple(measurements))
    most_moved, most_change = (_MOVED_NEARBY, _SETTLED_NEARBY) if start else (_MOVED, _SETTLED)
    steps, has_settled = 1 if start else _STEPS_A_ROUND, False
    for number in range(_MOST_ROUNDS):
        solved = _solve(fixed, states, rotating_mass_kg, shared, scales, max_iterations=steps)
        moved = np.abs(solved.shared - shared) * np.sqrt(np.maximum(np.diag(solved.information), 0.0))
        shared = solved.shared
        moments = tuple(
            likelihood.error_moments(state, shared, own, scales, rotating_mass_kg)
            for state, own in zip(states, solved.own, strict=True)
        )
        before, scales = scales, learned_scales(scales, states, solved.likelihoods, solved.own, moments)
        share = 1.0 if number < _ROUNDS_UNDAMPED else 2.0 / (number - _ROUNDS_UNDAMPED + 3.0)
        scales = between(before, scales, share)
        states = tuple(
            likelihood.rescaled(likelihood.reweighted(state, own, moment), scales)
            for state, own, moment in zip(states, solved.own, moments, strict=True)
        )
        if not start:  # nearly the same problem has nearly the same tilt
            states = tuple(
                likelihood.tilted(state, shared, own, rotating_mass_kg, share=share)
                for state, own in zip(states, solved.own, strict=True)
            )
        has_settled = not drives or bool(
            moved.max(initial=0.0) < most_moved and _is_settled(before, scales, most_change)
        )
        if has_settled:
            break
    solved = _solve(fixed, states, rotating_mass_kg, shared, scales)
    message = solved.message if has_settled else f"weights and spreads did not settle in {_MOST_ROUNDS} rounds"
    converged = solved.converged and has_settled
    return replace(solved, converged=converged, message=message)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FixedTerms:
    """What the fit knows besides the segments: plan and measurements.

    Parameters
    ----------
    prior : SharedPrior
        Plan.
    measurements : tuple of Measurement
        Measured besides the drives.
    """

    prior: SharedPrior
    measurements: tuple[Measurement, ...]

    def at(self, shared: FloatArray, rotating_mass_kg: float) -> Quadratic:
        """Half their sum of squares near a shared vector."""
        deviation = shared - self.prior.mean
        value, gradient = 0.5 * float(deviation @ self.prior.precision @ deviation), self.prior.precision @ deviation
        information = np.array(self.prior.precision)
        for measurement in self.measurements:
            part = measurement_quadratic(measurement, shared, rotating_mass_kg)
            value, gradient = value + part.value, gradient + part.gradient
            information += part.information
        return Quadratic(value=value, gradient=gradient, information=information)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockQuadratic:
    """Shared unknowns at the head, the own unknowns of d drives in blocks that only the head joins.

    Parameters
    ----------
    head_gradient, head_information : ndarray, shape (p,) and (p, p)
        Of the free shared unknowns. [ratio]
    gradient, cross, information : ndarray, shape (d, o), (d, p, o) and (d, o, o)
        Of the drives' own. [ratio]
    value : float
        Half the sum of squares.
    likelihoods : tuple of DriveLikelihood
        Drive by drive.
    """

    head_gradient: FloatArray
    head_information: FloatArray
    gradient: FloatArray
    cross: FloatArray
    information: FloatArray
    value: float = 0.0
    likelihoods: tuple[DriveLikelihood, ...] = ()

    def step(self, damping: float) -> FloatArray:
        """Step to the minimum of the quadratic, its curvature's diagonal raised by a share ``damping``."""
        information = self.information + damping * self.information * np.eye(self.information.shape[-1])
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


def _solve(
    fixed: FixedTerms,
    states: Sequence[DriveState],
    rotating_mass_kg: float,
    start: FloatArray,
    scales: NoiseScales,
    *,
    max_iterations: int = 300,
) -> Solution:
    """Minimum with weights, spreads and tilt held. Method: fit (14), (16)."""
    prior = fixed.prior
    free, count = prior.is_free, int(prior.is_free.sum())

    def unpack(point: FloatArray) -> tuple[FloatArray, FloatArray]:
        shared = np.array(prior.mean)
        shared[free] = point[:count]
        return shared, point[count:].reshape(len(states), OWN_COUNT)

    def objective(point: FloatArray) -> BlockQuadratic:
        shared, own = unpack(point)
        likelihoods = tuple(
            likelihood.evaluate(state, shared, drive_own, rotating_mass_kg)
            for state, drive_own in zip(states, own, strict=True)
        )
        rest = fixed.at(shared, rotating_mass_kg)
        gradient = rest.gradient + sum((one.by_shared for one in likelihoods), np.zeros(free.size))
        information = rest.information + sum(
            (each.shared_information for each in likelihoods), np.zeros((free.size,) * 2)
        )
        return BlockQuadratic(
            value=rest.value + sum(each.value for each in likelihoods),
            head_gradient=gradient[free],
            head_information=information[np.ix_(free, free)],
            gradient=np.array([each.by_own for each in likelihoods]).reshape(-1, OWN_COUNT),
            cross=np.array([each.cross[free] for each in likelihoods]).reshape(-1, count, OWN_COUNT),
            information=np.array([each.own_information for each in likelihoods]).reshape(-1, OWN_COUNT, OWN_COUNT),
            likelihoods=likelihoods,
        )

    first = np.concatenate((np.asarray(start)[free], *(state.own for state in states)))
    # A half sum of squares of unit variance knows no point better than this; a corner may lie at the minimum.
    solve = partial(minimise, objective, max_iterations=max_iterations, tolerance=1e-7, stalled_gain=1e-3)
    minimum = solve(first, first_damping=1e-9)
    if minimum.converged:
        # Steps only ever descend: from the plan, what is found is no worse than the plan.
        mean = np.concatenate((prior.mean[free], *(likelihood.own_mean(state.drive) for state in states)))
        if objective(mean).value < minimum.quadratic.value:
            minimum = solve(mean)
    shared, own = unpack(minimum.point)
    information = np.zeros((free.size, free.size))
    information[np.ix_(free, free)] = minimum.quadratic.marginal_information
    return Solution(
        shared=shared,
        own=own,
        information=information,
        states=tuple(states),
        likelihoods=minimum.quadratic.likelihoods,
        converged=minimum.converged,
        message=minimum.message,
        scales=scales,
    )


def _is_settled(before: NoiseScales, after: NoiseScales, most_change: float) -> bool:
    names = ("segment_ratio", "edge_ratio", "level_sigma_ratio", "auxiliary_sigma_ratio")
    return all(abs(getattr(after, name) / getattr(before, name) - 1.0) < most_change for name in names)


def between(one: NoiseScales, other: NoiseScales, share: float) -> NoiseScales:
    """Scales a share of the way from one set to another, in logarithms: what swings to and fro comes to rest."""
    return NoiseScales(
        **{
            field.name: float(getattr(one, field.name) ** (1.0 - share) * getattr(other, field.name) ** share)
            for field in fields(NoiseScales)
        }
    )


def learned_scales(
    scales: NoiseScales,
    states: Sequence[DriveState],
    likelihoods: Sequence[DriveLikelihood],
    own: FloatArray,
    moments: Sequence[ErrorMoments],
) -> NoiseScales:
    """Noise scales after a solve: the errors' mean squares, held back by a few imagined ones at the assumed size."""
    if not likelihoods:
        return scales
    segment = np.concatenate([state.weight * moment.segment for state, moment in zip(states, moments, strict=True)])
    edge = np.concatenate([moment.edge for moment in moments])
    return NoiseScales(
        segment_ratio=_scaled(scales.segment_ratio, segment),
        edge_ratio=_scaled(scales.edge_ratio, edge),
        hilliness_m2_per_m=hilliness_m2_per_m(np.concatenate([moment.climb for moment in moments])),
        level_sigma_ratio=_spread(states, likelihoods, own, Own.LEVEL, LEVEL_SPREAD_SIGMA),
        auxiliary_sigma_ratio=_spread(states, likelihoods, own, Own.AUXILIARY, AUXILIARY_SPREAD_SIGMA),
        wind_sigma_m_per_s=_wind_spread(states, likelihoods, own),
    )


def _scaled(ratio: float, square: FloatArray) -> float:
    learned = (square.sum() * ratio**2 + _PSEUDO_COUNT) / (square.size + _PSEUDO_COUNT)
    return float(np.clip(np.sqrt(learned), 0.2, 5.0))


def _spread(
    states: Sequence[DriveState], likelihoods: Sequence[DriveLikelihood], own: FloatArray, which: int, prior: float
) -> float:
    found, information = data_deviation(states, likelihoods, own, which)
    if which == Own.AUXILIARY:
        # Cabin power that nobody logged says nothing of how the other auxiliaries differ from day to day.
        telling = np.array([state.drive.unlogged_cabin_log_sigma == 0.0 for state in states])
    else:
        # Nor does a roof rack or a trailer say how other days differ.
        telling = np.array([state.drive.drag_factor == state.drive.rolling_factor == 1.0 for state in states])
    found, information = found[telling], information[telling]
    return spread_of(found, information, prior)


def _wind_spread(states: Sequence[DriveState], likelihoods: Sequence[DriveLikelihood], own: FloatArray) -> float:
    """Spread of the winds from either side, each drive's in shares of it."""
    share = np.array([likelihood.wind_share(state.drive) for state in states])
    two_sided = np.array([state.drive.has_heading for state in states])
    found, information = [], []
    for which, telling in ((Own.WIND_FIRST, np.ones(share.size, dtype=bool)), (Own.WIND_SECOND, two_sided)):
        deviation, precision = data_deviation(states, likelihoods, own, which)
        found.append((deviation / share)[telling])
        information.append((precision * share**2)[telling])
    return spread_of(np.concatenate(found), np.concatenate(information), WIND_SPREAD_SIGMA)


def data_deviation(
    states: Sequence[DriveState], likelihoods: Sequence[DriveLikelihood], own: FloatArray, which: int
) -> tuple[FloatArray, FloatArray]:
    """What the data alone say of one own unknown of each drive, the pull of its prior undone.

    Returns
    -------
    found, information : ndarray, shape (d,)
        Deviation from the mean, and the inverse of its variance at fixed shared parameters. [ratio]
    """
    own = own - np.array([likelihood.own_mean(state.drive) for state in states]).reshape(own.shape)
    prior_precision = np.array([state.own_precision[which] for state in states])
    # On the one unknown with the others left free.
    alone = [1.0 / np.linalg.inv(each.own_information)[which, which] for each in likelihoods]
    information = np.array(alone) - prior_precision
    information = np.maximum(information, 1e-9)
    return own[:, which] * (information + prior_precision) / information, information


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
