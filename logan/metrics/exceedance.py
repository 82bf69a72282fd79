"""How long, and in which stretches, a signal lies beyond a limit."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import Channel
from logan.numerics import longest_bridgeable_gap_s
from logan.settings import LimitSide
from logan.units import FloatArray


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch beyond a limit."""

    start_s: float
    end_s: float
    worst_value: float
    worst_at_s: float
    held_s: float = 0.0
    """Time beyond; a sample stands for half the way to its neighbours. [s]"""
    times: int = 1
    """How many stretches were brought together."""


def stretches_beyond(
    time_s: FloatArray, value: FloatArray, level: float, side: LimitSide, *, join_s: float = 2.0
) -> tuple[Stretch, ...]:
    """Stretches beyond a level; those no further apart than ``join_s`` are one.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples; NaN are passed over. [s, any]
    level : float
        The limit, in the signal's unit.
    side : LimitSide
        Which side counts.
    join_s : float
        Longest return that still belongs to the stretch. [s]

    Returns
    -------
    tuple of Stretch
        In order of time.
    """
    known = np.isfinite(value)
    time_s, value = time_s[known], value[known]
    sign = 1.0 if side is LimitSide.ABOVE else -1.0
    beyond = np.flatnonzero(sign * (value - level) > 0.0)
    if beyond.size == 0:
        return ()
    steps_s = np.minimum(np.diff(time_s), longest_bridgeable_gap_s(time_s)) if time_s.size > 1 else np.zeros(0)
    stands_for_s = 0.5 * (np.append(steps_s, 0.0) + np.append(0.0, steps_s))
    breaks = np.flatnonzero((np.diff(time_s[beyond]) > join_s) & (np.diff(beyond) > 1))
    groups = np.split(beyond, breaks + 1)
    found = []
    for group in groups:
        worst = int(group[np.argmax(sign * value[group])])
        found.append(
            Stretch(
                float(time_s[group[0]]),
                float(time_s[group[-1]]),
                float(value[worst]),
                float(time_s[worst]),
                float(stands_for_s[group].sum()),
            )
        )
    return tuple(found)


def merged(stretches: tuple[Stretch, ...], side: LimitSide, *, within_s: float) -> tuple[Stretch, ...]:
    """Bring stretches together that are no further apart than ``within_s``; the worst value stands for all.

    Parameters
    ----------
    stretches : tuple of Stretch
        In order of time.
    side : LimitSide
        Which side is wrong.
    within_s : float
        Longest return between two of them. [s]

    Returns
    -------
    tuple of Stretch
        In order of time.
    """
    sign = 1.0 if side is LimitSide.ABOVE else -1.0
    found: list[Stretch] = []
    for one in stretches:
        if found and one.start_s - found[-1].end_s <= within_s:
            last = found.pop()
            worst = max(last, one, key=lambda stretch: sign * stretch.worst_value)
            held_s, times = last.held_s + one.held_s, last.times + one.times
            one = replace(worst, start_s=last.start_s, end_s=one.end_s, held_s=held_s, times=times)
        found.append(one)
    return tuple(found)


BOUND_SIGMAS: Final = 1.28
"""The bound that is compared with a limit holds the truth nine times in ten."""


@dataclass(frozen=True, slots=True)
class LimitRule:
    """How one kind of channel is held against its limit: sensor tolerance, least duration, whether it is regulated."""

    sigma: float = 0.0
    sigma_ratio: float = 0.0
    least_s: float = 1.0
    is_regulated: bool = True

    def bound(self, channel: Channel, level: float) -> float:
        """Distance from the reading within which the truth lies, in the channel's unit."""
        sigma = channel.sigma if channel.sigma is not None else self.sigma + self.sigma_ratio * abs(level)
        return BOUND_SIGMAS * sigma


_RULES: Final[Mapping[str, LimitRule]] = {
    "degC": LimitRule(sigma=1.0, least_s=5.0, is_regulated=False),
    "ohm": LimitRule(sigma_ratio=0.2, least_s=10.0, is_regulated=False),
    "A": LimitRule(sigma=1.0, sigma_ratio=0.01, least_s=1.0),
    "W": LimitRule(sigma=200.0, sigma_ratio=0.015, least_s=1.0),
    "rad/s": LimitRule(sigma_ratio=0.003, least_s=0.5),
    "V": LimitRule(sigma_ratio=0.005, least_s=2.0),
    "cell_voltage": LimitRule(sigma=0.005, least_s=2.0),
    "auxiliary_voltage": LimitRule(sigma=0.1, least_s=5.0),
}
"""By unit, cells and 12 V by name: one standard uncertainty of usual sensors, and durations (common practice);
isolation by UN R100, Annex 5A, whose method is good to 20 %."""


def limit_rule(channel: str) -> LimitRule:
    """Return the rule of a channel; without one of its own, one sample of half a second and more counts.

    Method: measured (30).
    """
    kind = channel_kind(channel)
    name = kind.name if kind else channel
    own = "cell_voltage" if name.startswith("cell_voltage") else name
    return _RULES.get(own) or _RULES.get(kind.unit if kind else "") or LimitRule(least_s=0.5)
