"""One drive's say in the fit, with its own unknowns solved for and integrated out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.model.coasting_likelihood import coastdown_residual
from logan.model.segments_table import DriveSegments
from logan.model.student_t import student_t_weight
from logan.model.unknowns import AUXILIARY, DRIVE, MASS, SHARED_COUNT
from logan.model.wheel_balance import BRAKE, LEVEL, OWN_AUXILIARY, OWN_COUNT, WIND_FIRST, WIND_SECOND, balance_residual
from logan.results import read_only
from logan.units import FloatArray

ENERGY_ERROR_RATIO: Final = 0.02
FLOOR_J: Final = 5_000.0
GUST_SIGMA_M_PER_S: Final = 0.5
BRAKE_ERROR_RATIO: Final = 0.5
"""What a segment's balance misses: a share of the energy through the pack, a floor, gusts, and a share of the
friction-brake work (common practice)."""

BRAKE_PRIOR: Final = (1.0, 0.4)
WIND_SIGMA_M_PER_S: Final = 1.4
WIND_SIGMA_KNOWN_M_PER_S: Final = 0.7
WIND_SIGMA_NO_HEADING_M_PER_S: Final = 1.0
"""Prior of a drive's mean wind at vehicle height: station wind 2 m/s times 0.7; less over a road that turns
(common practice)."""

LOGGED_AUXILIARY_SIGMA_RATIO: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseScales:
    """How large the errors are, learned from all drives together.

    Parameters
    ----------
    segment_ratio, edge_ratio : float
        Factors on the assumed errors inside segments and at their edges.
    level_sigma_ratio, auxiliary_sigma_ratio : float
        Spread from drive to drive of road load and of auxiliary power, in logarithms.
    """

    segment_ratio: float = 1.0
    edge_ratio: float = 1.0
    level_sigma_ratio: float = 0.04
    auxiliary_sigma_ratio: float = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveState:
    """What the solver knows of one drive between two steps.

    Parameters
    ----------
    drive : DriveSegments
        n segments.
    own : ndarray, shape (5,)
        The drive's own unknowns. [ratio]
    weight : ndarray, shape (n,)
        Student-t weights of the segments. [ratio]
    root : ndarray, shape (n, n)
        Lower Cholesky factor of the residuals' covariance. [J]
    own_precision : ndarray, shape (5,)
        Prior precision of the own unknowns. [ratio]
    height_noise_per_kg2 : float
        What height errors are expected to add to the sum of squares, per squared mass over drive efficiency. [1/kg2]
    """

    drive: DriveSegments
    own: FloatArray
    weight: FloatArray
    root: FloatArray
    own_precision: FloatArray
    height_noise_per_kg2: float = 0.0

    def __post_init__(self) -> None:
        for name in ("own", "weight", "root", "own_precision"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveSay:
    """The drive's half sum of squares near a point, its own prior included.

    Parameters
    ----------
    value : float
        Half the weighted sum of squares.
    by_shared, by_own : ndarray, shape (10,) and (5,)
        Gradient. [ratio]
    shared_information, cross, own_information : ndarray, shape (10, 10), (10, 5) and (5, 5)
        Curvature. [ratio]
    """

    value: float
    by_shared: FloatArray
    by_own: FloatArray
    shared_information: FloatArray
    cross: FloatArray
    own_information: FloatArray

    @property
    def marginal_information(self) -> FloatArray:
        """Curvature by the shared vector with the own unknowns integrated out, shape (10, 10)."""
        return np.asarray(self.shared_information - self.cross @ np.linalg.solve(self.own_information, self.cross.T))

    @property
    def marginal_gradient(self) -> FloatArray:
        """Gradient by the shared vector with the own unknowns at their best, shape (10,)."""
        return np.asarray(self.by_shared - self.cross @ np.linalg.solve(self.own_information, self.by_own))


OWN_MEAN: Final = read_only(np.array([0.0, 0.0, 0.0, 0.0, BRAKE_PRIOR[0]]))


def own_mean(drive: DriveSegments) -> FloatArray:
    """Prior mean of a drive's own unknowns, shape (5,): an average drive, but for cabin power that nobody logged."""
    mean = np.array(OWN_MEAN)
    mean[OWN_AUXILIARY] = drive.unlogged_cabin_log
    return mean


def first_state(drive: DriveSegments, scales: NoiseScales) -> DriveState:
    """State of a drive before any step: nothing of its own, no outliers."""
    weight = np.ones(drive.count)
    empty = DriveState(
        drive=drive, own=own_mean(drive), weight=weight, root=np.eye(drive.count), own_precision=np.ones(OWN_COUNT)
    )
    return rescaled(empty, scales)


def rescaled(state: DriveState, scales: NoiseScales) -> DriveState:
    """The same state under other noise scales."""
    segment_j2, edge_j2, incidence = _variances(state.drive, scales)
    covariance = np.diag(segment_j2 / state.weight) + (incidence * edge_j2) @ incidence.T
    wind = WIND_SIGMA_KNOWN_M_PER_S if state.drive.wind_known else WIND_SIGMA_M_PER_S
    if not state.drive.has_heading and not state.drive.wind_known:
        wind = WIND_SIGMA_NO_HEADING_M_PER_S
    sigma = np.empty(OWN_COUNT)
    sigma[LEVEL], sigma[WIND_FIRST], sigma[WIND_SECOND] = scales.level_sigma_ratio, wind, wind
    sigma[OWN_AUXILIARY] = np.hypot(scales.auxiliary_sigma_ratio, state.drive.unlogged_cabin_log_sigma)
    sigma[BRAKE] = BRAKE_PRIOR[1]
    root = np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    noise = _height_noise_per_kg2(state.drive, root, incidence, scales)
    return replace(state, root=root, own_precision=sigma**-2.0, height_noise_per_kg2=noise)


def _height_noise_per_kg2(drive: DriveSegments, root: FloatArray, incidence: FloatArray, scales: NoiseScales) -> float:
    """Trace of the weight matrix over height errors; zero where no height was measured, so none is wrong."""
    if not drive.has_elevation:
        return 0.0
    white = solve_triangular(root, incidence, lower=True, check_finite=False)
    per_kg = STANDARD_GRAVITY_M_PER_S2 * drive.elevation_sigma_m * scales.edge_ratio
    return float((white**2).sum()) * per_kg**2


def segment_variance_j2(drive: DriveSegments) -> FloatArray:
    """Variance of what each segment's balance misses, before any scale is learned, shape (n,). [J2]"""
    gust_j = 0.5 * GUST_SIGMA_M_PER_S * drive.road.air_along * 0.8
    return np.asarray(
        (ENERGY_ERROR_RATIO * drive.gross_j) ** 2 + gust_j**2 + FLOOR_J**2 + (BRAKE_ERROR_RATIO * drive.brake_j) ** 2
    )


def _variances(drive: DriveSegments, scales: NoiseScales) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Variance inside each segment and at each edge, and which edges a segment stands between."""
    edge_ratio = scales.edge_ratio if drive.has_elevation else 1.0
    incidence = np.zeros((drive.count, drive.edge_sigma_j.size))
    rows = np.arange(drive.count)
    incidence[rows, drive.start_edge.astype(np.int64)] = -1.0
    incidence[rows, drive.end_edge.astype(np.int64)] = 1.0
    return segment_variance_j2(drive) * scales.segment_ratio**2, (drive.edge_sigma_j * edge_ratio) ** 2, incidence


def evaluate(state: DriveState, shared: FloatArray, own: FloatArray, rotating_mass_kg: float) -> DriveSay:
    """The drive's half sum of squares near a shared vector and own unknowns.

    References
    ----------
    .. [1] Corrected score for errors in a regressor: T. Nakamura, Biometrika 77 (1990) 127,
       doi:10.1093/biomet/77.1.127.
    """
    residual, by_shared, by_own = _whitened(state, shared, own, rotating_mass_kg)
    deviation = own - own_mean(state.drive)
    pull = state.own_precision * deviation
    # Height errors would pull mass over efficiency down, as any error in a regressor does; what they
    # are expected to add is taken off again (corrected score).
    mass_kg = float(np.exp(shared[MASS]))
    weight_kg = (mass_kg + state.drive.payload_kg) * float(np.exp(-shared[DRIVE]))
    height_noise = state.height_noise_per_kg2 * weight_kg**2
    gradient = by_shared.T @ residual
    gradient[MASS] -= height_noise * mass_kg / (mass_kg + state.drive.payload_kg)
    gradient[DRIVE] += height_noise
    return DriveSay(
        value=0.5 * float(residual @ residual + pull @ deviation - height_noise),
        by_shared=gradient,
        by_own=by_own.T @ residual + pull,
        shared_information=by_shared.T @ by_shared,
        cross=by_shared.T @ by_own,
        own_information=by_own.T @ by_own + np.diag(state.own_precision),
    )


def _whitened(
    state: DriveState, shared: FloatArray, own: FloatArray, rotating_mass_kg: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    drive = state.drive
    residual, by_shared, by_own = balance_residual(shared, own, drive, rotating_mass_kg)
    stacked = np.column_stack((residual, by_shared, by_own))
    white = solve_triangular(state.root, stacked, lower=True, check_finite=False)
    if drive.auxiliary_power_w:
        row = np.zeros((1, stacked.shape[1]))
        row[0, 0] = shared[AUXILIARY] + own[OWN_AUXILIARY] - np.log(drive.auxiliary_power_w)
        row[0, [1 + AUXILIARY, 1 + SHARED_COUNT + OWN_AUXILIARY]] = 1.0
        white = np.vstack((white, row / LOGGED_AUXILIARY_SIGMA_RATIO))
    if drive.coastdown is not None:
        rows = coastdown_residual(
            drive.coastdown, shared, own, payload_kg=drive.payload_kg, rotating_mass_kg=rotating_mass_kg
        )
        white = np.vstack((white, rows))
    return white[:, 0], white[:, 1 : 1 + SHARED_COUNT], white[:, 1 + SHARED_COUNT :]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorMoments:
    """Expected squares of a drive's errors over their assumed variances.

    Parameters
    ----------
    segment, edge : ndarray, shape (n,) and (e,)
        Inside segments and at edges; edges only of drives with elevation. [ratio]
    """

    segment: FloatArray
    edge: FloatArray


def error_moments(
    state: DriveState, shared: FloatArray, own: FloatArray, scales: NoiseScales, rotating_mass_kg: float
) -> ErrorMoments:
    """Split the residuals into errors inside segments and at the edges they share (E-step)."""
    residual, _, _ = balance_residual(shared, own, state.drive, rotating_mass_kg)
    segment_j2, edge_j2, incidence = _variances(state.drive, scales)
    factor = cho_factor(state.root @ state.root.T, lower=True)
    inside_j2 = segment_j2 / state.weight
    solved = cho_solve(factor, residual)
    spread = cho_solve(factor, np.eye(residual.size))
    inside = (inside_j2 * solved) ** 2 + inside_j2 - inside_j2**2 * np.diag(spread)
    at_edge = (edge_j2 * (incidence.T @ solved)) ** 2
    at_edge += edge_j2 - edge_j2**2 * np.einsum("ke,kl,le->e", incidence, spread, incidence)
    used = np.abs(incidence).sum(axis=0) > 0
    edge = at_edge[used] / edge_j2[used] if state.drive.has_elevation else np.empty(0)
    return ErrorMoments(segment=inside / segment_j2, edge=edge)


def reweighted(state: DriveState, own: FloatArray, moments: ErrorMoments) -> DriveState:
    """The state with Student-t weights after the errors, and with the own unknowns found."""
    return replace(state, own=own, weight=student_t_weight(moments.segment))
