"""Drivetrain loss before and behind the motor's shaft, where torque is logged. Method: fit (22)."""

from typing import Final

import numpy as np

from logan.drive.logged_loads import robust_slopes
from logan.model.hierarchy import Solution
from logan.model.unknowns import At, Own, physical, road_work
from logan.results import Estimate, result
from logan.units import JOULES_PER_WATT_HOUR

TORQUE_SIGMA_RATIO: Final = 0.05
"""What a logged torque is good to (common practice)."""

ONE_SHARE_SIGMA_RATIO: Final = 0.03
"""How far the shares lost driving and braking are from one (common practice; 86 % out, 80 % back are off by 3.7 %)."""

_LEAST_STEPS: Final = 150
_LEAST_W: Final = 500.0


@result()
class ShaftSplit:
    """Where the energy between pack and wheels stays while driving.

    Parameters
    ----------
    torque_scale : Estimate
        Torque as logged over the true one. [ratio]
    before_wh, behind_wh : float
        Lost in inverter and motor; lost in gears, bearings and seals.
    """

    torque_scale: Estimate
    before_wh: float
    behind_wh: float


def split_losses(solution: Solution, rotating_mass_kg: float) -> ShaftSplit | None:
    """Lay pack, shaft and wheels side by side; None where no drive logged torque, or too little of it.

    Of power P at the pack, x at the shaft as logged: P = a x driving and b x braking, besides what is lost at any
    torque and by its square. One share lost either way makes the torque's scale (a b)^-1/2.
    """
    values, rows = physical(solution.shared), []
    for state, own in zip(solution.states, solution.own, strict=True):
        drive, road = state.drive, state.climbs.road
        if not drive.trip_shaft_j.size:
            continue
        seconds = np.maximum(road.duration_s, 1e-9)
        dragged_n = values[At.DRIVELINE_DRAG] + values[At.DRIVELINE_RISE] * road.distance_m / seconds
        wheel_j = road_work(solution.shared, own, road, drive, rotating_mass_kg).total - dragged_n * road.distance_m
        pack_w = (drive.trip_power_j - drive.trip_cabin_j) / seconds - values[At.AUXILIARY] * np.exp(own[Own.AUXILIARY])
        table = np.stack([pack_w, drive.trip_shaft_j / seconds, wheel_j / seconds, seconds, road.distance_m])
        rows.append(table[:, np.isfinite(table).all(axis=0) & (road.moving_s > 0.5 * seconds)])
    if not rows:
        return None
    pack_w, shaft_w, wheel_w, seconds, metres = np.concatenate(rows, axis=1)
    driving = shaft_w > _LEAST_W
    if min(driving.sum(), (shaft_w < -_LEAST_W).sum()) < _LEAST_STEPS:
        return None
    force = shaft_w * seconds / np.maximum(metres, 2.0 * seconds)
    columns = np.stack([np.maximum(shaft_w, 0.0), np.minimum(shaft_w, 0.0), force**2, np.ones(force.size)], axis=1)
    slope, sigma = robust_slopes(pack_w, columns, np.cumsum(seconds))
    if min(slope[:2]) <= 0.0:
        return None
    told = 0.5 * float(np.hypot(*(sigma[:2] / slope[:2])))
    held = TORQUE_SIGMA_RATIO**2 / (TORQUE_SIGMA_RATIO**2 + told**2)
    scale = float(np.exp(-0.5 * held * np.log(slope[0] * slope[1])))
    source = "pack power against torque, driving and braking"
    true_w = shaft_w / scale
    before, behind = (
        float(lost[driving] @ seconds[driving]) / JOULES_PER_WATT_HOUR for lost in (pack_w - true_w, true_w - wheel_w)
    )
    sigma_ratio = float(np.hypot(told * held**0.5, ONE_SHARE_SIGMA_RATIO))
    return ShaftSplit(
        torque_scale=Estimate(scale, "ratio", scale * sigma_ratio, source), before_wh=before, behind_wh=behind
    )
