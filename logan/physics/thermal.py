"""First-order heating, C dT/dt = P - (T - T_sink) / R: what lags behind what, and what a coolant carries away."""

import math
from dataclasses import dataclass
from typing import Final

from logan.numerics import decaying_sum
from logan.units import FloatArray


def lagged(signals: FloatArray, *, step_s: float, time_constant_s: float, is_settled: bool) -> FloatArray:
    """First-order response of each column to itself, exact for what runs straight between samples.

    Parameters
    ----------
    signals : ndarray, shape (n,) or (n, m)
        At equal steps. [any]
    step_s, time_constant_s : float
        [s]
    is_settled : bool
        True where the response starts at the first value, False where it starts at zero.

    Returns
    -------
    ndarray, shape (n,) or (n, m)
        What follows with that time constant. [same]

    References
    ----------
    .. [1] Exact solution of tau dy/dt = x - y for a ramp: y follows x, late by tau.
    """
    decay = math.exp(-step_s / time_constant_s)
    late = (1.0 - decay) * time_constant_s / step_s
    driving = (1.0 - late) * signals
    driving[1:] += (late - decay) * signals[:-1]
    driving[:1] += late * signals[:1] if is_settled else 0.0
    return decaying_sum(driving, decay)


def coolant_heat_w(
    flow_m3_per_s: float,
    difference_k: float,
    *,
    density_kg_per_m3: float = 1050.0,
    specific_heat_j_per_kg_k: float = 3500.0,
) -> float:
    """Heat that a coolant carries away.

    Parameters
    ----------
    flow_m3_per_s : float
        Volume flow. [m3/s]
    difference_k : float
        Outlet less inlet. [K]
    density_kg_per_m3, specific_heat_j_per_kg_k : float
        Of the coolant; defaults for water and glycol in equal parts at 50 °C. [kg/m3, J/(kg K)]

    Returns
    -------
    float
        Heat. [W]

    References
    ----------
    .. [1] Steady-flow energy balance; the two defaults are common practice.
    """
    return flow_m3_per_s * density_kg_per_m3 * specific_heat_j_per_kg_k * difference_k


@dataclass(frozen=True, slots=True, kw_only=True)
class ConductorMaterial:
    """Constants of IEC 60949, Table 1 (second-hand).

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
    "aluminum": ConductorMaterial(factor_a_s_per_mm2=148.0, beta_k=228.0),
}
"""IEC 60949, Table 1 (second-hand)."""


def conductor_material(name: str) -> ConductorMaterial:
    """Return a material by name: copper (or cu), aluminum (aluminium, al).

    Raises
    ------
    ValueError
        For another name.
    """
    word = name.strip().lower()
    word = {"cu": "copper", "al": "aluminum", "aluminium": "aluminum"}.get(word, word)
    if word not in CONDUCTOR_MATERIALS:
        raise ValueError(f"unknown conductor '{name}'; use copper or aluminum")
    return CONDUCTOR_MATERIALS[word]


def adiabatic_factor(material: ConductorMaterial, *, start_degc: float, end_degc: float) -> float:
    """Factor k of I²t = k²S² between two conductor temperatures.

    Parameters
    ----------
    material : ConductorMaterial
        Copper or aluminum.
    start_degc, end_degc : float
        Before and after. [degC]

    Returns
    -------
    float
        k, in A s^(1/2) / mm2.

    References
    ----------
    .. [1] IEC 60949:1988, clause 3 (from memory): 143 for copper in XLPE (90 to 250 °C), 115 in PVC (70 to 160 °C).
    """
    ratio = (end_degc + material.beta_k) / (start_degc + material.beta_k)
    return material.factor_a_s_per_mm2 * math.sqrt(math.log(ratio))


def adiabatic_end_degc(i2t_a2s: float, *, area_mm2: float, start_degc: float, material: ConductorMaterial) -> float:
    """Conductor temperature after an I²t without any heat loss: an upper estimate. Method: measured (15).

    Parameters
    ----------
    i2t_a2s : float
        Integral of the squared current. [A2 s]
    area_mm2 : float
        Cross-section. [mm2]
    start_degc : float
        Temperature before. [degC]
    material : ConductorMaterial
        Copper or aluminum.

    Returns
    -------
    float
        Temperature after. [degC]

    References
    ----------
    .. [1] IEC 60949:1988, clause 3 (second-hand), solved for the end temperature.
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
    .. [1] IEC 60949:1988, clause 3 (second-hand).
    """
    return adiabatic_k * area_mm2 / math.sqrt(time_s)
