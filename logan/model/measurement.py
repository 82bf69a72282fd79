"""Things measured outside the drives: a weighbridge, coastdowns, steady pairs, standstill power."""

from enum import StrEnum

import numpy as np

from logan.model.newton import Quadratic
from logan.model.unknowns import SHARED_COUNT, At, physical
from logan.physics.tyre import REFERENCE_TEMPERATURE_DEGC, TEMPERATURE_HIGH_DEGC, TEMPERATURE_LOW_DEGC, speed_rise_share
from logan.results import result
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray


class MeasurementKind(StrEnum):
    """Which function of the parameters a measurement is."""

    MASS = "mass"
    """Mass with driver. [kg]"""
    DRAG_AREA = "drag_area"
    """Drag area. [m2]"""
    ROLLING_COEFFICIENT = "rolling_coefficient"
    """Rolling coefficient at 25 °C. [ratio]"""
    AUXILIARY_POWER = "auxiliary_power"
    """Pack power at standstill, cabin off. [W]"""
    ROAD_LOAD = "road_load"
    """Force on a level road without wind at ``speed_m_per_s``. [N]"""
    ROAD_LOAD_PER_MASS = "road_load_per_mass"
    """That force divided by the mass, as a coastdown gives it when nobody weighed. [N/kg]"""
    STEADY_POWER = "steady_power"
    """Pack power at ``speed_m_per_s`` on a level road, mean of both directions. [W]"""


@result("measurement/1")
class Measurement:
    """One measured function of the parameters, with its uncertainty.

    Parameters
    ----------
    kind : MeasurementKind
        What was measured.
    value, sigma : float
        Result and one standard uncertainty, in the unit of the kind.
    source : str
        Where it comes from, as it will be shown.
    speed_m_per_s : float
        For road load and steady power.
    air_density_kg_per_m3, temperature_degc : float
        Air that it was measured in.
    linear_n_s_per_m : float
        Certified coefficient B of the build's road load, which no unknown stands for.
    """

    kind: MeasurementKind
    value: float
    sigma: float
    source: str
    speed_m_per_s: float = 0.0
    air_density_kg_per_m3: float = 1.2
    temperature_degc: float = 20.0
    linear_n_s_per_m: float = 0.0


_PLAIN_KINDS = {
    MeasurementKind.MASS: At.MASS,
    MeasurementKind.DRAG_AREA: At.DRAG,
    MeasurementKind.ROLLING_COEFFICIENT: At.ROLLING,
    MeasurementKind.AUXILIARY_POWER: At.AUXILIARY,
}


def expected_measurement(
    measurement: Measurement, shared: FloatArray, rotating_mass_kg: float
) -> tuple[float, FloatArray]:
    """What a measurement should have shown, and its derivatives by the shared vector.

    Parameters
    ----------
    measurement : Measurement
        What was measured.
    shared : ndarray, shape (p,)
        In the order of ``SHARED_NAMES``. [ratio]
    rotating_mass_kg : float
        Mass that rotating parts seem to add. [kg]

    Returns
    -------
    value : float
        In the measurement's unit.
    gradient : ndarray, shape (p,)
        Derivatives. [any]
    """
    values, gradient = physical(shared), np.zeros(SHARED_COUNT)
    index = _PLAIN_KINDS.get(measurement.kind)
    if index is not None:
        gradient[index] = values[index]
        return float(values[index]), gradient
    force_n, gradient = _road_load(measurement, values)
    if measurement.kind is MeasurementKind.ROAD_LOAD:
        return force_n, gradient
    if measurement.kind is MeasurementKind.ROAD_LOAD_PER_MASS:
        inertia_kg = values[At.MASS] + rotating_mass_kg
        gradient[At.MASS] -= force_n * values[At.MASS] / inertia_kg
        return force_n / inertia_kg, gradient / inertia_kg
    return _steady_power(measurement, values, force_n, gradient)


def _road_load(measurement: Measurement, values: FloatArray) -> tuple[float, FloatArray]:
    held = float(np.clip(measurement.temperature_degc, TEMPERATURE_LOW_DEGC, TEMPERATURE_HIGH_DEGC))
    beyond_k = held - REFERENCE_TEMPERATURE_DEGC
    level_n = values[At.MASS] * STANDARD_GRAVITY_M_PER_S2 * values[At.ROLLING]
    faster = float(speed_rise_share(np.array([measurement.speed_m_per_s]))[0])
    rolling_n = level_n * (1.0 - values[At.TEMPERATURE] * beyond_k + values[At.TIRE_RISE] * faster)
    by_speed = values[At.DRIVELINE_RISE] + measurement.linear_n_s_per_m
    driveline_n = values[At.DRIVELINE_DRAG] + by_speed * measurement.speed_m_per_s
    air_n = 0.5 * measurement.air_density_kg_per_m3 * values[At.DRAG] * measurement.speed_m_per_s**2
    gradient = np.zeros(SHARED_COUNT)
    gradient[[At.MASS, At.ROLLING]] = rolling_n
    gradient[At.DRAG] = air_n
    gradient[At.TEMPERATURE] = -level_n * values[At.TEMPERATURE] * beyond_k
    gradient[[At.TIRE_RISE, At.DRIVELINE_DRAG, At.DRIVELINE_RISE]] = level_n * faster, 1.0, measurement.speed_m_per_s
    return float(rolling_n + air_n + driveline_n), gradient


def _steady_power(
    measurement: Measurement, values: FloatArray, force_n: float, gradient: FloatArray
) -> tuple[float, FloatArray]:
    speed, efficiency = measurement.speed_m_per_s, values[At.DRIVE]
    wheel_w = force_n * speed / efficiency
    by_force = speed / efficiency + 2.0 * values[At.COPPER_LOSS] * force_n
    gradient = gradient * by_force
    gradient[At.DRIVE] = -wheel_w
    gradient[At.AUXILIARY] = values[At.AUXILIARY]
    gradient[At.CONSTANT_LOSS] = 1.0
    gradient[At.COPPER_LOSS] = force_n**2
    power_w = wheel_w + values[At.AUXILIARY] + values[At.CONSTANT_LOSS] + values[At.COPPER_LOSS] * force_n**2
    return float(power_w), gradient


def measurement_quadratic(measurement: Measurement, shared: FloatArray, rotating_mass_kg: float) -> Quadratic:
    """Half the squared standardised deviation of a measurement, with gradient and curvature."""
    expected, by_shared = expected_measurement(measurement, shared, rotating_mass_kg)
    residual, by_shared = (expected - measurement.value) / measurement.sigma, by_shared / measurement.sigma
    return Quadratic(value=0.5 * residual**2, gradient=by_shared * residual, information=np.outer(by_shared, by_shared))
