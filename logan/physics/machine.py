"""Losses of motor, inverter and gear where they arise, as functions of shaft torque and speed."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.units import FloatArray

COPPER_PER_K: Final = 0.0039
"""Rise of copper's resistance per kelvin from 25 degC (IEC 60034-1: (235 + t2) / (235 + t1), 0.0038; from memory)."""

EDDY_SPEED_RAD_PER_S: Final = 600.0
"""Shaft speed at which the eddy term is stated. [rad/s]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MachineLosses:
    """The loss terms of a machine: each a number, or one per sample of shape (k,).

    Parameters
    ----------
    copper_w_per_nm2 : float or ndarray
        Winding loss over torque squared at 25 degC and standstill. [W/(N m)2]
    weakening_nm2 : float or ndarray
        Field weakening: current far above base speed, as torque squared. [(N m)2]
    eddy_ratio : float or ndarray
        Extra winding loss from alternating current at 600 rad/s and 25 degC, by the square of speed; hot copper
        carries less of it, for eddy currents fall with resistivity. [ratio]
    iron_w_s_per_rad, windage_w_s2_per_rad2 : float or ndarray
        Loss with shaft speed and its square: hysteresis and bearings; eddies in iron and windage.
    standby_w, switching_w_per_nm, conduction_w_per_nm2 : float or ndarray
        Inverter: always on, with current, with its square; current stated as torque. [W, W/(N m), W/(N m)2]
    gear_drag_nm, gear_loss_ratio : float or ndarray
        Gear: drag at the motor shaft, and share of the power that passes. [N m, ratio]
    base_speed_rad_per_s : float or ndarray
        Above it the field is weakened. [rad/s]
    falling_flux_ratio : float or ndarray
        Share of the torque that a flux which falls as 1 / speed carries above base speed, where it takes more
        current: 1 for an induction machine, near 0 where magnets give the flux. [ratio]
    """

    copper_w_per_nm2: float | FloatArray
    weakening_nm2: float | FloatArray
    eddy_ratio: float | FloatArray
    iron_w_s_per_rad: float | FloatArray
    windage_w_s2_per_rad2: float | FloatArray
    standby_w: float | FloatArray
    switching_w_per_nm: float | FloatArray
    conduction_w_per_nm2: float | FloatArray
    gear_drag_nm: float | FloatArray = 0.0
    gear_loss_ratio: float | FloatArray = 0.02
    base_speed_rad_per_s: float | FloatArray = np.inf
    falling_flux_ratio: float | FloatArray = 0.0

    def copper_w(self, torque_nm: FloatArray, speed_rad_per_s: FloatArray, winding_degc: float = 25.0) -> FloatArray:
        """Loss in the winding at a torque, a shaft speed and a temperature of the copper. [W]

        Method: heat (2).
        """
        weak = field_weakening_ratio(speed_rad_per_s, self.base_speed_rad_per_s)
        more = self.falling_flux_ratio * falling_flux_ratio(speed_rad_per_s, self.base_speed_rad_per_s)
        current2 = torque_nm**2 * (1.0 + more) + self.weakening_nm2 * weak
        eddy = self.eddy_ratio * (speed_rad_per_s / EDDY_SPEED_RAD_PER_S) ** 2
        warm = 1.0 + COPPER_PER_K * (winding_degc - 25.0)
        return np.asarray(self.copper_w_per_nm2 * current2 * (warm + eddy / warm))

    def core_w(self, speed_rad_per_s: FloatArray) -> FloatArray:
        """Loss in iron, rotor and bearings. [W]"""
        speed = np.abs(speed_rad_per_s)
        return np.asarray(self.iron_w_s_per_rad * speed + self.windage_w_s2_per_rad2 * speed**2)

    def inverter_w(self, torque_nm: FloatArray, speed_rad_per_s: FloatArray) -> FloatArray:
        """Loss in the inverter. [W] Method: heat (6)."""
        weak = field_weakening_ratio(speed_rad_per_s, self.base_speed_rad_per_s)
        current2 = torque_nm**2 + self.weakening_nm2 * weak
        return np.asarray(
            self.standby_w + self.switching_w_per_nm * np.sqrt(current2) + self.conduction_w_per_nm2 * current2
        )

    def gear_w(self, torque_nm: FloatArray, speed_rad_per_s: FloatArray) -> FloatArray:
        """Loss in the gear, and drag that turns with it. [W]"""
        speed = np.abs(speed_rad_per_s)
        return np.asarray(self.gear_drag_nm * speed + self.gear_loss_ratio * np.abs(torque_nm) * speed)

    def loss_w(self, torque_nm: FloatArray, speed_rad_per_s: FloatArray, winding_degc: float = 60.0) -> FloatArray:
        """All losses between the terminals and the gear's output. [W]"""
        return np.asarray(
            self.copper_w(torque_nm, speed_rad_per_s, winding_degc)
            + self.core_w(speed_rad_per_s)
            + self.inverter_w(torque_nm, speed_rad_per_s)
            + self.gear_w(torque_nm, speed_rad_per_s)
        )


def falling_flux_ratio(speed_rad_per_s: FloatArray, base_speed_rad_per_s: float | FloatArray) -> FloatArray:
    """Copper loss of a torque beyond that at full flux, where the flux falls as 1 / speed above base speed.

    Parameters
    ----------
    speed_rad_per_s : ndarray, shape (n,)
        Shaft speed. [rad/s]
    base_speed_rad_per_s : float or ndarray
        Where the voltage is used up. [rad/s]

    Returns
    -------
    ndarray, shape (n,)
        max(0, (speed / base)^2 - 1): current over torque goes with speed there. [ratio]
    """
    return np.asarray(np.maximum(0.0, (speed_rad_per_s / base_speed_rad_per_s) ** 2 - 1.0))


def field_weakening_ratio(speed_rad_per_s: FloatArray, base_speed_rad_per_s: float | FloatArray) -> FloatArray:
    """Square of the share of the flux that is taken away above base speed.

    Parameters
    ----------
    speed_rad_per_s : ndarray, shape (n,)
        Shaft speed. [rad/s]
    base_speed_rad_per_s : float or ndarray
        Where the voltage is used up: near peak power over peak torque. [rad/s]

    Returns
    -------
    ndarray, shape (n,)
        max(0, 1 - base / speed)^2. [ratio]
    """
    speed = np.maximum(np.abs(speed_rad_per_s), 1e-9)
    return np.asarray(np.maximum(0.0, 1.0 - base_speed_rad_per_s / speed) ** 2)
