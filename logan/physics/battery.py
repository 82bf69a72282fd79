"""The pack as an open-circuit voltage behind a resistance, and its isolation from the chassis (UN R100)."""

from typing import Final

import numpy as np

from logan.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_CELSIUS_K, FloatArray, Number

REFERENCE_TEMPERATURE_DEGC: Final = 25.0


def pack_current_a(
    power_w: FloatArray, open_circuit_voltage_v: float | FloatArray, resistance_ohm: float
) -> FloatArray:
    """Current that delivers a power at the terminals.

    Parameters
    ----------
    power_w : ndarray, shape (n,)
        At the terminals, positive on discharge. [W]
    open_circuit_voltage_v : float or ndarray, shape (n,)
        Of the pack. [V]
    resistance_ohm : float
        Of the pack. [ohm]

    Returns
    -------
    ndarray, shape (n,)
        Positive on discharge; NaN beyond what the pack can deliver. [A]
    """
    if resistance_ohm == 0.0:
        return np.asarray(power_w / open_circuit_voltage_v)
    discriminant = open_circuit_voltage_v**2 - 4.0 * resistance_ohm * power_w
    root = np.sqrt(np.where(discriminant >= 0.0, discriminant, np.nan))
    # This form does not cancel at small power, unlike (V - root) / 2R.
    return np.asarray(2.0 * power_w / (open_circuit_voltage_v + root))


def max_discharge_power_w(
    open_circuit_voltage_v: Number, resistance_ohm: float, *, floor_v: float = 0.0, current_limit_a: float | None = None
) -> Number:
    """Most power that a pack delivers above its voltage floor and below its current limit.

    Parameters
    ----------
    open_circuit_voltage_v : float or ndarray, shape (n,)
        Of the pack. [V]
    resistance_ohm : float
        Of the pack. [ohm]
    floor_v : float
        Lowest terminal voltage. [V]
    current_limit_a : float or None
        Highest current; None where not given. [A]

    Returns
    -------
    float or ndarray, shape (n,)
        Power at the terminals. [W]
    """
    matched_a = open_circuit_voltage_v / (2.0 * resistance_ohm)
    current_a = np.minimum(matched_a, np.maximum(0.0, (open_circuit_voltage_v - floor_v) / resistance_ohm))
    if current_limit_a is not None:
        current_a = np.minimum(current_a, current_limit_a)
    return current_a * (open_circuit_voltage_v - resistance_ohm * current_a)  # type: ignore[no-any-return]


def resistance_at_ohm(resistance_ohm: float, temperature_degc: Number, activation_j_per_mol: float) -> Number:
    """Resistance at a cell temperature, from that at 25 degC.

    Parameters
    ----------
    resistance_ohm : float
        At 25 degC. [ohm]
    temperature_degc : float or ndarray, shape (n,)
        Of the cells. [degC]
    activation_j_per_mol : float
        20 000 to 35 000 for common cells (common practice, from memory). [J/mol]

    Returns
    -------
    float or ndarray, shape (n,)
        Resistance; higher in the cold (Arrhenius). [ohm]
    """
    inverse_k = 1.0 / (temperature_degc + ZERO_CELSIUS_K) - 1.0 / (REFERENCE_TEMPERATURE_DEGC + ZERO_CELSIUS_K)
    return resistance_ohm * np.exp(activation_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * inverse_k)  # type: ignore[no-any-return]


def open_circuit_voltage_v(
    state_of_charge_ratio: FloatArray, points_ratio: tuple[float, ...], points_v: tuple[float, ...]
) -> FloatArray:
    """Open-circuit voltage at a state of charge, straight between the points given.

    Parameters
    ----------
    state_of_charge_ratio : ndarray, shape (n,)
        0 to 1. [ratio]
    points_ratio, points_v : tuple of float
        State of charge, rising, and open-circuit voltage. [ratio, V]

    Returns
    -------
    ndarray, shape (n,)
        Open-circuit voltage. [V]
    """
    return np.interp(state_of_charge_ratio, points_ratio, points_v)


def state_of_charge_at_floor(
    power_w: float, floor_v: float, resistance_ohm: float, points_ratio: tuple[float, ...], points_v: tuple[float, ...]
) -> float:
    """State of charge at which a steady power brings the terminals down to their floor.

    Parameters
    ----------
    power_w, floor_v, resistance_ohm : float
        At the terminals, positive on discharge; lowest voltage allowed; of the pack. [W, V, ohm]
    points_ratio, points_v : tuple of float
        State of charge, rising, and open-circuit voltage of the pack. [ratio, V]

    Returns
    -------
    float
        At the floor the current is power over floor, so the open circuit must stand I R above it; 0 to 1. [ratio]

    References
    ----------
    .. [1] Ohm's law; common practice.
    """
    return float(np.interp(floor_v + power_w / floor_v * resistance_ohm, points_v, points_ratio))


def pilot_current_limit_a(duty_ratio: float) -> float | None:
    """Current that a control pilot's duty cycle allows.

    Parameters
    ----------
    duty_ratio : float
        Duty cycle, 0 to 1. [ratio]

    Returns
    -------
    float or None
        Current per phase; None where the duty cycle carries no current limit
        (digital communication around 5 %, or outside 10 to 96 %). [A]

    References
    ----------
    .. [1] SAE J1772 and IEC 61851-1, Annex A (second-hand): 0.6 A per percent from 10 to 85 %,
       2.5 A per percent above 64 % from there to 96 %.
    """
    percent = 100.0 * duty_ratio
    if 10.0 <= percent <= 85.0:
        return 0.6 * percent
    if 85.0 < percent <= 96.0:
        return 2.5 * (percent - 64.0)
    return None


DC_BUS_OHM_PER_V: Final = 100.0
"""Least isolation of a DC bus, per volt of working voltage (UN R100, 5.1.3)."""

COMBINED_BUS_OHM_PER_V: Final = 500.0
"""Least isolation of an AC bus, and of AC and DC buses connected together (UN R100, 5.1.3).

Connected buses need only 100 ohm/V where the AC side is doubly insulated or in a robust housing.
"""


def required_isolation_ohm(working_voltage_v: float, *, is_combined: bool) -> float:
    """Least isolation resistance of a bus.

    Parameters
    ----------
    working_voltage_v : float
        Highest working voltage. [V]
    is_combined : bool
        True for AC and DC buses that are connected together, without special protection of the AC side.

    Returns
    -------
    float
        Resistance to the chassis. [ohm]

    References
    ----------
    .. [1] UN R100, 5.1.3.
    """
    return working_voltage_v * (COMBINED_BUS_OHM_PER_V if is_combined else DC_BUS_OHM_PER_V)
