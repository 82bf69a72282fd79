"""The forward model: what a schedule under its conditions takes from the pack, by cause.

Vectorised over parameter samples. Energy is at the pack terminals; what the pack's own
resistance turns to heat is shown beside it and belongs to the usable energy.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.model.breakdown import ConsumptionBreakdown
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.parameters import (
    PARAMETER_NAMES,
    Conditions,
    Environment,
    auxiliary_power_w,
    cold_k,
    environment_of,
    full_ratio,
    regen_left_ratio,
)
from logan.model.schedule import Schedule
from logan.model.steps import WheelSteps, wheel_steps
from logan.physics.battery import pack_current_a, resistance_at_ohm
from logan.physics.powertrain import force_loss_w
from logan.physics.tyre import temperature_factor
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, FloatArray

_CHUNK_ELEMENTS: Final = 100_000
"""Samples times steps worked on at once: small enough for the processor's cache."""


def consumption(
    schedule: Schedule,
    conditions: Conditions,
    parameters: FloatArray,
    build: BuildSettings,
    *,
    environment: Environment | None = None,
) -> ConsumptionBreakdown:
    """Consumption of a schedule under its conditions, by cause, for each parameter sample.

    Parameters
    ----------
    schedule : Schedule
        Speeds and heights.
    conditions : Conditions
        Weather, load and state of the pack.
    parameters : ndarray, shape (n, 6)
        In ``PARAMETER_NAMES`` order; mass is that on the scales, without payload.
    build : BuildSettings
        What the parameters do not say: gearing, inertia, regen limits, pack, cabin climate.
    environment : Environment, optional
        Answers to temperature, and losses besides the efficiencies; the build's own where left out.

    Returns
    -------
    ConsumptionBreakdown
        One value per sample and cause. [Wh/km]

    Raises
    ------
    ValueError
        If the schedule covers no distance or ``parameters`` has the wrong shape.
    """
    environment = environment or environment_of(build)
    parameters = _checked(parameters, conditions, environment)
    steps = wheel_steps(schedule, conditions, build)
    if steps.total_distance_m <= 0:
        raise ValueError("the schedule covers no distance")
    weights = _weights(parameters, conditions, environment)
    basis_j = steps.basis_j
    base_w, climate_w = auxiliary_power_w(parameters, conditions, build, environment, steps.duration_s)
    count = parameters.shape[0]
    losses = _losses(environment, count)
    totals = np.empty((7, count))
    for start in range(0, count, chunk := max(1, _CHUNK_ELEMENTS // steps.step_s.size)):
        rows = slice(start, start + chunk)
        wheel_j = weights[rows] @ basis_j
        flow = _terminal_flow(wheel_j, parameters[rows], steps, losses[:, rows])
        auxiliary_w = (base_w + climate_w)[rows]
        totals[:, rows] = (*flow.sums(), _pack_heat_j(flow.terminal_j, auxiliary_w, steps, conditions, build))
    return _breakdown(totals, weights, steps, base_w, climate_w)


def consumption_wh_per_km(
    schedule: Schedule,
    conditions: Conditions,
    parameters: FloatArray,
    build: BuildSettings,
    *,
    environment: Environment | None = None,
) -> FloatArray:
    """Net consumption at the pack terminals only; the fast way for thousands of samples.

    Parameters
    ----------
    schedule, conditions, parameters, build, environment
        As in ``consumption``.

    Returns
    -------
    ndarray, shape (n,)
        Equal to ``consumption(...).total_wh_per_km``. [Wh/km]
    """
    environment = environment or environment_of(build)
    parameters = _checked(parameters, conditions, environment)
    steps = wheel_steps(schedule, conditions, build)
    weights = _weights(parameters, conditions, environment)
    basis_j = steps.basis_j
    net_j = weights @ basis_j.sum(axis=1)
    count = parameters.shape[0]
    brake_j, regen_j = np.empty(count), np.empty(count)
    drive_efficiency, regen_efficiency = parameters[:, 3], parameters[:, 4]
    limit_j = steps.regen_limit_w * steps.step_s
    # The loss by force goes with the square of what is linear in the weights, so its sum is a quadratic of them.
    constant_w, copper_w_per_n2 = _losses(environment, count)
    per_force = basis_j * np.sqrt(steps.step_s) / steps.path_m
    loss_j = constant_w * steps.step_s.sum() + copper_w_per_n2 * ((weights @ (per_force @ per_force.T)) * weights).sum(
        1
    )
    for start in range(0, count, chunk := max(1, _CHUNK_ELEMENTS // steps.step_s.size)):
        rows = slice(start, start + chunk)
        braking_j = weights[rows] @ -basis_j
        np.maximum(braking_j, 0.0, out=braking_j)
        brake_j[rows] = braking_j.sum(axis=1)
        if np.isinf(steps.regen_limit_w):
            regen_j[rows] = regen_efficiency[rows] * (braking_j @ steps.regen_share_ratio)
        else:
            braking_j *= steps.regen_share_ratio
            braking_j *= regen_efficiency[rows, np.newaxis]
            np.minimum(braking_j, limit_j, out=braking_j)
            regen_j[rows] = braking_j.sum(axis=1)
    base_w, climate_w = auxiliary_power_w(parameters, conditions, build, environment, steps.duration_s)
    total_j = (net_j + brake_j) / drive_efficiency + loss_j - regen_j + (base_w + climate_w) * steps.duration_s
    return np.asarray(total_j / JOULES_PER_WATT_HOUR / (steps.total_distance_m / 1000.0))


@dataclass(frozen=True, slots=True, eq=False)
class _TerminalFlow:
    """Energy of each moving step, shape (n, k), between wheels and terminals. [J]"""

    drive_j: FloatArray
    brake_j: FloatArray
    taken_j: FloatArray
    terminal_j: FloatArray
    drive_loss_j: FloatArray
    regen_loss_j: FloatArray

    def sums(self) -> tuple[FloatArray, ...]:
        """Totals over the steps: drive, brake, taken by regen, recovered, drive loss, regen loss."""
        recovered_j = np.maximum(-self.terminal_j, 0.0).sum(axis=1)
        parts = (self.drive_j, self.brake_j, self.taken_j)
        losses = (self.drive_loss_j, self.regen_loss_j)
        return (*(part.sum(axis=1) for part in parts), recovered_j, *(loss.sum(axis=1) for loss in losses))


def _terminal_flow(wheel_j: FloatArray, parameters: FloatArray, steps: WheelSteps, losses: FloatArray) -> _TerminalFlow:
    """Carry the work of each step from the wheels to the pack terminals. Method: plan (2)."""
    drive_j, brake_j = np.maximum(wheel_j, 0.0), np.maximum(-wheel_j, 0.0)
    drive_efficiency, regen_efficiency = parameters[:, 3:4], parameters[:, 4:5]
    stored_j = np.minimum(brake_j * steps.regen_share_ratio * regen_efficiency, steps.regen_limit_w * steps.step_s)
    taken_j = stored_j / regen_efficiency
    drive_loss_j = drive_j * (1.0 / drive_efficiency - 1.0)
    if losses.any():
        drive_loss_j = drive_loss_j + _loss_j(wheel_j, steps, losses)
    terminal_j = drive_j + drive_loss_j - stored_j
    return _TerminalFlow(drive_j, brake_j, taken_j, terminal_j, drive_loss_j, taken_j - stored_j)


def _losses(environment: Environment, count: int) -> FloatArray:
    """Constant and copper loss of each sample, shape (2, n). [W, W/N2]"""
    losses = (environment.constant_loss_w, environment.copper_loss_w_per_n2)
    return np.array([np.broadcast_to(np.asarray(loss, dtype=np.float64), count) for loss in losses])


def _loss_j(work_j: FloatArray, steps: WheelSteps, losses: FloatArray) -> FloatArray:
    """Drivetrain loss of each step besides the efficiencies, shape (n, k). [J]"""
    return np.asarray(force_loss_w(work_j / steps.path_m, losses[0][:, None], losses[1][:, None]) * steps.step_s)


def _checked(parameters: FloatArray, conditions: Conditions, environment: Environment) -> FloatArray:
    """Parameters of each sample, the regen efficiency that of a pack as cold and as full as it is."""
    parameters = np.atleast_2d(np.array(parameters, dtype=np.float64))
    if parameters.ndim != 2 or parameters.shape[1] != len(PARAMETER_NAMES):
        raise ValueError(f"parameters must have shape (n, {len(PARAMETER_NAMES)})")
    cold = cold_k(np.array(conditions.cell_temperature_degc))
    full = full_ratio(np.array(conditions.state_of_charge_ratio or 0.0))
    parameters[:, 4] *= regen_left_ratio(environment.cold_regen_per_k, environment.full_regen_ratio, cold, full)
    return parameters


def _weights(parameters: FloatArray, conditions: Conditions, environment: Environment) -> FloatArray:
    """Factors of ``WheelSteps.basis_j``, shape (n, 8), in its order."""
    mass_kg = parameters[:, 0] + conditions.payload_kg
    coefficient: FloatArray = np.asarray(environment.rolling_temperature_coefficient_per_k, dtype=np.float64)
    ambient_degc: FloatArray = np.asarray(conditions.ambient_temperature_degc)
    rolling_kg = mass_kg * parameters[:, 2]
    warm_kg = rolling_kg * temperature_factor(ambient_degc, coefficient)
    cold_kg = rolling_kg * np.asarray(environment.warm_up_rise_ratio)
    rising_kg = rolling_kg * np.asarray(environment.tire_rise_ratio)
    driveline = [
        np.broadcast_to(np.asarray(drag), mass_kg.shape)
        for drag in (environment.driveline_drag_n, environment.driveline_n_s_per_m)
    ]
    ones = np.ones(mass_kg.shape)
    return np.stack([warm_kg, cold_kg, parameters[:, 1], mass_kg, ones, rising_kg, *driveline], axis=1)


def _breakdown(
    totals: FloatArray,
    weights: FloatArray,
    steps: WheelSteps,
    base_w: FloatArray,
    climate_w: FloatArray,
) -> ConsumptionBreakdown:
    """Turn joules by cause into Wh/km."""
    per_km = 1.0 / JOULES_PER_WATT_HOUR / (steps.total_distance_m / 1000.0)
    drive_j, brake_j, taken_j, recovered_j, drive_loss_j, regen_loss_j, heat_j = totals
    drag_m2, mass_kg = weights[:, 2], weights[:, 3]
    by_weight_j = weights * steps.basis_j.sum(axis=1)
    rolling_j = by_weight_j[:, [0, 1, 5]].sum(axis=1) + steps.linear_j.sum()
    driveline_j = by_weight_j[:, [6, 7]].sum(axis=1)
    kinetic_j = (mass_kg + steps.rotating_mass_kg) * steps.kinetic_j_per_kg.sum()
    return ConsumptionBreakdown(
        rolling_wh_per_km=rolling_j * per_km,
        air_wh_per_km=drag_m2 * steps.air_j_per_m2.sum() * per_km,
        hills_wh_per_km=mass_kg * steps.climb_j_per_kg.sum() * per_km,
        speed_change_wh_per_km=kinetic_j * per_km,
        friction_brakes_wh_per_km=(brake_j - taken_j) * per_km,
        drivetrain_loss_wh_per_km=(drive_loss_j + driveline_j) * per_km,
        regen_loss_wh_per_km=regen_loss_j * per_km,
        auxiliary_wh_per_km=base_w * steps.duration_s * per_km,
        cabin_climate_wh_per_km=climate_w * steps.duration_s * per_km,
        pack_resistance_wh_per_km=heat_j * per_km,
        recovered_wh_per_km=recovered_j * per_km,
        wheel_drive_wh_per_km=drive_j * per_km,
        wheel_brake_wh_per_km=brake_j * per_km,
        distance_m=steps.total_distance_m,
        duration_s=steps.duration_s,
    )


def _pack_heat_j(
    terminal_j: FloatArray,
    auxiliary_w: FloatArray,
    steps: WheelSteps,
    conditions: Conditions,
    build: BuildSettings,
) -> FloatArray:
    """Energy that the pack's resistance turns to heat at mid-range open-circuit voltage, shape (n,). [J]"""
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
