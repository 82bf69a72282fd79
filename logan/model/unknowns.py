"""The vector that the fit solves for: the plan's six parameters and four that only bend the balance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.physics.tyre import WARM_UP_RISE_RATIO
from logan.results import read_only
from logan.settings import BuildSettings
from logan.units import BoolArray, FloatArray

SHARED_NAMES: Final = (
    *PARAMETER_NAMES,
    "rolling_temperature_coefficient_per_k",
    "warm_up_rise_ratio",
    "constant_loss_w",
    "copper_loss_w_per_n2",
)
"""Order of the shared vector. The first seven are held as logarithms, the last three as they are."""

LOG_COUNT: Final = 7
SHARED_COUNT: Final = len(SHARED_NAMES)
MASS, DRAG, ROLLING, DRIVE, REGEN, AUXILIARY, TEMPERATURE, WARM_UP, CONSTANT_LOSS, COPPER_LOSS = range(SHARED_COUNT)

COLD_LOG_SIGMA: Final = 0.5
"""Spread of the fall per kelvin: it stands for gear oil and bearings too, to three times the tyres' own (common
practice)."""

WARM_UP_SIGMA_RATIO: Final = 0.25
CONSTANT_LOSS_W: Final = (100.0, 100.0)
COPPER_LOSS_W_PER_N2: Final = (3.0e-4, 3.0e-4)
"""Mean and standard deviation of the loss terms, where they are used (common practice)."""

LOSS_TERM_EFFICIENCY_SHIFT: Final = 0.03
"""How much of the plan's loss the loss terms take over from the efficiencies, in logarithms (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharedPrior:
    """Normal prior of the shared vector.

    Parameters
    ----------
    mean : ndarray, shape (10,)
        In the order of ``SHARED_NAMES``.
    precision : ndarray, shape (10, 10)
        Inverse covariance; rows of fixed unknowns are zero.
    is_free : ndarray of bool, shape (10,)
        False for an unknown that is held at its mean.
    """

    mean: FloatArray
    precision: FloatArray
    is_free: BoolArray

    def __post_init__(self) -> None:
        for name in ("mean", "precision", "is_free"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def shared_prior(prior: ParameterDistribution, build: BuildSettings, *, with_loss_terms: bool = False) -> SharedPrior:
    """Widen the plan's distribution by what only the fit needs.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan's six parameters.
    build : BuildSettings
        For the fall of rolling resistance per kelvin.
    with_loss_terms : bool
        True lets drivetrain losses grow with time and with force squared besides the efficiencies.
    """
    mean, sigma = np.zeros(SHARED_COUNT), np.zeros(SHARED_COUNT)
    mean[:LOG_COUNT] = [*prior.log_mean, np.log(build.vehicle.rolling_temperature_coefficient_per_k.value)]
    relative = build.vehicle.rolling_temperature_coefficient_per_k
    sigma[TEMPERATURE] = max(COLD_LOG_SIGMA, relative.sigma / relative.value) if relative.sigma > 0 else 0.0
    mean[WARM_UP], sigma[WARM_UP] = WARM_UP_RISE_RATIO, WARM_UP_SIGMA_RATIO
    if with_loss_terms:
        mean[[DRIVE, REGEN]] += LOSS_TERM_EFFICIENCY_SHIFT
        mean[CONSTANT_LOSS], sigma[CONSTANT_LOSS] = CONSTANT_LOSS_W
        mean[COPPER_LOSS], sigma[COPPER_LOSS] = COPPER_LOSS_W_PER_N2
    covariance = np.diag(sigma**2)
    size = len(PARAMETER_NAMES)
    covariance[:size, :size] = prior.log_covariance
    is_free = np.diag(covariance) > 0.0
    precision = np.zeros((SHARED_COUNT, SHARED_COUNT))
    precision[np.ix_(is_free, is_free)] = np.linalg.inv(covariance[np.ix_(is_free, is_free)])
    return SharedPrior(mean=mean, precision=precision, is_free=is_free)


def physical(shared: FloatArray) -> FloatArray:
    """The shared vector in its units, shape (10,)."""
    values = np.array(shared, dtype=np.float64)
    values[:LOG_COUNT] = np.exp(values[:LOG_COUNT])
    return values
