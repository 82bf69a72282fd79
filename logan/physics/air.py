"""Air: density from weather, the standard atmosphere, and the wind seen by a moving vehicle."""

from typing import Final

import numpy as np

from logan.units import (
    DRY_AIR_GAS_CONSTANT_J_PER_KG_K,
    STANDARD_GRAVITY_M_PER_S2,
    STANDARD_PRESSURE_PA,
    ZERO_CELSIUS_K,
    FloatArray,
    Number,
)

ISA_SEA_LEVEL_TEMPERATURE_K: Final = 288.15
ISA_LAPSE_RATE_K_PER_M: Final = 0.0065
ISA_GAS_CONSTANT_J_PER_KG_K: Final = 287.052874
"""Standard atmosphere below 11 km (ISO 2533, second-hand)."""

_CIPM_MOLAR_GAS_CONSTANT: Final = 8.314472
_CIPM_DRY_AIR_MOLAR_MASS_KG_PER_MOL: Final = 28.96546e-3
_WATER_MOLAR_MASS_KG_PER_MOL: Final = 18.01528e-3


def standard_pressure_pa(elevation_m: Number) -> Number:
    """Pressure of the standard atmosphere.

    Parameters
    ----------
    elevation_m : float or ndarray, shape (n,)
        Geopotential height, below 11 km. [m]

    Returns
    -------
    float or ndarray, shape (n,)
        Pressure. [Pa]

    References
    ----------
    .. [1] ISO 2533 (second-hand), standard atmosphere, troposphere.
    """
    exponent = STANDARD_GRAVITY_M_PER_S2 / (ISA_GAS_CONSTANT_J_PER_KG_K * ISA_LAPSE_RATE_K_PER_M)
    ratio: Number = 1.0 - ISA_LAPSE_RATE_K_PER_M * elevation_m / ISA_SEA_LEVEL_TEMPERATURE_K
    pressure_pa: Number = STANDARD_PRESSURE_PA * ratio**exponent
    return pressure_pa


def standard_elevation_m(pressure_pa: Number) -> Number:
    """Height at which the standard atmosphere has a pressure; the inverse of ``standard_pressure_pa``. [m]"""
    exponent = ISA_GAS_CONSTANT_J_PER_KG_K * ISA_LAPSE_RATE_K_PER_M / STANDARD_GRAVITY_M_PER_S2
    ratio: Number = (pressure_pa / STANDARD_PRESSURE_PA) ** exponent
    return ISA_SEA_LEVEL_TEMPERATURE_K / ISA_LAPSE_RATE_K_PER_M * (1.0 - ratio)


def dry_air_density_kg_per_m3(temperature_degc: Number, pressure_pa: Number) -> Number:
    """Density of dry air as an ideal gas.

    Parameters
    ----------
    temperature_degc, pressure_pa : float or ndarray, shape (n,)
        State of the air. [degC, Pa]

    Returns
    -------
    float or ndarray, shape (n,)
        Density. [kg/m3]

    References
    ----------
    .. [1] 40 CFR 1037.528(h)(10), from memory.
    """
    return pressure_pa / (DRY_AIR_GAS_CONSTANT_J_PER_KG_K * (temperature_degc + ZERO_CELSIUS_K))


def air_density_kg_per_m3(temperature_degc: float, pressure_pa: float, relative_humidity_ratio: float = 0.0) -> float:
    """Density of moist air.

    Parameters
    ----------
    temperature_degc, pressure_pa, relative_humidity_ratio : float
        State of the air; humidity 0 to 1. [degC, Pa, ratio]

    Returns
    -------
    float
        Density; within 0.01 % between 15 and 27 degC, usable from -40 to 60 degC. [kg/m3]

    References
    ----------
    .. [1] A. Picard et al., CIPM-2007, Metrologia 45 (2008) 149, doi:10.1088/0026-1394/45/2/004; from memory.
    """
    temperature_k = temperature_degc + ZERO_CELSIUS_K
    saturation_pa = float(
        np.exp(
            1.2378847e-5 * temperature_k**2 - 1.9121316e-2 * temperature_k + 33.93711047 - 6.3431645e3 / temperature_k
        )
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_degc**2
    water = relative_humidity_ratio * enhancement * saturation_pa / pressure_pa
    compressibility = (
        1.0
        - pressure_pa
        / temperature_k
        * (
            1.58123e-6
            - 2.9331e-8 * temperature_degc
            + 1.1043e-10 * temperature_degc**2
            + (5.707e-6 - 2.051e-8 * temperature_degc) * water
            + (1.9898e-4 - 2.376e-6 * temperature_degc) * water**2
        )
        + (pressure_pa / temperature_k) ** 2 * (1.83e-11 - 0.765e-8 * water**2)
    )
    dry = (
        pressure_pa * _CIPM_DRY_AIR_MOLAR_MASS_KG_PER_MOL / (compressibility * _CIPM_MOLAR_GAS_CONSTANT * temperature_k)
    )
    return dry * (1.0 - water * (1.0 - _WATER_MOLAR_MASS_KG_PER_MOL / _CIPM_DRY_AIR_MOLAR_MASS_KG_PER_MOL))


def wind_components_m_per_s(
    wind_m_per_s: float, wind_from_deg: float, heading_deg: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Wind along and across the direction of travel.

    Parameters
    ----------
    wind_m_per_s, wind_from_deg : float
        Wind, and where it blows from, clockwise from north. [m/s, deg]
    heading_deg : ndarray, shape (n,)
        Course over ground. [deg]

    Returns
    -------
    headwind_m_per_s, crosswind_m_per_s : ndarray, shape (n,)
        Against the direction of travel, and across it (from the right positive). [m/s]
    """
    angle = np.radians(wind_from_deg - heading_deg)
    return wind_m_per_s * np.cos(angle), wind_m_per_s * np.sin(angle)
