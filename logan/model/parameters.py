"""What the plan assumes and the fit refines, as one joint distribution; and answers to temperature.

Everything is positive, so everything is held as a logarithm: the plan's independent
uncertainties become a diagonal covariance, the fit's posterior a full one, and a range
prediction does not care which of the two it is given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import ClassVar, Final

import numpy as np

from logan.physics.powertrain import FULL_REGEN_TAPER_RATIO
from logan.physics.tyre import WARM_UP_RISE_RATIO, WARM_UP_TIME_S
from logan.results import Estimate, result
from logan.settings import BuildSettings, Scenario
from logan.units import STANDARD_PRESSURE_PA, FloatArray

PARAMETER_NAMES: Final = (
    "mass_kg",
    "drag_area_m2",
    "rolling_coefficient",
    "drive_efficiency_ratio",
    "regen_efficiency_ratio",
    "auxiliary_power_w",
)
"""Order of every parameter vector: mass with driver, drag area, rolling coefficient at 25 °C,
pack-to-wheel efficiency, wheel-to-pack efficiency, auxiliary power without heating or cooling."""

EFFICIENCIES: Final = ("drive_efficiency_ratio", "regen_efficiency_ratio")
PARAMETER_UNITS: Final = ("kg", "m2", "ratio", "ratio", "ratio", "W")


@result("parameter-distribution/1")
class ParameterDistribution:
    """Joint lognormal distribution of the model's parameters.

    Parameters
    ----------
    log_mean : ndarray, shape (6,)
        Mean of the natural logarithms, in ``PARAMETER_NAMES`` order (the medians' logarithms).
    log_covariance : ndarray, shape (6, 6)
        Covariance of the natural logarithms.
    sources : tuple of str
        Where each one comes from, in the same order.
    """

    names: ClassVar[tuple[str, ...]] = PARAMETER_NAMES

    log_mean: FloatArray
    log_covariance: FloatArray
    sources: tuple[str, ...]

    def __post_init__(self) -> None:
        size = len(PARAMETER_NAMES)
        if self.log_mean.shape != (size,) or self.log_covariance.shape != (size, size):
            raise ValueError(f"log_mean must have shape ({size},) and log_covariance ({size}, {size})")

    @property
    def median(self) -> FloatArray:
        """Medians, shape (6,), in the units of ``PARAMETER_UNITS``."""
        return np.exp(self.log_mean)

    @property
    def log_sigma(self) -> FloatArray:
        """Relative standard uncertainties, shape (6,)."""
        return np.sqrt(np.diag(self.log_covariance))

    def width_over(self, other: ParameterDistribution) -> FloatArray:
        """Width of each parameter over another's, shape (6,): 1 where that is exact. [ratio]"""
        return np.divide(self.log_sigma, other.log_sigma, out=np.ones(self.log_mean.size), where=other.log_sigma > 0)

    def estimate(self, name: str) -> Estimate:
        """One parameter with its standard uncertainty."""
        index = PARAMETER_NAMES.index(name)
        value = float(self.median[index])
        return Estimate(value, PARAMETER_UNITS[index], value * float(self.log_sigma[index]), self.sources[index])

    def sample(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Random parameter vectors, shape (count, 6), in the units of ``PARAMETER_UNITS``."""
        # eigh rather than Cholesky: a parameter taken as exact makes the covariance singular.
        eigenvalues, eigenvectors = np.linalg.eigh(self.log_covariance)
        root = eigenvectors * np.sqrt(np.clip(eigenvalues, 0.0, None))
        return np.asarray(np.exp(self.log_mean + rng.standard_normal((count, len(PARAMETER_NAMES))) @ root.T))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Environment:
    """How the vehicle answers to temperature, and its losses by name; one number, or one per parameter sample.

    The one place that names these values: the plan's, the fit's and the samples' are kept by the names of its fields.

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
    full_regen_ratio : float or ndarray, shape (n,)
        Share of regen that a full pack takes away. [ratio]
    constant_loss_w, copper_loss_w_per_n2 : float or ndarray, shape (n,)
        Drivetrain loss while moving on top of the efficiencies: constant, and by the square of wheel force.
        [W, W/N2]
    """

    rolling_temperature_coefficient_per_k: float | FloatArray = field(metadata={"unit": "1/K"})
    warm_up_rise_ratio: float | FloatArray = field(default=WARM_UP_RISE_RATIO, metadata={"unit": "ratio"})
    heating_w_per_k: float | FloatArray = field(metadata={"unit": "W/K"})
    cooling_w_per_k: float | FloatArray = field(metadata={"unit": "W/K"})
    constant_loss_w: float | FloatArray = field(default=0.0, metadata={"unit": "W"})
    copper_loss_w_per_n2: float | FloatArray = field(default=0.0, metadata={"unit": "W/N2"})
    cold_regen_per_k: float | FloatArray = field(default=0.0, metadata={"unit": "1/K"})
    driveline_drag_n: float | FloatArray = field(default=0.0, metadata={"unit": "N"})
    driveline_n_s_per_m: float | FloatArray = field(default=0.0, metadata={"unit": "N s/m"})
    tire_rise_ratio: float | FloatArray = field(default=0.0, metadata={"unit": "ratio"})
    full_regen_ratio: float | FloatArray = field(default=0.0, metadata={"unit": "ratio"})


ENVIRONMENT_UNITS: Final[Mapping[str, str]] = {one.name: one.metadata["unit"] for one in fields(Environment)}
"""Unit of each value; their order is that of samples, and of the shared vector of the fit but for the cabin's."""


COLD_REGEN_DEGC: Final = 8.0
COLD_BEND_K: Final = 2.0
"""Below this a pack takes less and less regen (common practice; what real winter drives show)."""


def cold_k(pack_temperature_degc: FloatArray) -> FloatArray:
    """How far a pack is below the temperature at which it takes regen readily, rounded off at the bend. [K]

    Method: fit (3).
    """
    below = (COLD_REGEN_DEGC - pack_temperature_degc) / COLD_BEND_K
    return np.asarray(COLD_BEND_K * np.logaddexp(0.0, below))


MOST_REGEN_LOST_RATIO: Final = 0.95


def full_ratio(charge_ratio: FloatArray) -> FloatArray:
    """How far a pack is above the state of charge from which regen tapers, over what is left to full. [ratio]"""
    return np.clip((charge_ratio - FULL_REGEN_TAPER_RATIO) / (1.0 - FULL_REGEN_TAPER_RATIO), 0.0, 1.0)


def regen_left_ratio(
    cold_per_k: float | FloatArray, full_regen_ratio: float | FloatArray, cold: FloatArray, full: FloatArray
) -> FloatArray:
    """What a pack so cold and so full leaves of the regen efficiency. Method: fit (3). [ratio]"""
    lost = np.clip(full_regen_ratio, 0.0, MOST_REGEN_LOST_RATIO) * full
    return np.asarray(np.exp(-np.maximum(cold_per_k, 0.0) * cold) * (1.0 - lost))


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


@result("conditions/1")
class Conditions:
    """What a drive meets besides the road.

    Parameters
    ----------
    ambient_temperature_degc, pressure_pa, relative_humidity_ratio : float
        Outside air.
    payload_kg : float
        Load beyond the weighed mass.
    headwind_m_per_s : float
        Against the direction of travel, whatever the course.
    crosswind_m_per_s : float
        Across the direction of travel.
    wind_m_per_s, wind_from_deg : float
        Wind as a vector, and where it blows from; used where the schedule has a heading.
    drag_area_factor, rolling_factor : float
        Roof rack, trailer, worn road.
    cabin_climate : bool
        Heater or air conditioning runs as the ambient asks.
    warm_start : bool
        Tyres and cabin warm from the start.
    pack_temperature_degc : float or None
        Of the cells; None takes the ambient.
    state_of_charge_ratio : float or None
        Mean over the drive; None is mid-range, where a full pack does not limit regen.
    auxiliary_power_w : float or None
        Total auxiliary power where it was measured; None takes the model's.
    """

    ambient_temperature_degc: float = 20.0
    pressure_pa: float = STANDARD_PRESSURE_PA
    relative_humidity_ratio: float = 0.5
    payload_kg: float = 0.0
    headwind_m_per_s: float = 0.0
    crosswind_m_per_s: float = 0.0
    wind_m_per_s: float = 0.0
    wind_from_deg: float = 0.0
    drag_area_factor: float = 1.0
    rolling_factor: float = 1.0
    cabin_climate: bool = True
    warm_start: bool = True
    pack_temperature_degc: float | None = None
    state_of_charge_ratio: float | None = None
    auxiliary_power_w: float | None = None

    @property
    def cell_temperature_degc(self) -> float:
        """Temperature of the cells, the ambient where not given. [degC]"""
        return self.ambient_temperature_degc if self.pack_temperature_degc is None else self.pack_temperature_degc


def conditions_of_scenario(scenario: Scenario) -> Conditions:
    """Return the conditions that a scenario asks for."""
    return Conditions(
        ambient_temperature_degc=scenario.ambient_temperature_degc,
        pressure_pa=scenario.pressure_pa,
        relative_humidity_ratio=scenario.relative_humidity_ratio,
        payload_kg=scenario.payload_kg,
        headwind_m_per_s=scenario.headwind_m_per_s,
        drag_area_factor=scenario.drag_area_factor,
        rolling_factor=scenario.rolling_factor,
        cabin_climate=scenario.cabin_climate,
        warm_start=scenario.warm_start,
        pack_temperature_degc=scenario.cell_temperature_degc,
    )
