"""Losses from pack to shaft, learned where torque, shaft speed and pack power are logged (method/heat.md, 6)."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.optimize import nnls

from logan.heat.network import expected_losses
from logan.heat.series import HeatSeries
from logan.numerics import long_run_factor
from logan.physics.machine import MachineLosses, falling_flux_ratio, field_weakening_ratio
from logan.settings import BuildSettings
from logan.units import RADIANS_PER_SECOND_PER_RPM, BoolArray, FloatArray

LEAST_BLOCKS: Final = 150
LEAST_COPPER_RATIO: Final = 0.1
"""No winding loses less than this share of what is expected; field weakening is stated over it."""

LEAST_LOSS_RATIO, MOST_LOSS_RATIO = 0.005, 1.0
"""Of the shaft's power: no motor with its inverter loses less or more where it is neither idle nor at its end."""

PACK_GAIN_RATIO: Final = 0.02
_ALIKE_LAGS: Final = 60
_TERMS: Final = ("standby", "switching", "square", "iron", "windage", "weakening", "falling flux")
_MEAN: Final = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0])
_SIGMA: Final = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.5])
"""Each term's prior, in multiples of what the size lets one expect, good to a factor of two; falling flux over copper,
0 with magnets and 1 without."""


def corners_of(build: BuildSettings) -> tuple[FloatArray, FloatArray]:
    """Torque and shaft speed at which losses are held against what is possible: easy, fast and hard driving.

    Parameters
    ----------
    build : BuildSettings
        With the motor's limits.

    Returns
    -------
    torque_nm, speed_rad_per_s : ndarray, shape (3,)
        [N m, rad/s]
    """
    motor = build.powertrain.motor
    speed = motor.max_speed_rpm * RADIANS_PER_SECOND_PER_RPM * np.array([0.4, 0.8, 0.4])
    return motor.max_torque_nm * motor.count * np.array([0.1, 0.1, 0.4]), speed


def is_possible(losses: MachineLosses, build: BuildSettings) -> BoolArray:
    """Whether losses at the corners are between the least and the most that a machine can have, shape (3,)."""
    torque, speed = corners_of(build)
    share = losses.loss_w(torque, speed) / (torque * speed)
    return (share > LEAST_LOSS_RATIO) & (share < MOST_LOSS_RATIO)


def learned_losses(series: Sequence[HeatSeries], build: BuildSettings) -> tuple[MachineLosses, float] | None:
    """Fit pack power = scale x torque x speed + losses; driving and regen together tell the torque's scale.

    Method: heat (11).

    Parameters
    ----------
    series : sequence of HeatSeries
        Drives; those with torque, shaft speed and pack power logged are used.
    build : BuildSettings
        What its size lets one expect is the prior.

    Returns
    -------
    tuple of MachineLosses and float, or None
        Losses in torque as logged times the scale, and the scale; None where too little is logged, or where the
        drives tell the losses at a corner no better than the datasheet's size does, or tell what no machine loses.
    """
    usable = [one for one in series if one.load_source == "motor torque" and one.pack_w is not None]
    if sum(one.square.size for one in usable) < LEAST_BLOCKS:
        return None
    expected = expected_losses(build)
    table = np.vstack([_columns(expected, one.magnitude, one.square, one.shaft_rad_per_s, one) for one in usable])
    shaft_w, power = (
        np.concatenate([found for one in usable if (found := getattr(one, name)) is not None])
        for name in ("shaft_w", "pack_w")
    )
    table = np.column_stack([shaft_w, table])
    known = np.isfinite(table).all(axis=1) & np.isfinite(power)
    table, power = table[known], power[known]
    found, noise_w, weighed = np.append(1.0, _MEAN), 200.0, table
    for _ in range(2):
        # Hard pulls count for less, as pack sensors are good to a share; the prior's rows are in the drives' noise.
        weight = 1.0 / np.hypot(1.0, PACK_GAIN_RATIO * power / noise_w)
        rows = np.column_stack([np.zeros(len(_TERMS)), np.diag(noise_w / _SIGMA)])
        weighed = table * weight[:, np.newaxis]
        found, _ = nnls(np.vstack([weighed, rows]), np.concatenate([power * weight, noise_w / _SIGMA * _MEAN]))
        left = power * weight - weighed @ found
        noise_w = float(np.sqrt(np.mean(left**2) * max(long_run_factor(left, lags=_ALIKE_LAGS), 1.0)))
    covariance = np.linalg.inv(weighed.T @ weighed / noise_w**2 + np.diag(np.append(1e-6, _SIGMA**-2.0)))
    losses = _scaled(expected, found)
    torque, speed = corners_of(build)
    at = _columns(expected, torque, torque**2, speed)
    told = np.sqrt(np.einsum("ij,jk,ik->i", at, covariance[1:, 1:], at)) / (at @ found[1:])
    before = np.sqrt(np.square(at) @ _SIGMA**2) / (at @ _MEAN)
    is_taken = 0.7 < found[0] < 1.4 and bool(np.all(told < before) and np.all(is_possible(losses, build)))
    return (losses, float(found[0])) if is_taken else None


def _columns(
    expected: MachineLosses,
    magnitude: FloatArray,
    square: FloatArray,
    speed: FloatArray,
    series: HeatSeries | None = None,
) -> FloatArray:
    """What each of ``_TERMS`` is expected to lose, shape (n, 7). [W]"""
    base = expected.base_speed_rad_per_s
    copper = expected.copper_w_per_nm2
    return np.column_stack(
        [
            np.full(square.shape, expected.standby_w),
            expected.switching_w_per_nm * magnitude,
            (copper + expected.conduction_w_per_nm2) * square,
            expected.iron_w_s_per_rad * speed,
            expected.windage_w_s2_per_rad2 * (speed**2 if series is None else series.shaft_square),
            copper * expected.weakening_nm2 * field_weakening_ratio(speed, base),
            copper * square * falling_flux_ratio(speed, base),
        ]
    )


def _scaled(expected: MachineLosses, found: FloatArray) -> MachineLosses:
    """The expected losses, each term as many times as found; torque as logged times the scale."""
    scale, standby, switching, square, iron, windage, weak, falling = found.tolist()
    square = max(square, LEAST_COPPER_RATIO)
    return replace(
        expected,
        standby_w=expected.standby_w * standby,
        switching_w_per_nm=expected.switching_w_per_nm * switching / scale,
        copper_w_per_nm2=expected.copper_w_per_nm2 * square / scale**2,
        conduction_w_per_nm2=expected.conduction_w_per_nm2 * square / scale**2,
        iron_w_s_per_rad=expected.iron_w_s_per_rad * iron,
        windage_w_s2_per_rad2=expected.windage_w_s2_per_rad2 * windage,
        weakening_nm2=expected.weakening_nm2 * weak * scale**2 / square,
        falling_flux_ratio=falling / square,
        eddy_ratio=0.0,
    )
