"""What the data can and cannot tell, in plain words."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.model.unknowns import MASS

PLAIN_NAMES: Final = (
    "mass",
    "CdA",
    "Crr",
    "drive efficiency",
    "regen efficiency",
    "auxiliary power",
)
"""The parameters as a driver would say them, in ``PARAMETER_NAMES`` order."""

CONFOUNDED_CORRELATION: Final = 0.8
NOT_LEARNED_RATIO: Final = 0.9
WEIGHED_LOG_SIGMA: Final = 0.008
"""Mass known better than this was weighed: pack energy does not change when mass, drag area and drive efficiency rise
and regen efficiency falls by one factor."""


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
        words.append("mostly your plan: no drive took part, these are its values")
    elif is_prior_dominated:
        drives = "one drive" if drive_count == 1 else f"{drive_count} drives"
        words.append(f"mostly your plan: {drives} cannot tell the vehicle from that day; the plan still says most")
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
    if drive_count and after[MASS] > WEIGHED_LOG_SIGMA:
        words.append(
            "the data can't tell weight, CdA and efficiencies apart along one direction: all up by a factor, "
            "regen efficiency down by it, changes no electric log; a truck scale settles it"
        )
    if drive_count:
        words.append(DRIVES_CANNOT_KNOW)
    return tuple(words)
