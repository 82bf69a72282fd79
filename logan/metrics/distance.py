"""How far a drive went, and by which channel."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.motion import road_speed
from logan.numerics import integrate
from logan.results import Estimate, Figure, Refusal, result

DISTANCE_SIGMA_RATIO: Final = {"speed": 0.01, "gnss_speed": 0.002, "wheel_speed": 0.015, "odometer": 0.01}
"""Relative uncertainty by channel: a wheel's signal carries its tyre's error (common practice)."""

MOVING_M_PER_S: Final = 0.3


@result("driven-distance/1")
class DrivenDistance:
    """Distance of a drive.

    Parameters
    ----------
    distance_m : Figure
        [m]
    moving_s : float
        Time in motion. [s]
    source : str
        Channel that it comes from; empty where there is none.
    """

    distance_m: Figure
    moving_s: float
    source: str


def driven_distance(drive: Drive) -> DrivenDistance:
    """Distance from the speed, or from the odometer where speed covers less than 90 % of it.

    Parameters
    ----------
    drive : Drive
        The drive.

    Returns
    -------
    DrivenDistance
        Distance, time in motion and source.
    """
    channel, odometer = road_speed(drive), drive.get("odometer")
    moving_s = 0.0
    if channel is not None:
        speed = np.abs(channel.value)
        whole = integrate(channel.time_s, speed, max_gap_s=channel.max_gap_s)
        step_s = np.diff(channel.time_s)
        moving = (speed[:-1] > MOVING_M_PER_S) & (step_s <= channel.max_gap_s)
        moving_s = float(step_s[moving].sum())
        coverage = whole.covered_s / max(drive.duration_s, whole.covered_s, 1e-9)
        if coverage >= 0.9 or odometer is None:
            if coverage < 0.9:
                reason = f"speed is known for {coverage:.0%} of the drive; 90 % is the least"
                return DrivenDistance(
                    distance_m=Refusal(reason, "Log speed all the way, or the odometer"),
                    moving_s=moving_s,
                    source=channel.name,
                )
            # What is not covered is taken at the mean speed, as energy is at the mean power.
            distance_m = whole.total / coverage
            sigma_m = distance_m * np.hypot(DISTANCE_SIGMA_RATIO[channel.name], 0.5 * (1.0 - coverage))
            return DrivenDistance(
                distance_m=Estimate(distance_m, "m", float(sigma_m), f"integral of {channel.name}", coverage),
                moving_s=moving_s,
                source=channel.name,
            )
    if odometer is not None:
        known = odometer.value[np.isfinite(odometer.value)]
        if known.size > 1:
            distance_m = float(known[-1] - known[0])
            sigma_m = max(DISTANCE_SIGMA_RATIO["odometer"] * distance_m, 50.0)
            figure = Estimate(distance_m, "m", sigma_m, "odometer", 1.0)
            return DrivenDistance(distance_m=figure, moving_s=moving_s, source="odometer")
    refusal = Refusal("neither speed nor odometer is logged", "Map speed, gnss_speed or odometer")
    return DrivenDistance(distance_m=refusal, moving_s=0.0, source="")
