"""One drive's likelihood in the fit, with its own unknowns solved for and integrated out. Method: fit (9) to (13)."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.linalg import cho_solve, solve_triangular

from logan.model.coasting import coastdown_residual
from logan.model.heights import Climbs, expected_climbs
from logan.model.newton import student_t_weight
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT, At, Own, step_energy
from logan.results import read_only, result
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

ENERGY_ERROR_RATIO: Final = 0.02
FLOOR_J: Final = 5_000.0
GUST_SIGMA_M_PER_S: Final = 0.5
STANDING_W: Final = 40.0
"""What a segment's balance misses: a share of the energy through the pack, a floor, and gusts; and how far the power at
standstill wanders (common practice)."""

WIND_KNOWN_SHARE: Final = 0.5
WIND_ALONG_SHARE: Final = 0.7
"""Of the spread of a drive's mean wind: what is left where a station's wind is taken off, and what lies along a road
that turns (common practice)."""

FACTOR_SIGMA_SHARE: Final = 0.4
"""How far a factor on drag or rolling that the driver gave is from the truth, as a share of its logarithm (common
practice): what is left is learned as the drive's own level."""

LOGGED_AUXILIARY_SIGMA_RATIO: Final = 0.05

_OWN_STEP: Final = {Own.LEVEL: 0.03, Own.WIND_FIRST: 0.5, Own.WIND_SECOND: 0.5}
"""By which derivatives by the own unknowns are taken: wide, to average over steps that turn from driving to regen.
[ratio, m/s, m/s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseScales:
    """How large the errors are, learned from all drives together.

    Parameters
    ----------
    segment_ratio, edge_ratio : float
        Factors on the assumed errors inside segments, and of heights.
    level_sigma_ratio, auxiliary_sigma_ratio : float
        Spread from drive to drive of road load and of auxiliary power, in logarithms.
    hilliness_m2_per_m : float
        Variance of a climb per metre of road.
    wind_sigma_m_per_s : float
        Spread from drive to drive of the mean wind from one side.
    """

    segment_ratio: float = 1.0
    edge_ratio: float = 1.0
    level_sigma_ratio: float = 0.04
    auxiliary_sigma_ratio: float = 0.2
    hilliness_m2_per_m: float = 0.1
    wind_sigma_m_per_s: float = 1.4


@result()
class DriveState:
    """What the solver knows of one drive between two steps.

    Parameters
    ----------
    drive : DriveSegments
        n segments.
    own : ndarray, shape (o,)
        The drive's own unknowns. [ratio]
    weight : ndarray, shape (n + 1,)
        Student-t weights of the segments, and of all standing. [ratio]
    joins : ndarray, shape (n + 1, m)
        Which steps make up which of these. [ratio]
    climbs : Climbs
        What its climbs are believed to be.
    j_per_m : float
        Pack energy of a metre of climb, by the plan.
    root : ndarray, shape (n + 1, n + 1)
        Lower Cholesky factor of the residuals' covariance. [J]
    own_precision : ndarray, shape (o,)
        Prior precision of the own unknowns. [ratio]
    tilt : ndarray, shape (p + o,)
        Gradient of what integrating the own unknowns out adds; see ``tilted``. [ratio]
    """

    drive: DriveSegments
    own: FloatArray
    weight: FloatArray
    joins: FloatArray
    climbs: Climbs
    j_per_m: float
    root: FloatArray
    own_precision: FloatArray
    tilt: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveLikelihood:
    """The drive's half sum of squares near a point, its own prior included.

    Parameters
    ----------
    value : float
        Half the weighted sum of squares.
    by_shared, by_own : ndarray, shape (p,) and (o,)
        Gradient. [ratio]
    shared_information, cross, own_information : ndarray, shape (p, p), (p, o) and (o, o)
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
        """Curvature by the shared vector with the own unknowns integrated out, shape (p, p)."""
        return np.asarray(self.shared_information - self.cross @ np.linalg.solve(self.own_information, self.cross.T))

    @property
    def marginal_gradient(self) -> FloatArray:
        """Gradient by the shared vector with the own unknowns at their best, shape (p,). Method: fit (11a)."""
        return np.asarray(self.by_shared - self.cross @ np.linalg.solve(self.own_information, self.by_own))


OWN_MEAN: Final = read_only(np.zeros(OWN_COUNT))


def own_mean(drive: DriveSegments) -> FloatArray:
    """Prior mean of a drive's own unknowns, shape (o,): an average drive, but for cabin power that nobody logged."""
    mean = np.array(OWN_MEAN)
    mean[Own.AUXILIARY] = drive.unlogged_cabin_log
    return mean


def wind_share(drive: DriveSegments) -> float:
    """How much of the winds' spread a drive's own unknowns may have. [ratio]"""
    if drive.wind_known:
        return WIND_KNOWN_SHARE
    return 1.0 if drive.has_heading else WIND_ALONG_SHARE


def own_sigma(drive: DriveSegments, scales: NoiseScales) -> FloatArray:
    """Prior standard deviation of a drive's own unknowns, shape (o,). [ratio] Method: fit (21)."""
    wind = scales.wind_sigma_m_per_s * wind_share(drive)
    sigma = np.empty(OWN_COUNT)
    given = FACTOR_SIGMA_SHARE * np.hypot(np.log(drive.drag_factor), np.log(drive.rolling_factor))
    sigma[Own.LEVEL], sigma[Own.WIND_FIRST], sigma[Own.WIND_SECOND] = (
        np.hypot(scales.level_sigma_ratio, given),
        wind,
        wind,
    )
    sigma[Own.AUXILIARY] = np.hypot(scales.auxiliary_sigma_ratio, drive.unlogged_cabin_log_sigma)
    return sigma


def first_state(drive: DriveSegments, scales: NoiseScales, plan: FloatArray) -> DriveState:
    """State of a drive before any step: nothing of its own, no outliers; ``plan`` is the shared prior's mean, (p,)."""
    per_metre = (np.exp(plan[At.MASS]) + drive.payload_kg) * STANDARD_GRAVITY_M_PER_S2 * np.exp(-plan[At.DRIVE])
    empty = DriveState(
        drive=drive,
        own=own_mean(drive),
        weight=np.ones(drive.count + 1),
        joins=drive.joins,
        climbs=expected_climbs(drive, scales.edge_ratio, scales.hilliness_m2_per_m),
        j_per_m=float(per_metre),
        root=np.eye(drive.count + 1),
        own_precision=np.ones(OWN_COUNT),
        tilt=np.zeros(SHARED_COUNT + OWN_COUNT),
    )
    return rescaled(empty, scales)


def rescaled(state: DriveState, scales: NoiseScales) -> DriveState:
    """The same state under other noise scales, its climbs expected anew."""
    climbs = expected_climbs(state.drive, scales.edge_ratio, scales.hilliness_m2_per_m)
    inside_j2 = row_variance_j2(state.drive) * scales.segment_ratio**2 / state.weight
    incidence = _with_standing(climbs.incidence)
    edge_j2 = np.diag(state.drive.edge_sigma_j**2) + state.j_per_m**2 * climbs.edge_m2
    covariance = np.diag(inside_j2) + incidence @ edge_j2 @ incidence.T
    root = np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    return replace(state, climbs=climbs, root=root, own_precision=own_sigma(state.drive, scales) ** -2.0)


def segment_variance_j2(drive: DriveSegments) -> FloatArray:
    """Variance of what each segment's balance misses, before any scale is learned, shape (n,). [J2]"""
    gross_j = drive.sums(np.abs(drive.trip_power_j - drive.trip_cabin_j))
    gust_j = 0.5 * GUST_SIGMA_M_PER_S * drive.sums(drive.trip.air_along) * 0.8
    return np.asarray((ENERGY_ERROR_RATIO * gross_j) ** 2 + gust_j**2 + FLOOR_J**2)


def row_variance_j2(drive: DriveSegments) -> FloatArray:
    """The same with what all standing together misses, shape (n + 1,). [J2] Method: fit (7), (10)."""
    stood_s = float(drive.trip.duration_s[drive.trip.moving_s <= 0.0].sum())
    return np.append(segment_variance_j2(drive), (STANDING_W * stood_s) ** 2 + FLOOR_J**2)


def _with_standing(incidence: FloatArray) -> FloatArray:
    return np.vstack((incidence, np.zeros((1, incidence.shape[1]))))


def segment_residual(
    state: DriveState, shared: FloatArray, own: FloatArray, rotating_mass_kg: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pack energy of each segment's motion, and of all standing, less what its steps predict. Method: fit (9).

    Returns
    -------
    residual : ndarray, shape (n + 1,)
        [J]
    by_shared : ndarray, shape (n + 1, p)
        [J]
    by_own : ndarray, shape (n + 1, o)
        [J]
    """
    drive = state.drive
    predicted = step_energy(shared, own, state.climbs.road, drive, rotating_mass_kg)
    missed_j = drive.trip_power_j - predicted.energy_j
    summed = state.joins @ np.column_stack((missed_j, -predicted.by_shared, -predicted.by_own))
    return summed[:, 0], summed[:, 1 : 1 + SHARED_COUNT], summed[:, 1 + SHARED_COUNT :]


def evaluate(state: DriveState, shared: FloatArray, own: FloatArray, rotating_mass_kg: float) -> DriveLikelihood:
    """The drive's half sum of squares near a shared vector and own unknowns. Method: fit (11)."""
    residual, by_shared, by_own = _whitened(state, shared, own, rotating_mass_kg)
    deviation = own - own_mean(state.drive)
    pull = state.own_precision * deviation
    tilt = state.tilt[:SHARED_COUNT], state.tilt[SHARED_COUNT:]
    return DriveLikelihood(
        value=0.5 * float(residual @ residual + pull @ deviation) + float(tilt[0] @ shared + tilt[1] @ own),
        by_shared=by_shared.T @ residual + tilt[0],
        by_own=by_own.T @ residual + pull + tilt[1],
        shared_information=by_shared.T @ by_shared,
        cross=by_shared.T @ by_own,
        own_information=by_own.T @ by_own + np.diag(state.own_precision),
    )


def tilted(
    state: DriveState, shared: FloatArray, own: FloatArray, rotating_mass_kg: float, *, share: float = 1.0
) -> DriveState:
    """The state with a share of the way gone to the gradient of half the logarithm of det A. Method: fit (11a).

    A day's unknown wind counts for more the larger the drag area is: the best wind of each drive would make the best
    drag area too large, by the more the more drives there are. As A, the curvature by the own unknowns, is B'B +
    precision with B the residuals' derivatives by them, the gradient is the trace of A^-1 B' dB, and dB by any unknown
    is, by the order of differentiation,
    how that unknown's derivatives change with the own ones.
    """
    _, _, by_own = _whitened(state, shared, own, rotating_mass_kg)
    weight = np.linalg.solve(by_own.T @ by_own + np.diag(state.own_precision), by_own[: state.weight.size].T)
    by_step = -solve_triangular(state.root, weight.T, lower=True, trans="T", check_finite=False).T @ state.joins

    def derivatives(own: FloatArray) -> FloatArray:
        found = step_energy(shared, own, state.climbs.road, state.drive, rotating_mass_kg)
        return np.column_stack((found.by_shared, found.by_own))

    tilt = np.zeros(SHARED_COUNT + OWN_COUNT)
    for index, step in _OWN_STEP.items():
        moved = step * (np.arange(OWN_COUNT) == index)
        tilt += by_step[index] @ (derivatives(own + moved) - derivatives(own - moved)) / (2.0 * step)
    # A drive's auxiliary power is its own factor times the shared power.
    tilt[[At.AUXILIARY, SHARED_COUNT + Own.AUXILIARY]] += by_step[Own.AUXILIARY] @ derivatives(own)[:, At.AUXILIARY]
    return replace(state, tilt=state.tilt + share * (tilt - state.tilt))


def _whitened(
    state: DriveState, shared: FloatArray, own: FloatArray, rotating_mass_kg: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    drive = state.drive
    stacked = np.column_stack(segment_residual(state, shared, own, rotating_mass_kg))
    white = solve_triangular(state.root, stacked, lower=True, check_finite=False)
    if drive.auxiliary_power_w:
        row = np.zeros((1, stacked.shape[1]))
        row[0, 0] = shared[At.AUXILIARY] + own[Own.AUXILIARY] - np.log(drive.auxiliary_power_w)
        row[0, [1 + At.AUXILIARY, 1 + SHARED_COUNT + Own.AUXILIARY]] = 1.0
        white = np.vstack((white, row / LOGGED_AUXILIARY_SIGMA_RATIO))
    if drive.coastdown is not None:
        rows = coastdown_residual(
            drive.coastdown,
            shared,
            own,
            payload_kg=drive.payload_kg,
            rotating_mass_kg=rotating_mass_kg,
            linear_n_s_per_m=drive.linear_n_s_per_m,
        )
        white = np.vstack((white, rows))
    return white[:, 0], white[:, 1 : 1 + SHARED_COUNT], white[:, 1 + SHARED_COUNT :]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorMoments:
    """Expected squares of a drive's errors over their assumed variances.

    Parameters
    ----------
    segment, edge : ndarray, shape (n + 1,) and (e,)
        Inside segments and standing, and of heights; heights only of drives that logged them. [ratio]
    climb : ndarray, shape (n,)
        Expected square of each climb over its length; only of drives that logged heights. [m2/m]
    """

    segment: FloatArray
    edge: FloatArray
    climb: FloatArray


def error_moments(
    state: DriveState, shared: FloatArray, own: FloatArray, scales: NoiseScales, rotating_mass_kg: float
) -> ErrorMoments:
    """Split the residuals into errors inside segments and of the heights at their ends (E-step). Method: fit (12)."""
    residual, _, _ = segment_residual(state, shared, own, rotating_mass_kg)
    drive, climbs, factor = state.drive, state.climbs, (state.root, True)
    segment_j2 = row_variance_j2(drive) * scales.segment_ratio**2
    inside_j2 = segment_j2 / state.weight
    solved, spread = cho_solve(factor, residual), cho_solve(factor, np.eye(residual.size))
    inside = (inside_j2 * solved) ** 2 + inside_j2 - inside_j2**2 * np.diag(spread)
    if not drive.has_elevation:
        return ErrorMoments(segment=inside / segment_j2, edge=np.empty(0), climb=np.empty(0))
    # What the heights alone tell of their errors, then what the energy tells besides.
    variance_m2 = (drive.elevation_sigma_m * scales.edge_ratio) ** 2
    reach = state.j_per_m * climbs.edge_m2 @ _with_standing(climbs.incidence).T
    at_edge = climbs.edge_error_m - reach @ solved
    left_m2 = climbs.edge_m2 - reach @ spread @ reach.T
    climb_m = drive.climb_m - climbs.incidence @ at_edge
    climb_m2 = climb_m**2 + np.einsum("ke,ef,kf->k", climbs.incidence, left_m2, climbs.incidence)
    used = np.abs(climbs.incidence).sum(axis=0) > 0
    return ErrorMoments(
        segment=inside / segment_j2,
        edge=(at_edge**2 + np.diag(left_m2))[used] / variance_m2,
        climb=climb_m2 / np.maximum(drive.segment_m, 1.0),
    )


def reweighted(state: DriveState, own: FloatArray, moments: ErrorMoments) -> DriveState:
    """The state with Student-t weights after the errors, and with the own unknowns found."""
    return replace(state, own=own, weight=student_t_weight(moments.segment))
