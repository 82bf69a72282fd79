"""Heat that the pack's own resistance takes from a schedule."""

from __future__ import annotations

import numpy as np

from logan.model.conditions import Conditions
from logan.model.steps import WheelSteps
from logan.physics.battery import open_circuit_voltage_v, pack_current_a, resistance_at_ohm
from logan.settings import BuildSettings
from logan.units import FloatArray


def pack_heat_j(
    terminal_j: FloatArray,
    auxiliary_w: FloatArray,
    steps: WheelSteps,
    conditions: Conditions,
    build: BuildSettings,
) -> FloatArray:
    """Energy that the pack's resistance turns to heat, for each parameter sample.

    Parameters
    ----------
    terminal_j : ndarray, shape (n, k)
        Drivetrain energy at the terminals in each moving step, positive on discharge. [J]
    auxiliary_w : ndarray, shape (n,)
        Auxiliary power, drawn while standing as well. [W]
    steps : WheelSteps
        The steps.
    conditions, build : Conditions, BuildSettings
        Cell temperature; pack.

    Returns
    -------
    ndarray, shape (n,)
        Heat, at mid-range open-circuit voltage. [J]
    """
    pack = build.pack
    open_circuit_v = nominal_open_circuit_voltage_v(build)
    resistance_ohm = float(
        resistance_at_ohm(
            pack.resistance_ohm.value, conditions.cell_temperature_degc, pack.resistance_activation_j_per_mol
        )
    )
    # A demand beyond what the pack can deliver is held at its greatest power.
    ceiling_w = open_circuit_v**2 / (4.0 * resistance_ohm) if resistance_ohm > 0 else np.inf
    power_w = np.minimum(terminal_j / steps.step_s + auxiliary_w[:, np.newaxis], ceiling_w)
    current_a = pack_current_a(power_w, open_circuit_v, resistance_ohm)
    standing_a = pack_current_a(auxiliary_w, open_circuit_v, resistance_ohm)
    standing_s = steps.duration_s - float(steps.step_s.sum())
    return np.asarray(resistance_ohm * (current_a**2 @ steps.step_s + standing_a**2 * standing_s))


def nominal_open_circuit_voltage_v(build: BuildSettings) -> float:
    """Open-circuit voltage of the pack in the middle of its usable window. [V]"""
    pack = build.pack
    if not pack.state_of_charge_points:
        return pack.cells_in_series * pack.cell_nominal_voltage_v
    middle = np.array([0.5 * (pack.usable_low_ratio + pack.usable_high_ratio)])
    cell_v = open_circuit_voltage_v(middle, pack.state_of_charge_points, pack.open_circuit_voltage_points_v)
    return pack.cells_in_series * float(cell_v[0])
