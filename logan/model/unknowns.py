"""The vector that the fit solves for: the plan's six parameters, and what else bends a drive's energy."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.physics.tyre import WARM_UP_RISE_RATIO
from logan.results import result
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, BoolArray, FloatArray

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

DRIVELINE_DRAG_N: Final = {False: (30.0, 15.0), True: (55.0, 25.0)}
DRIVELINE_N_S_PER_M: Final = {False: (0.60, 0.35), True: (1.05, 0.60)}
"""Mean and standard deviation of the drag of gears, bearings and seals at the wheels, by whether all are driven:
constant, and by speed (from memory). A day's tires and wind do not scale it."""

TIRE_RISE_RATIO: Final = (0.10, 0.06)
"""Mean and standard deviation of how far rolling resistance rises between 80 km/h, at which drums state it (ISO 28580),
and what (v2 - v80 2) / v65 2 makes of it, v65 being 65 mph (from memory)."""

PLAN_SPEED_M_PER_S: Final = 18.0
PLAN_ACCELERATION_M_PER_S2: Final = 0.15
PLAN_BRAKING_M_PER_S2: Final = 0.5
"""Where a plan's efficiencies hold: this speed, the road load and so much acceleration more, or so much braking (common
practice: the middle of mixed driving)."""

_MOST_NAMED_RATIO: Final = 0.75
_MOST_EFFICIENCY_RATIO: Final = 0.995
_NAMED: Final = (CONSTANT_LOSS, COPPER_LOSS, DRIVELINE_DRAG, DRIVELINE_RISE)
"""Losses with names of their own take at most this share of a plan's loss."""


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
    follows = np.zeros((2, SHARED_COUNT))
    if not as_planned:
        if fall.sigma > 0:
            mean[TEMPERATURE] = max(mean[TEMPERATURE], np.log(COLD_PER_K))
        mean[COLD_REGEN], sigma[COLD_REGEN] = COLD_REGEN_PER_K
        mean[TIRE_RISE], sigma[TIRE_RISE] = TIRE_RISE_RATIO
        drives_all = build.vehicle.driven_wheels in ("four", "all")
        losses = (CONSTANT_LOSS_W, COPPER_LOSS_W_PER_N2, DRIVELINE_DRAG_N[drives_all], DRIVELINE_N_S_PER_M[drives_all])
        named, sigma[list(_NAMED)] = np.array(losses).T
        is_certified = build.vehicle.linear_road_load_n_s_per_m.value > 0.0
        if is_certified:
            named[2:] = 0.0
        mean[list(_NAMED)], mean[[DRIVE, REGEN]], follows[:, _NAMED] = _without_named_losses(prior, named)
        if is_certified:
            # A certified road load was coasted down with the driveline in it, and its efficiencies are without.
            follows[:, [DRIVELINE_DRAG, DRIVELINE_RISE]] = 0.0
    covariance = np.diag(sigma**2)
    size = len(PARAMETER_NAMES)
    covariance[:size, :size] = prior.log_covariance
    joined = np.eye(SHARED_COUNT)
    joined[[DRIVE, REGEN]] += np.where(prior.log_sigma[[DRIVE, REGEN], None] > 0.0, follows, 0.0)
    covariance = joined @ covariance @ joined.T
    is_free = np.diag(covariance) > 0.0
    return SharedPrior(mean=mean, precision=inverse_of_free(covariance, is_free), is_free=is_free)


def _without_named_losses(prior: ParameterDistribution, named: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Split a plan's efficiencies into losses with names and the rest, so that both lose the same. Method: fit (19).

    Parameters
    ----------
    prior : ParameterDistribution
        The plan.
    named : ndarray, shape (4,)
        Constant loss, copper loss, drag of the driveline and its rise. [W, W/N2, N, N s/m]

    Returns
    -------
    named : ndarray, shape (4,)
        Smaller where they would be more than most of what the plan loses.
    efficiency : ndarray, shape (2,)
        Logarithms of drive and regen efficiency without them. [ratio]
    follows : ndarray, shape (2, 4)
        How those go with the losses: what the plan says is the whole. [any]
    """
    mass, drag, rolling, drive, regen, _ = prior.median
    speed = PLAN_SPEED_M_PER_S
    road_n = mass * STANDARD_GRAVITY_M_PER_S2 * rolling + 0.6 * drag * speed**2
    force_n = np.array([road_n + PLAN_ACCELERATION_M_PER_S2 * mass, PLAN_BRAKING_M_PER_S2 * mass])

    def split(losses: FloatArray) -> FloatArray:
        drag_n = losses[2] + losses[3] * speed
        lost_n = losses[0] / speed + losses[1] * (force_n + drag_n * np.array([1.0, -1.0])) ** 2 / speed
        driving = (1.0 + drag_n / force_n[0]) / (1.0 / drive - lost_n[0] / force_n[0])
        return np.log([driving, (regen * force_n[1] + lost_n[1]) / (force_n[1] - drag_n)])

    named_ratio = 1.0 - (np.exp(-split(named)[0]) - 1.0) / (1.0 / drive - 1.0)
    named = named * min(1.0, _MOST_NAMED_RATIO / max(named_ratio, 1e-9))
    efficiency = split(named)
    step = np.array([1.0, 1e-6, 1.0, 1e-2])
    follows = np.stack([(split(named + row) - efficiency) / row.sum() for row in np.diag(step)], axis=1)
    return named, np.minimum(efficiency, np.log(_MOST_EFFICIENCY_RATIO)), follows


def physical(shared: FloatArray) -> FloatArray:
    """The shared vector in its units, shape (p,)."""
    values = np.array(shared, dtype=np.float64)
    values[:LOG_COUNT] = np.exp(values[:LOG_COUNT])
    return values
