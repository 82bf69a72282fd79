"""Adiabatic heating of conductors (IEC 60949)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class ConductorMaterial:
    """Constants of IEC 60949, Table 1.

    Parameters
    ----------
    factor_a_s_per_mm2 : float
        K of the adiabatic formula, A s^(1/2) / mm2.
    beta_k : float
        Reciprocal of the temperature coefficient of resistance at 0 °C. [K]
    """

    factor_a_s_per_mm2: float
    beta_k: float


CONDUCTOR_MATERIALS: Final = {
    "copper": ConductorMaterial(factor_a_s_per_mm2=226.0, beta_k=234.5),
    "aluminium": ConductorMaterial(factor_a_s_per_mm2=148.0, beta_k=228.0),
}
"""IEC 60949, Table 1."""


def conductor_material(name: str) -> ConductorMaterial:
    """Return a material by name: copper (or cu), aluminium (aluminum, al).

    Raises
    ------
    ValueError
        For another name.
    """
    word = name.strip().lower()
    word = {"cu": "copper", "al": "aluminium", "aluminum": "aluminium"}.get(word, word)
    if word not in CONDUCTOR_MATERIALS:
        raise ValueError(f"unknown conductor '{name}'; use copper or aluminium")
    return CONDUCTOR_MATERIALS[word]


def adiabatic_factor(material: ConductorMaterial, *, start_degc: float, end_degc: float) -> float:
    """Factor k of I²t = k²S² between two conductor temperatures.

    Parameters
    ----------
    material : ConductorMaterial
        Copper or aluminium.
    start_degc, end_degc : float
        Before and after. [degC]

    Returns
    -------
    float
        k, in A s^(1/2) / mm2.

    References
    ----------
    .. [1] IEC 60949:1988, clause 3: 143 for copper in XLPE (90 to 250 °C), 115 in PVC (70 to 160 °C).
    """
    ratio = (end_degc + material.beta_k) / (start_degc + material.beta_k)
    return material.factor_a_s_per_mm2 * math.sqrt(math.log(ratio))


def adiabatic_end_degc(i2t_a2s: float, *, area_mm2: float, start_degc: float, material: ConductorMaterial) -> float:
    """Conductor temperature after an I²t without any heat loss: an upper estimate.

    Parameters
    ----------
    i2t_a2s : float
        Integral of the squared current. [A2 s]
    area_mm2 : float
        Cross-section. [mm2]
    start_degc : float
        Temperature before. [degC]
    material : ConductorMaterial
        Copper or aluminium.

    Returns
    -------
    float
        Temperature after. [degC]

    References
    ----------
    .. [1] IEC 60949:1988, clause 3, solved for the end temperature.
    """
    exponent = i2t_a2s / (material.factor_a_s_per_mm2 * area_mm2) ** 2
    if exponent > 10.0:  # far beyond melting; the formula has lost its meaning
        return float("inf")
    return (start_degc + material.beta_k) * math.exp(exponent) - material.beta_k


def withstand_current_a(time_s: float, *, area_mm2: float, adiabatic_k: float) -> float:
    """Current that heats a conductor to its short-time limit in a given time, k S / sqrt(t).

    Parameters
    ----------
    time_s : float
        Duration. [s]
    area_mm2 : float
        Cross-section. [mm2]
    adiabatic_k : float
        Factor k, A s^(1/2) / mm2.

    Returns
    -------
    float
        Current. [A]

    References
    ----------
    .. [1] IEC 60949:1988, clause 3.
    """
    return adiabatic_k * area_mm2 / math.sqrt(time_s)
