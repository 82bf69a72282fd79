"""When a value is beyond its limit: how sure the sensor is, how long it must last, and what a regulator holds.

A temperature or an isolation is red as soon as the sensor's bound towards the limit is beyond for long enough. What
a regulator steers to its own limit (current, voltage, speed) is red only where it is surely beyond: a current held
at 150.1 A against 150 A is a regulator at work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import Channel

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
    """Return the rule of a channel; without one of its own, one sample of half a second and more counts."""
    kind = channel_kind(channel)
    name = kind.name if kind else channel
    own = "cell_voltage" if name.startswith("cell_voltage") else name
    return _RULES.get(own) or _RULES.get(kind.unit if kind else "") or LimitRule(least_s=0.5)
