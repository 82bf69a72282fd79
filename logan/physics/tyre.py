"""Tyres: rolling resistance with temperature, load, pressure and speed; rolling radius; rotating inertia."""

from typing import Final

import numpy as np

from logan.units import FloatArray, Number

REFERENCE_TEMPERATURE_DEGC: Final = 25.0
"""Temperature at which rolling resistance is stated (UN R117, Annex 6, 6.2)."""

TEMPERATURE_LOW_DEGC: Final = -10.0
TEMPERATURE_HIGH_DEGC: Final = 40.0
"""Beyond these ambient temperatures the linear law is held constant (the regulation itself covers 20 to 30 degC)."""

WARM_UP_RISE_RATIO: Final = 0.25
WARM_UP_TIME_S: Final = 600.0
"""Extra rolling resistance of cold tyres, and the time in which it decays (common practice)."""

WET_ROAD_FACTOR: Final = 1.10
"""Rolling resistance on a wet road over that on a dry one, standing water apart (from memory: 5 to 20 %)."""


def temperature_factor(temperature_degc: Number, coefficient_per_k: Number) -> Number:
    """Rolling resistance at an ambient temperature over that at 25 degC.

    Parameters
    ----------
    temperature_degc : float or ndarray, shape (n,)
        Ambient; held at -10 and 40 degC beyond these. [degC]
    coefficient_per_k : float or ndarray, shape (n,)
        0.008 for car tyres, 0.010 for light trucks, 0.006 for heavy ones. [1/K]

    Returns
    -------
    float or ndarray, shape (n,)
        Factor. [ratio]

    References
    ----------
    .. [1] Coefficients: UN R117, Annex 6, 6.2 (as ISO 28580, from memory); carried beyond its 20 to 30 degC in the
       linear form, which is the milder one in the cold.
    """
    held = np.clip(temperature_degc, TEMPERATURE_LOW_DEGC, TEMPERATURE_HIGH_DEGC)
    return 1.0 - coefficient_per_k * (held - REFERENCE_TEMPERATURE_DEGC)  # type: ignore[no-any-return]


def warm_up_share(time_s: FloatArray) -> FloatArray:
    """Share that is left of a cold tyre's extra rolling resistance.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Since the cold start. [s]

    Returns
    -------
    ndarray, shape (n,)
        From 1 towards 0 in 10 min e-folding time; common practice. [ratio]
    """
    return np.asarray(np.exp(-time_s / WARM_UP_TIME_S))


def rolling_radius_m(rolling_circumference_m: float) -> float:
    """Distance per wheel turn over 2 pi. [m]"""
    return rolling_circumference_m / (2.0 * np.pi)


def rotating_mass_kg(
    *,
    wheel_inertia_kg_m2: float,
    rotor_inertia_kg_m2: float,
    total_ratio: float,
    rolling_circumference_m: float,
) -> float:
    """Mass that rotating parts seem to add when speed changes.

    Parameters
    ----------
    wheel_inertia_kg_m2 : float
        All wheels, tyres and discs. [kg m2]
    rotor_inertia_kg_m2 : float
        All rotors on the chain. [kg m2]
    total_ratio : float
        Motor turns per wheel turn. [ratio]
    rolling_circumference_m : float
        Distance per wheel turn. [m]

    Returns
    -------
    float
        Equivalent mass. [kg]
    """
    radius_m = rolling_radius_m(rolling_circumference_m)
    return (wheel_inertia_kg_m2 + rotor_inertia_kg_m2 * total_ratio**2) / radius_m**2


DRUM_SPEED_M_PER_S: Final = 80.0 / 3.6
_RISE_SPEED_M_PER_S: Final = 65.0 * 0.44704


def speed_rise_share(speed_m_per_s: FloatArray) -> FloatArray:
    """How far a speed is from the drum's 80 km/h, in squares, over the square of 65 mph: 0 there, negative below.

    Parameters
    ----------
    speed_m_per_s : ndarray, shape (n,)
        Road speed. [m/s]

    Returns
    -------
    ndarray, shape (n,)
        [ratio]

    References
    ----------
    .. [1] ISO 28580 states rolling resistance at 80 km/h (from memory); rise with the square of speed as in SAE J2452.
    """
    return np.asarray((np.square(speed_m_per_s) - DRUM_SPEED_M_PER_S**2) / _RISE_SPEED_M_PER_S**2)
