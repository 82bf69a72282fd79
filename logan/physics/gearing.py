"""Gearing: shaft speed, road speed and force at the wheels."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

from logan.units import FloatArray

Number = TypeVar("Number", float, FloatArray)


def motor_speed_rad_per_s(speed_m_per_s: Number, total_ratio: float, rolling_circumference_m: float) -> Number:
    """Shaft speed of the motor at a road speed.

    Parameters
    ----------
    speed_m_per_s : float or ndarray, shape (n,)
        Road speed. [m/s]
    total_ratio : float
        Motor turns per wheel turn. [ratio]
    rolling_circumference_m : float
        Distance per wheel turn. [m]

    Returns
    -------
    float or ndarray, shape (n,)
        Shaft speed. [rad/s]
    """
    return speed_m_per_s * (total_ratio * 2.0 * np.pi / rolling_circumference_m)


def road_speed_m_per_s(motor_speed_rad_per_s: Number, total_ratio: float, rolling_circumference_m: float) -> Number:
    """Road speed at a shaft speed of the motor; the inverse of ``motor_speed_rad_per_s``.

    Parameters
    ----------
    motor_speed_rad_per_s : float or ndarray, shape (n,)
        Shaft speed. [rad/s]
    total_ratio : float
        Motor turns per wheel turn. [ratio]
    rolling_circumference_m : float
        Distance per wheel turn. [m]

    Returns
    -------
    float or ndarray, shape (n,)
        Road speed. [m/s]
    """
    return motor_speed_rad_per_s * (rolling_circumference_m / (total_ratio * 2.0 * np.pi))


def wheel_force_n(
    motor_torque_nm: Number, total_ratio: float, rolling_circumference_m: float, efficiency_ratio: float = 1.0
) -> Number:
    """Force at the wheels from motor torque.

    Parameters
    ----------
    motor_torque_nm : float or ndarray, shape (n,)
        Torque of all motors on the chain. [N m]
    total_ratio, rolling_circumference_m, efficiency_ratio : float
        Motor turns per wheel turn, distance per wheel turn, efficiency of the gears. [ratio, m, ratio]

    Returns
    -------
    float or ndarray, shape (n,)
        Force. [N]
    """
    return motor_torque_nm * (total_ratio * 2.0 * np.pi * efficiency_ratio / rolling_circumference_m)


def peak_wheel_force_n(
    speed_m_per_s: FloatArray,
    *,
    max_torque_nm: float,
    max_power_w: float,
    max_speed_rad_per_s: float,
    total_ratio: float,
    rolling_circumference_m: float,
    efficiency_ratio: float = 1.0,
) -> FloatArray:
    """Greatest force at the wheels that torque, power and speed limit of the motors allow.

    Parameters
    ----------
    speed_m_per_s : ndarray, shape (n,)
        Road speed. [m/s]
    max_torque_nm, max_power_w, max_speed_rad_per_s : float
        Of all motors together; shaft power. [N m, W, rad/s]
    total_ratio, rolling_circumference_m, efficiency_ratio : float
        Motor turns per wheel turn, distance per wheel turn, efficiency of the gears. [ratio, m, ratio]

    Returns
    -------
    ndarray, shape (n,)
        Force; zero beyond the speed limit. [N]
    """
    shaft_rad_per_s = motor_speed_rad_per_s(np.maximum(speed_m_per_s, 0.0), total_ratio, rolling_circumference_m)
    torque_nm = np.minimum(max_torque_nm, max_power_w / np.maximum(shaft_rad_per_s, 1e-9))
    torque_nm = np.where(shaft_rad_per_s <= max_speed_rad_per_s * (1.0 + 1e-12), torque_nm, 0.0)
    return np.asarray(wheel_force_n(torque_nm, total_ratio, rolling_circumference_m, efficiency_ratio))
