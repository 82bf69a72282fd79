"""Did a change to the vehicle help by more than noise?"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.errors import NotEnoughDataError
from logan.model.drive_fit import trip_energy
from logan.model.drive_likelihood import DriveLikelihood
from logan.model.hierarchy import LEVEL_SPREAD_SIGMA, Solution, data_deviation, spread_of
from logan.model.measurement import Measurement
from logan.model.newton import student_t_half_width
from logan.model.parameters import ParameterDistribution
from logan.model.regen_limit import solve_with_regen_limit
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT, Own, shared_prior
from logan.results import Estimate, result
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, BoolArray, FloatArray, IntArray

INTERVAL_RATIO: Final = 0.9
CHANGE_SIGMA: Final = 0.3
"""Prior spread of a change of road load, in logarithms: wide enough to say nothing (common practice)."""


@result("modification-effect/1")
class ModificationEffect:
    """Road load after a change over before it, other conditions taken out.

    Parameters
    ----------
    change : Estimate
        Relative change of road load; negative is less. [ratio]
    consumption_change : Estimate
        The same in consumption, on the drives compared. [Wh/km]
    interval_low_ratio, interval_high_ratio : float
        90 % interval of ``change``.
    is_beyond_noise : bool
        True when the interval leaves zero out.
    between_drive_sigma_ratio : float
        How far drives of one group stray from each other.
    before, after : tuple of str
        Drives compared.
    statement : str
        The verdict in plain words.
    """

    change: Estimate
    consumption_change: Estimate
    interval_low_ratio: float
    interval_high_ratio: float
    is_beyond_noise: bool
    between_drive_sigma_ratio: float
    before: tuple[str, ...]
    after: tuple[str, ...]
    statement: str


def drives_to_see(change_ratio: float, between_drive_sigma_ratio: float) -> int:
    """Drives before, and as many after, whose 90 % interval of a change is no wider than the change itself.

    Parameters
    ----------
    change_ratio, between_drive_sigma_ratio : float
        Change of road load to be seen, and how far drives of one group stray. [ratio]

    Returns
    -------
    int
        At least two, at most 1000.
    """
    for count in range(2, 1000):
        sigma = between_drive_sigma_ratio * (2.0 / count) ** 0.5
        if student_t_half_width(INTERVAL_RATIO, 2 * count - 2) * sigma <= change_ratio:
            return count
    return 1000


def modification_effect(
    prior: ParameterDistribution,
    before: Sequence[DriveSegments],
    after: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
) -> ModificationEffect:
    """Difference in road load between two groups of drives, with its interval.

    Both groups share one vehicle whose parameters are fitted; speeds, hills, weather, cabin load,
    payload and auxiliaries of each drive are accounted for. What is left is each drive's own
    level; the second group's mean level is one more unknown.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan.
    before, after : sequence of DriveSegments
        Drives before and after the change.
    measurements : sequence of Measurement
        Measured besides.
    build : BuildSettings
        The build.

    Returns
    -------
    ModificationEffect
        With a Student-t interval of as many degrees of freedom as there are drives beyond two.

    Raises
    ------
    NotEnoughDataError
        If a group has no drive that can carry a fit, or there are fewer than three in all.
    """
    groups = [[drive for drive in group if not drive.refusal] for group in (before, after)]
    for name, group, given in zip(("before", "after"), groups, (before, after), strict=True):
        if not group:
            reasons = "; ".join(drive.refusal for drive in given) or "none was named"
            raise NotEnoughDataError(f"no drive {name} the change can be used: {reasons}", "Name other drives")
    drives = [*groups[0], *groups[1]]
    freedom = len(drives) - 2
    if freedom < 1:
        raise NotEnoughDataError(
            "one drive before and one after can't tell a change from that day's wind",
            "Repeat at least one of them on another day",
        )
    is_after = np.arange(len(drives)) >= len(groups[0])
    rotating_kg = rotating_mass_of(build)
    widened = shared_prior(prior, build)
    solution = solve_with_regen_limit(widened, drives, measurements, build)
    spread = _spread_within_groups(solution, is_after)
    shift, sigma = _shift(solution, is_after, spread, np.flatnonzero(widened.is_free))
    half = student_t_half_width(INTERVAL_RATIO, freedom) * sigma
    low, high = float(np.expm1(shift - half)), float(np.expm1(shift + half))
    names = (tuple(drive.drive_id for drive in groups[0]), tuple(drive.drive_id for drive in groups[1]))
    per_level = _consumption_by_level_wh_per_km(solution, rotating_kg)
    return ModificationEffect(
        change=Estimate(float(np.expm1(shift)), "ratio", float(np.exp(shift)) * sigma, "fit"),
        consumption_change=Estimate(shift * per_level, "Wh/km", sigma * per_level, "fit"),
        interval_low_ratio=low,
        interval_high_ratio=high,
        is_beyond_noise=low > 0.0 or high < 0.0,
        between_drive_sigma_ratio=spread,
        before=names[0],
        after=names[1],
        statement=_statement(shift, low, high),
    )


def _spread_within_groups(solution: Solution, is_after: BoolArray) -> float:
    """Spread of level between drives, each group about its own mean."""
    found, information = data_deviation(solution.states, solution.likelihoods, solution.own, Own.LEVEL)
    centred = np.array(found)
    for group in (is_after, ~is_after):
        weight = information[group] / (1.0 + information[group] * LEVEL_SPREAD_SIGMA**2)
        centred[group] -= (weight @ found[group]) / weight.sum()
    return spread_of(centred, information, LEVEL_SPREAD_SIGMA)


def _shift(solution: Solution, is_after: BoolArray, spread: float, free: IntArray) -> tuple[float, float]:
    """One Newton step for the second group's mean log level, all other free unknowns integrated out."""
    size = SHARED_COUNT + 1
    information, gradient = np.zeros((size, size)), np.zeros(size)
    rest = solution.information - sum(
        (each.marginal_information for each in solution.likelihoods), np.zeros((SHARED_COUNT, SHARED_COUNT))
    )
    information[:SHARED_COUNT, :SHARED_COUNT] = rest
    information[-1, -1] = CHANGE_SIGMA**-2.0
    gradient[:SHARED_COUNT] = -sum((each.marginal_gradient for each in solution.likelihoods), np.zeros(SHARED_COUNT))
    tight = spread**-2.0
    for each, state, own, shifted in zip(solution.likelihoods, solution.states, solution.own, is_after, strict=True):
        more_i, more_g = _with_shift(each, own, tight, float(state.own_precision[Own.LEVEL]), is_shifted=bool(shifted))
        information += more_i
        gradient += more_g
    solved = np.append(free, SHARED_COUNT)
    inverse = np.linalg.inv(information[np.ix_(solved, solved)])
    step = -inverse @ gradient[solved]
    return float(step[-1]), float(np.sqrt(inverse[-1, -1]))


def _with_shift(
    each: DriveLikelihood, own: FloatArray, precision: float, used: float, *, is_shifted: bool
) -> tuple[FloatArray, FloatArray]:
    """A drive's quadratic in (shared, shift), its level's prior centred on the shift and of the new spread."""
    size = SHARED_COUNT + 1
    own_information, own_gradient = np.array(each.own_information), np.array(each.by_own)
    own_information[Own.LEVEL, Own.LEVEL] += precision - used
    own_gradient[Own.LEVEL] += (precision - used) * own[Own.LEVEL]
    information, gradient = np.zeros((size, size)), np.zeros(size)
    information[:SHARED_COUNT, :SHARED_COUNT] = each.shared_information
    gradient[:SHARED_COUNT] = each.by_shared
    cross = np.zeros((size, OWN_COUNT))
    cross[:SHARED_COUNT] = each.cross
    if is_shifted:
        information[-1, -1] = precision
        gradient[-1] = -precision * own[Own.LEVEL]
        cross[-1, Own.LEVEL] = -precision
    gain = np.linalg.solve(own_information, cross.T)
    return information - cross @ gain, gradient - gain.T @ own_gradient


def _consumption_by_level_wh_per_km(solution: Solution, rotating_kg: float) -> float:
    drives = [state.drive for state in solution.states]
    change_j = sum(trip_energy(solution.shared, drive, rotating_kg).by_own[Own.LEVEL] for drive in drives)
    return float(change_j / JOULES_PER_WATT_HOUR / (sum(drive.distance_m for drive in drives) / 1000.0))


def _statement(shift: float, low: float, high: float) -> str:
    amount = f"{100.0 * abs(np.expm1(shift)):.1f} % {'less' if shift < 0 else 'more'} road load"
    interval = f"90 % interval {100.0 * low:+.1f} % to {100.0 * high:+.1f} %"
    if low > 0.0 or high < 0.0:
        return f"{amount}, more than noise ({interval})"
    return f"{amount}, not beyond noise ({interval}): more drives before and after would tell"
