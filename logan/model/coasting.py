"""What a drive's own coastdown pairs say of the road load, per inertia and free of efficiencies.

A pair over one stretch, there and back, shares its slope and wind with opposite signs, so
that neither height errors nor the day's wind enter; segments of the same seconds would know
the slope only as well as the height.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.metrics.coastdowns import CoastdownRun, coastdown_summary
from logan.model.road_integrals import RunningRoad
from logan.model.segments_table import CoastdownLoad
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT, At, Own, physical
from logan.physics.tyre import speed_rise_share
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, BoolArray, FloatArray

FEWEST_PAIRS: Final = 2
LEAST_START_M_PER_S: Final = 20.0
LEAST_FALL_M_PER_S: Final = 10.0
"""A pair counts from this speed and over this fall: traffic makes nobody coast so long (common practice)."""

MOST_SLOPE_DIFFERENCE_RATIO: Final = 0.01
"""Two runs whose slopes fail to cancel by more were not over one stretch (common practice)."""

PAIR_SCATTER_RATIO: Final = (0.03, 0.02)
"""Scatter of one pair's constant and quadratic part in calm air, from simulation."""

SHARED_SIGMA_RATIO: Final = (0.03, 0.015)
"""What no number of pairs averages out: drag of the unloaded gear; inertia, density, speed (common practice)."""

_PRIOR_PAIRS: Final = 3.0


def coastdown_pairs(drive: Drive, build: BuildSettings) -> tuple[tuple[CoastdownRun, CoastdownRun], ...]:
    """Pairs of runs, there and back over one stretch, that are long and fast enough to be meant.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        The drive; mass and rotating parts.

    Returns
    -------
    tuple of tuple
        Empty with fewer than two pairs: one may be traffic.
    """
    by_pair: dict[int, list[CoastdownRun]] = {}
    for run in coastdown_summary(drive, build).runs:
        if run.pair is not None and not run.rejected:
            by_pair.setdefault(run.pair, []).append(run)
    pairs = tuple((runs[0], runs[1]) for runs in by_pair.values() if len(runs) == 2 and _is_meant(runs))
    return pairs if len(pairs) >= FEWEST_PAIRS else ()


def _is_meant(runs: Sequence[CoastdownRun]) -> bool:
    if any(run.start_speed_m_per_s < LEAST_START_M_PER_S for run in runs):
        return False
    if any(run.start_speed_m_per_s - run.end_speed_m_per_s < LEAST_FALL_M_PER_S for run in runs):
        return False
    slopes = [run.mean_grade_ratio for run in runs if run.mean_grade_ratio is not None]
    return len(slopes) < 2 or abs(sum(slopes)) <= MOST_SLOPE_DIFFERENCE_RATIO


def coastdown_load(
    pairs: Sequence[tuple[CoastdownRun, CoastdownRun]],
    running: RunningRoad,
    density_kg_per_m3: FloatArray,
    effective_kg: float,
) -> CoastdownLoad | None:
    """Mean load of coastdown pairs, with its scatter and the conditions it was found in.

    Parameters
    ----------
    pairs : sequence of tuple
        Of ``coastdown_pairs``.
    running : RunningRoad
        The drive's integrals to s whole seconds.
    density_kg_per_m3 : ndarray, shape (s,)
        Of the air at the whole seconds. [kg/m3]
    effective_kg : float
        Mass with rotating parts that the runs were fitted with. [kg]

    Returns
    -------
    CoastdownLoad or None
        None without pairs, or when the track does not cover them.
    """
    inside = coasted_seconds(pairs, running)
    metres = np.diff(running.distance_m)
    moved = inside & (metres > 0.0)
    if not pairs or moved.sum() < 10:
        return None
    share = np.diff(running.warm_up_distance_m)[moved] / metres[moved]
    squared = (0.5 * (running.speed_m_per_s[1:] + running.speed_m_per_s[:-1])[moved]) ** 2
    slope = float(np.cov(share, squared)[0, 1] / max(np.var(squared, ddof=1), 1e-9))
    per_pair = np.array([[one.constant_n, one.quadratic_n_s2_per_m2] for one, _ in pairs]) / effective_kg
    mean = per_pair.mean(axis=0)
    sigma = _sigma_ratio(per_pair / mean)
    return CoastdownLoad(
        constant_m_per_s2=float(mean[0]),
        quadratic_per_m=float(mean[1]),
        constant_sigma_ratio=float(sigma[0]),
        quadratic_sigma_ratio=float(sigma[1]),
        air_density_kg_per_m3=float(density_kg_per_m3[1:][moved].mean()),
        beyond_reference_k=float(np.diff(running.temperature_distance_m_k)[moved].sum() / metres[moved].sum()),
        warm_up_share_ratio=float(share.mean() - slope * squared.mean()),
        warm_up_slope_s2_per_m2=slope,
        pair_count=len(pairs),
    )


def coasted_seconds(pairs: Sequence[tuple[CoastdownRun, CoastdownRun]], running: RunningRoad) -> BoolArray:
    """Which of the steps between s whole seconds lie inside a run, shape (s - 1,)."""
    ends_s = running.second_s[1:]
    inside = np.zeros(ends_s.shape, dtype=bool)
    for run in (run for pair in pairs for run in pair):
        inside |= (ends_s > run.start_s) & (ends_s <= run.end_s)
    return inside


def _sigma_ratio(per_pair: FloatArray) -> FloatArray:
    """Relative standard uncertainty of the mean of n pairs, shape (2,), from values relative to it, shape (n, 2)."""
    count = per_pair.shape[0]
    scatter = (_PRIOR_PAIRS * np.square(PAIR_SCATTER_RATIO) + np.square(per_pair - 1.0).sum(axis=0)) / (
        _PRIOR_PAIRS + count - 1.0
    )
    return np.asarray(np.sqrt(scatter / count + np.square(SHARED_SIGMA_RATIO)))


_LINE_AS_SQUARE = np.array([9.1, 0.0250])
"""A speed between 15 and 70 mph as a constant and a share of its square, by least squares. [m/s, s/m]"""


def coastdown_residual(
    load: CoastdownLoad,
    shared: FloatArray,
    own: FloatArray,
    *,
    payload_kg: float,
    rotating_mass_kg: float,
    linear_n_s_per_m: float = 0.0,
) -> FloatArray:
    """Expected over found load, in logarithms, with derivatives; rows in standard uncertainties.

    Parameters
    ----------
    load : CoastdownLoad
        What was found.
    shared, own : ndarray, shape (p,) and (o,)
        In the order of ``SHARED_NAMES`` and ``Own``. [ratio]
    payload_kg, rotating_mass_kg : float
        Load beyond the weighed mass, and what rotating parts seem to add. [kg]
    linear_n_s_per_m : float
        Certified coefficient B of the road load. [N/(m/s)]

    Returns
    -------
    ndarray, shape (2, 1 + p + o)
        Residual, derivatives by ``shared``, by ``own``; of the constant and of the quadratic part. [ratio]
    """
    values = physical(shared)
    weighed_kg, level = values[At.MASS], float(np.exp(own[Own.LEVEL]))
    mass_kg = weighed_kg + payload_kg
    inertia_kg = mass_kg + rotating_mass_kg
    rolling_n = mass_kg * STANDARD_GRAVITY_M_PER_S2 * values[At.ROLLING] * level
    cold = 1.0 - values[At.TEMPERATURE] * load.beyond_reference_k
    still, by_square = float(speed_rise_share(np.zeros(1))[0]), float(np.diff(speed_rise_share(np.arange(2.0)))[0])
    tire = rolling_n * (cold + values[At.WARM_UP] * load.warm_up_share_ratio + values[At.TIRE_RISE] * still)
    by_speed = values[At.DRIVELINE_RISE] + linear_n_s_per_m
    driveline = values[At.DRIVELINE_DRAG] + by_speed * _LINE_AS_SQUARE[0]
    constant_n = max(tire + driveline, 1e-6)
    # Tyres that warm while the speed falls look like air resistance.
    quadratic = 0.5 * load.air_density_kg_per_m3 * values[At.DRAG] * level
    seeming = rolling_n * load.warm_up_slope_s2_per_m2
    rising = rolling_n * by_square
    tire_square = values[At.WARM_UP] * seeming + values[At.TIRE_RISE] * rising
    total = max(quadratic + tire_square + by_speed * _LINE_AS_SQUARE[1], 1e-9)
    rows = np.zeros((2, 1 + SHARED_COUNT + OWN_COUNT))
    rows[0, 0] = np.log(constant_n / inertia_kg / load.constant_m_per_s2)
    rows[1, 0] = np.log(total / inertia_kg / load.quadratic_per_m)
    by_shared, by_own = rows[:, 1 : 1 + SHARED_COUNT], rows[:, 1 + SHARED_COUNT :]
    by_shared[:, At.MASS] = -weighed_kg / inertia_kg
    by_shared[0, At.MASS] += weighed_kg / mass_kg * tire / constant_n
    by_shared[0, At.ROLLING] = tire / constant_n
    by_shared[0, At.TEMPERATURE] = -rolling_n * values[At.TEMPERATURE] * load.beyond_reference_k / constant_n
    by_shared[0, At.WARM_UP] = rolling_n * load.warm_up_share_ratio / constant_n
    by_shared[0, [At.TIRE_RISE, At.DRIVELINE_DRAG]] = rolling_n * still / constant_n, 1.0 / constant_n
    by_shared[:, At.DRIVELINE_RISE] = _LINE_AS_SQUARE / np.array([constant_n, total])
    share = tire_square / total
    by_shared[1, At.DRAG] = quadratic / total
    by_shared[1, At.MASS] += share * weighed_kg / mass_kg
    by_shared[1, At.ROLLING] = share
    by_shared[1, [At.WARM_UP, At.TIRE_RISE]] = seeming / total, rising / total
    by_own[:, Own.LEVEL] = tire / constant_n, (quadratic + tire_square) / total
    sigma = np.array([load.constant_sigma_ratio, load.quadratic_sigma_ratio])
    return np.asarray(rows / sigma[:, None])
