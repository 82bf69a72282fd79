"""The vector that the fit solves for: the plan's six parameters, and what else bends a drive's energy."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.physics.tyre import WARM_UP_RISE_RATIO
from logan.results import result
from logan.settings import BuildSettings
from logan.units import BoolArray, FloatArray

SHARED_NAMES: Final = (
    *PARAMETER_NAMES,
    "rolling_temperature_coefficient_per_k",
    "warm_up_rise_ratio",
    "constant_loss_w",
    "copper_loss_w_per_n2",
    "cold_regen_per_k",
    "driveline_drag_n",
    "driveline_n_s_per_m",
    "tire_rise_ratio",
)
"""Order of the shared vector. The first seven are held as logarithms, the others as they are."""

SHARED_UNITS: Final = (
    "kg", "m2", "ratio", "ratio", "ratio", "W", "1/K", "ratio", "W", "W/N2", "1/K", "N", "N s/m", "ratio",
)  # fmt: skip
LOG_COUNT: Final = 7
SHARED_COUNT: Final = len(SHARED_NAMES)
(
    MASS, DRAG, ROLLING, DRIVE, REGEN, AUXILIARY, TEMPERATURE, WARM_UP, CONSTANT_LOSS, COPPER_LOSS, COLD_REGEN,
    DRIVELINE_DRAG, DRIVELINE_RISE, TIRE_RISE,
) = range(SHARED_COUNT)  # fmt: skip

OWN_NAMES: Final = ("level", "wind_first_m_per_s", "wind_second_m_per_s", "auxiliary")
"""A drive's own unknowns: log factor on road load, wind (from north and east, or along the road and none), log factor
on auxiliary power."""

OWN_COUNT: Final = len(OWN_NAMES)
LEVEL, WIND_FIRST, WIND_SECOND, OWN_AUXILIARY = range(OWN_COUNT)

COLD_LOG_SIGMA: Final = 0.5
"""Spread of the fall per kelvin: it stands for gear oil and bearings too (common practice)."""

COLD_PER_K: Final = 0.012
"""Fall of road drag per kelvin that the fit starts from where the build names none of its own: what real drives of
summer and winter show, tires, oil and bearings together (common practice)."""

WARM_UP_SIGMA_RATIO: Final = 0.25
CONSTANT_LOSS_W: Final = (100.0, 100.0)
COPPER_LOSS_W_PER_N2: Final = (3.0e-4, 3.0e-4)
COLD_REGEN_PER_K: Final = (0.03, 0.03)
"""Mean and standard deviation of the loss terms, and of the share of regen that each kelvin of a cold pack takes away
(common practice)."""

DRIVELINE_DRAG_N: Final = (30.0, 15.0)
DRIVELINE_N_S_PER_M: Final = (0.60, 0.35)
"""Mean and standard deviation of the drag of gears, bearings and seals at the wheels, two of them driven: constant, and
by speed (from memory). A day's tires and wind do not scale it."""

TIRE_RISE_RATIO: Final = (0.10, 0.06)
"""Mean and standard deviation of how far rolling resistance rises between 80 km/h, at which drums state it (ISO 28580),
and what (v2 - v80 2) / v65 2 makes of it, v65 being 65 mph (from memory)."""

LOSS_TERM_EFFICIENCY_SHIFT: Final = 0.03
"""How much of the plan's loss the loss terms take over from the efficiencies, in logarithms (common practice)."""


@result()
class SharedPrior:
    """Normal prior of the shared vector.

    Parameters
    ----------
    mean : ndarray, shape (p,)
        In the order of ``SHARED_NAMES``.
    precision : ndarray, shape (p, p)
        Inverse covariance; rows of fixed unknowns are zero.
    is_free : ndarray of bool, shape (p,)
        False for an unknown that is held at its mean.
    """

    mean: FloatArray
    precision: FloatArray
    is_free: BoolArray

    @property
    def covariance(self) -> FloatArray:
        """Covariance, shape (p, p); zero for what is fixed."""
        return inverse_of_free(self.precision, self.is_free)


def inverse_of_free(information: FloatArray, is_free: BoolArray) -> FloatArray:
    """Inverse over the free unknowns, shape (p, p); zero for the others."""
    covariance = np.zeros(information.shape)
    free = np.ix_(is_free, is_free)
    covariance[free] = np.linalg.inv(information[free])
    return covariance


def shared_prior(prior: ParameterDistribution, build: BuildSettings, *, as_planned: bool = False) -> SharedPrior:
    """Widen the plan's distribution by what only the fit needs.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan's six parameters.
    build : BuildSettings
        For the fall of rolling resistance per kelvin.
    as_planned : bool
        True keeps to what the plan itself predicts with: two efficiencies, and its own fall per kelvin.
    """
    mean, sigma = np.zeros(SHARED_COUNT), np.zeros(SHARED_COUNT)
    fall = build.vehicle.rolling_temperature_coefficient_per_k
    mean[:LOG_COUNT] = [*prior.log_mean, np.log(fall.value)]
    mean[WARM_UP], sigma[WARM_UP] = WARM_UP_RISE_RATIO, WARM_UP_SIGMA_RATIO
    sigma[TEMPERATURE] = max(COLD_LOG_SIGMA, fall.sigma / fall.value) if fall.sigma > 0 else 0.0
    if not as_planned:
        if fall.sigma > 0:
            mean[TEMPERATURE] = max(mean[TEMPERATURE], np.log(COLD_PER_K))
        mean[[DRIVE, REGEN]] += LOSS_TERM_EFFICIENCY_SHIFT
        mean[CONSTANT_LOSS], sigma[CONSTANT_LOSS] = CONSTANT_LOSS_W
        mean[COPPER_LOSS], sigma[COPPER_LOSS] = COPPER_LOSS_W_PER_N2
        mean[COLD_REGEN], sigma[COLD_REGEN] = COLD_REGEN_PER_K
        mean[DRIVELINE_DRAG], sigma[DRIVELINE_DRAG] = DRIVELINE_DRAG_N
        mean[DRIVELINE_RISE], sigma[DRIVELINE_RISE] = DRIVELINE_N_S_PER_M
        if build.vehicle.linear_road_load_n_s_per_m.value > 0.0:
            # A certified road load was coasted down with the driveline in it.
            mean[[DRIVELINE_DRAG, DRIVELINE_RISE]] = 0.0
        mean[TIRE_RISE], sigma[TIRE_RISE] = TIRE_RISE_RATIO
    covariance = np.diag(sigma**2)
    size = len(PARAMETER_NAMES)
    covariance[:size, :size] = prior.log_covariance
    is_free = np.diag(covariance) > 0.0
    return SharedPrior(mean=mean, precision=inverse_of_free(covariance, is_free), is_free=is_free)


def physical(shared: FloatArray) -> FloatArray:
    """The shared vector in its units, shape (p,)."""
    values = np.array(shared, dtype=np.float64)
    values[:LOG_COUNT] = np.exp(values[:LOG_COUNT])
    return values
