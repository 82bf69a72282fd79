"""From pack to wheel and back: gearing, efficiencies, loss terms, spin loss and limits of regen."""

from typing import Final

import numpy as np

from logan.units import FloatArray, Number


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


COLD_REGEN_FULL_DEGC: Final = 15.0
COLD_REGEN_NONE_DEGC: Final = -15.0
"""Cell temperatures between which the charge limit falls from full to nothing (common practice)."""

FULL_REGEN_TAPER_RATIO: Final = 0.90
"""State of charge above which regen tapers to nothing at 1 (common practice)."""


def force_loss_w(
    force_n: FloatArray, constant_w: float | FloatArray, copper_w_per_n2: float | FloatArray
) -> FloatArray:
    """Drivetrain loss while moving that no efficiency describes. Method: heat (12).

    Parameters
    ----------
    force_n : ndarray
        Force of the motors at the wheels. [N]
    constant_w, copper_w_per_n2 : float or ndarray
        Always there, and with the square of force. [W, W/N2]

    Returns
    -------
    ndarray
        The one loss that fit, prediction, ledger, gearing and heat share. [W]
    """
    return np.asarray(constant_w + copper_w_per_n2 * force_n**2)


def terminal_power_w(
    wheel_power_w: FloatArray,
    drive_efficiency_ratio: float | FloatArray,
    regen_efficiency_ratio: float | FloatArray,
) -> FloatArray:
    """Power at the pack terminals for a power at the wheels, by constant efficiencies.

    Parameters
    ----------
    wheel_power_w : ndarray, shape (n,)
        Positive when driving. [W]
    drive_efficiency_ratio, regen_efficiency_ratio : float or ndarray
        Pack to wheel, and wheel to pack. [ratio]

    Returns
    -------
    ndarray, shape (n,)
        Positive on discharge. [W]
    """
    return np.asarray(
        np.where(wheel_power_w > 0, wheel_power_w / drive_efficiency_ratio, wheel_power_w * regen_efficiency_ratio)
    )


def regen_fade_ratio(speed_m_per_s: FloatArray, fade_speed_m_per_s: float) -> FloatArray:
    """Share of braking that regen can take at low speed.

    Parameters
    ----------
    speed_m_per_s : ndarray, shape (n,)
        Road speed. [m/s]
    fade_speed_m_per_s : float
        Below this speed regen falls linearly to nothing at standstill; zero for no fade. [m/s]

    Returns
    -------
    ndarray, shape (n,)
        0 to 1. [ratio]
    """
    if fade_speed_m_per_s <= 0:
        return np.ones_like(speed_m_per_s)
    return np.asarray(np.clip(speed_m_per_s / fade_speed_m_per_s, 0.0, 1.0))


def regen_limit_ratio(cell_temperature_degc: float, state_of_charge_ratio: float | None) -> float:
    """Share of the charge limit that a cold or a full pack allows.

    Parameters
    ----------
    cell_temperature_degc : float
        Temperature of the cells. [degC]
    state_of_charge_ratio : float or None
        State of charge, 0 to 1; None where it does not limit. [ratio]

    Returns
    -------
    float
        0 to 1; common practice, not a datasheet. [ratio]
    """
    cold = (cell_temperature_degc - COLD_REGEN_NONE_DEGC) / (COLD_REGEN_FULL_DEGC - COLD_REGEN_NONE_DEGC)
    full = 1.0
    if state_of_charge_ratio is not None:
        full = (1.0 - state_of_charge_ratio) / (1.0 - FULL_REGEN_TAPER_RATIO)
    return float(min(max(cold, 0.0), 1.0) * min(max(full, 0.0), 1.0))
