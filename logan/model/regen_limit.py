"""The most power that regen was seen to put back, learned where braking beyond it left the pack's power flat.

Friction brakes that no channel shows look like a vehicle that recovers less. Where the
power that comes back stops rising although the wheels are held back harder, the rest went
into friction, and how much depends on how hard a stop is: a limit foretells that, a share
of the braking seen so far does not.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.model.hierarchy import Solution, solve_hierarchy
from logan.model.measurement import Measurement
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import At, Own, SharedPrior, physical, road_work
from logan.results import Estimate
from logan.settings import BuildSettings
from logan.units import FloatArray

LEAST_HELD_W: Final = 4_000.0
FEWEST_STEPS: Final = 8
MUST_SAVE_RATIO: Final = 0.9
MOST_SCATTER_RATIO: Final = 0.06
LEAST_SIGMA_RATIO: Final = 0.02
"""A limit is believed when so many two-second steps lie well beyond it, scatter so little about it, and it explains
the recovered power so much better than an efficiency alone (set on twins of known limit)."""

_BEYOND_RATIO: Final = 1.25
_EFFICIENCIES: Final = np.linspace(0.5, 0.98, 13)
_LIMITS_W: Final = np.geomspace(4_000.0, 150_000.0, 60)
_MOST_STEPS: Final = 20_000


def learned_regen_limit(held_w: FloatArray, returned_w: FloatArray) -> Estimate | None:
    """Find the power beyond which holding the wheels back harder brings no more back.

    Parameters
    ----------
    held_w, returned_w : ndarray, shape (n,)
        Power to be braked at the wheels, and power returned by the drivetrain. [W]

    Returns
    -------
    Estimate or None
        None where one efficiency explains the steps about as well, or too few lie beyond.

    References
    ----------
    .. [1] Least absolute deviations over a grid: common practice for a bent line with outliers.
    """
    hard = held_w > LEAST_HELD_W
    stride = max(1, int(hard.sum()) // _MOST_STEPS)
    held_w, returned_w = held_w[hard][::stride], returned_w[hard][::stride]
    if held_w.size < FEWEST_STEPS:
        return None
    straight = min(float(np.abs(returned_w - ratio * held_w).sum()) for ratio in _EFFICIENCIES)
    bent, ratio, limit_w = min(
        (float(np.abs(returned_w - np.minimum(ratio * held_w, limit_w)).sum()), float(ratio), float(limit_w))
        for ratio in _EFFICIENCIES
        for limit_w in _LIMITS_W
    )
    beyond = returned_w[ratio * held_w > _BEYOND_RATIO * limit_w]
    if beyond.size < FEWEST_STEPS or bent > MUST_SAVE_RATIO * straight:
        return None
    power_w = float(np.median(beyond))
    scatter = float(np.median(np.abs(beyond - power_w))) / power_w if power_w > 0.0 else np.inf
    if scatter > MOST_SCATTER_RATIO:
        return None
    sigma_w = power_w * max(LEAST_SIGMA_RATIO, 1.5 * scatter / float(np.sqrt(beyond.size)))
    return Estimate(power_w, "W", sigma_w, "fit")


def solve_with_regen_limit(
    prior: SharedPrior, drives: Sequence[DriveSegments], measurements: Sequence[Measurement], build: BuildSettings
) -> Solution:
    """Solve, learn the regen limit from the braking, and solve again where there is one; see ``solve_hierarchy``.

    The drives of the returned solution carry the limit in their steps.
    """
    rotating_kg = rotating_mass_of(build)
    solution = solve_hierarchy(prior, drives, measurements, rotating_kg)
    limit = limit_seen(solution, rotating_kg)
    if limit is None:
        return solution
    limited = [with_regen_limit(state.drive, limit) for state in solution.states]
    again = replace(
        solution,
        states=tuple(replace(state, drive=drive) for state, drive in zip(solution.states, limited, strict=True)),
    )
    return replace(solve_hierarchy(prior, limited, measurements, rotating_kg, start=again), regen_limit=limit)


def limit_seen(solution: Solution, rotating_mass_kg: float) -> Estimate | None:
    """Learn the limit from all drives of a solution."""
    held, returned = [], []
    auxiliary_w = physical(solution.shared)[At.AUXILIARY]
    for state, own in zip(solution.states, solution.own, strict=True):
        drive = state.drive
        duration_s = np.maximum(drive.trip.duration_s, 1e-9)
        held.append(-road_work(solution.shared, own, state.climbs.road, drive, rotating_mass_kg).total / duration_s)
        net_w = (drive.trip_power_j - drive.trip_cabin_j) / duration_s
        returned.append(auxiliary_w * np.exp(own[Own.AUXILIARY]) - net_w)
    if not held:
        return None
    return learned_regen_limit(np.concatenate(held), np.concatenate(returned))


def with_regen_limit(drive: DriveSegments, limit: Estimate) -> DriveSegments:
    """The drive with the limit in its steps."""
    return replace(drive, trip_regen_limit_j=np.minimum(drive.trip_regen_limit_j, limit.value * drive.trip.duration_s))
