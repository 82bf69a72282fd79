"""How a vehicle answers to temperature: rolling resistance, and the power of heating and cooling."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.model.conditions import Conditions
from logan.model.parameters import PARAMETER_NAMES
from logan.physics.tyre import WARM_UP_RISE_RATIO, WARM_UP_TIME_S
from logan.settings import BuildSettings
from logan.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Environment:
    """How the vehicle answers to temperature; one number, or one per parameter sample.

    Parameters
    ----------
    rolling_temperature_coefficient_per_k : float or ndarray, shape (n,)
        Fall of rolling resistance per kelvin. [1/K]
    heating_w_per_k, cooling_w_per_k : float or ndarray, shape (n,)
        Cabin power per kelvin outside the comfort band. [W/K]
    warm_up_rise_ratio : float or ndarray, shape (n,)
        Extra rolling resistance at a cold start. [ratio]
    tire_rise_ratio : float or ndarray, shape (n,)
        Rise of rolling resistance with speed; see ``speed_rise_share``. [ratio]
    driveline_drag_n, driveline_n_s_per_m : float or ndarray, shape (n,)
        Drag of gears and bearings at the wheels, constant and by speed. [N, N s/m]
    cold_regen_per_k : float or ndarray, shape (n,)
        Share of regen that each kelvin of a cold pack takes away. [1/K]
    """

    rolling_temperature_coefficient_per_k: float | FloatArray
    heating_w_per_k: float | FloatArray
    cooling_w_per_k: float | FloatArray
    warm_up_rise_ratio: float | FloatArray = WARM_UP_RISE_RATIO
    tire_rise_ratio: float | FloatArray = 0.0
    driveline_drag_n: float | FloatArray = 0.0
    driveline_n_s_per_m: float | FloatArray = 0.0
    cold_regen_per_k: float | FloatArray = 0.0


COLD_REGEN_DEGC: Final = 8.0
COLD_BEND_K: Final = 2.0
"""Below this a pack takes less and less regen (common practice; what real winter drives show)."""


def cold_k(pack_temperature_degc: FloatArray) -> FloatArray:
    """How far a pack is below the temperature at which it takes regen readily, rounded off at the bend. [K]"""
    below = (COLD_REGEN_DEGC - pack_temperature_degc) / COLD_BEND_K
    return np.asarray(COLD_BEND_K * np.logaddexp(0.0, below))


def environment_of(build: BuildSettings) -> Environment:
    """Return a build's own answers to temperature, without their uncertainty."""
    return Environment(
        rolling_temperature_coefficient_per_k=build.vehicle.rolling_temperature_coefficient_per_k.value,
        heating_w_per_k=build.auxiliary.heating_w_per_k.value,
        cooling_w_per_k=build.auxiliary.cooling_w_per_k.value,
    )


def auxiliary_power_w(
    parameters: FloatArray,
    conditions: Conditions,
    build: BuildSettings,
    environment: Environment,
    duration_s: float,
) -> tuple[FloatArray, FloatArray]:
    """Mean auxiliary power over a drive: base load, and heating or cooling by ambient temperature.

    Parameters
    ----------
    parameters : ndarray, shape (n, 6)
        In ``PARAMETER_NAMES`` order.
    conditions : Conditions
        Ambient, and whether cabin climate runs.
    build : BuildSettings
        Comfort band and limits of heater and air conditioning.
    environment : Environment
        Cabin power per kelvin.
    duration_s : float
        Length of the drive; a cold start draws more at first (common practice). [s]

    Returns
    -------
    base_w, climate_w : ndarray, shape (n,)
        Mean powers. [W]
    """
    count = parameters.shape[0]
    base_w = parameters[:, PARAMETER_NAMES.index("auxiliary_power_w")]
    if conditions.auxiliary_power_w is not None:
        return np.full(count, conditions.auxiliary_power_w), np.zeros(count)
    if not conditions.cabin_climate:
        return base_w, np.zeros(count)
    auxiliary = build.auxiliary
    cold_k = max(0.0, auxiliary.comfort_low_degc - conditions.ambient_temperature_degc)
    hot_k = max(0.0, conditions.ambient_temperature_degc - auxiliary.comfort_high_degc)
    rise = 1.0
    if not conditions.warm_start:
        rise += WARM_UP_TIME_S / duration_s * (1.0 - np.exp(-duration_s / WARM_UP_TIME_S))
    heating_w = np.minimum(np.asarray(environment.heating_w_per_k) * cold_k * rise, auxiliary.heater_limit_w)
    cooling_w = np.minimum(np.asarray(environment.cooling_w_per_k) * hot_k * rise, auxiliary.air_conditioning_limit_w)
    return base_w, np.broadcast_to(np.maximum(heating_w + cooling_w, 0.0), (count,)).copy()
