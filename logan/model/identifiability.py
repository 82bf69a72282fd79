"""What the data can and cannot tell, in numbers and in plain words."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.model.fit_result import FitResult
from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.results import read_only, result
from logan.units import FloatArray

PLAIN_NAMES: Final = (
    "mass",
    "drag area",
    "rolling coefficient",
    "drive efficiency",
    "regen efficiency",
    "auxiliary power",
)
"""The parameters as a driver would say them, in ``PARAMETER_NAMES`` order."""

NULL_DIRECTION: Final = read_only(np.array([1.0, 1.0, 0.0, 1.0, -1.0, 0.0]))
"""In log parameters: mass, drag area and drive efficiency up, regen efficiency down, by the same factor. Pack
energy does not change along it, whatever is driven."""

CONFOUNDED_CORRELATION: Final = 0.8
NOT_LEARNED_RATIO: Final = 0.9


@result("identifiability/1")
class Identifiability:
    """How far the data pin the parameters down.

    Parameters
    ----------
    learned_ratio : ndarray, shape (6,)
        Posterior over prior width. [ratio]
    confounded : tuple of tuple
        Pairs of parameters with their correlation, where the data can hardly tell them apart.
    null_direction : ndarray, shape (6,)
        Direction in log parameters that no electric log can see. [ratio]
    null_learned_ratio : float
        Posterior over prior width along it: what only a weighbridge can shrink.
    statements : tuple of str
        The same in plain words.
    """

    learned_ratio: FloatArray
    confounded: tuple[tuple[str, str, float], ...]
    null_direction: FloatArray
    null_learned_ratio: float
    statements: tuple[str, ...]


def assess_identifiability(result: FitResult) -> Identifiability:
    """Tell what was learned, what cannot be told apart, and why.

    Parameters
    ----------
    result : FitResult
        The fit.

    Returns
    -------
    Identifiability
        Pairs beyond a correlation of 0.8 count as confounded.
    """
    return Identifiability(
        learned_ratio=result.learned_ratio,
        confounded=confounded_pairs(result.posterior, result.prior),
        null_direction=NULL_DIRECTION,
        null_learned_ratio=null_learned_ratio(result.posterior, result.prior),
        statements=plain_words(
            result.posterior,
            result.prior,
            drive_count=result.drive_count,
            is_prior_dominated=result.is_prior_dominated,
        ),
    )


def confounded_pairs(
    posterior: ParameterDistribution, prior: ParameterDistribution
) -> tuple[tuple[str, str, float], ...]:
    """Pairs whose posterior errors go together by more than 0.8, strongest first.

    A pair of which neither was learned is left out: it is the plan's, not the data's.
    """
    sigma, before = posterior.log_sigma, prior.log_sigma
    learned = np.divide(sigma, before, out=np.ones(sigma.size), where=before > 0)
    pairs = []
    for one in range(sigma.size):
        for other in range(one):
            if sigma[one] <= 0 or sigma[other] <= 0 or min(learned[one], learned[other]) > NOT_LEARNED_RATIO:
                continue
            correlation = float(posterior.log_covariance[one, other] / (sigma[one] * sigma[other]))
            if abs(correlation) > CONFOUNDED_CORRELATION:
                pairs.append((PARAMETER_NAMES[other], PARAMETER_NAMES[one], correlation))
    return tuple(sorted(pairs, key=lambda pair: -abs(pair[2])))


def null_learned_ratio(posterior: ParameterDistribution, prior: ParameterDistribution) -> float:
    """Posterior over prior width along the null direction, other directions held. [ratio]

    The width with other directions held is one over the root of the curvature along it; drives add none.
    """
    curvature = [
        float(NULL_DIRECTION @ np.linalg.pinv(distribution.log_covariance, hermitian=True) @ NULL_DIRECTION)
        for distribution in (posterior, prior)
    ]
    return float(np.sqrt(curvature[1] / curvature[0])) if curvature[0] > 0 else 1.0


DRIVES_CANNOT_KNOW: Final = (
    "no number of drives tells these: the current sensor's gain (clamp or wall meter does), the speed's without GPS "
    "(GPS does), tire rolling resistance against constant driveline drag, and CdA against the tires' rise with speed "
    "(driven wheels in the air at three steady speeds), the current's zero against auxiliaries (contactors open), "
    "friction against regen efficiency (brake pressure), wind against still air (the same road both ways)"
)


def plain_words(
    posterior: ParameterDistribution, prior: ParameterDistribution, *, drive_count: int, is_prior_dominated: bool
) -> tuple[str, ...]:
    """What was learned, and what the data cannot tell, in plain words."""
    words = []
    if drive_count == 0:
        words.append("no drive took part: these are the plan's values, prior-dominated")
    elif is_prior_dominated:
        drives = "one drive" if drive_count == 1 else f"{drive_count} drives"
        words.append(f"prior-dominated: {drives} cannot tell the vehicle from that day; the plan still says most")
    for one, other, correlation in confounded_pairs(posterior, prior):
        first, second = PLAIN_NAMES[PARAMETER_NAMES.index(one)], PLAIN_NAMES[PARAMETER_NAMES.index(other)]
        words.append(
            f"the data can't tell {first} and {second} apart (correlation {correlation:+.2f}); "
            "their joint effect on consumption is better known than either"
        )
    before, after = prior.log_sigma, posterior.log_sigma
    untouched = [
        name
        for name, old, new in zip(PLAIN_NAMES, before, after, strict=True)
        if old > 0 and new / old > NOT_LEARNED_RATIO
    ]
    if untouched and drive_count:
        words.append(f"not learned from these drives: {', '.join(untouched)}")
    if drive_count and null_learned_ratio(posterior, prior) > 0.95:
        words.append(
            "the data can't tell mass, drag area and efficiencies apart along one direction: all up by a factor, "
            "regen efficiency down by it, changes no electric log; a truck scale settles it"
        )
    if drive_count:
        words.append(DRIVES_CANNOT_KNOW)
    return tuple(words)
