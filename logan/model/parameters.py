"""The parameters that the plan assumes and the fit refines, as one joint distribution.

Everything is positive, so everything is held as a logarithm: the plan's independent
uncertainties become a diagonal covariance, the fit's posterior a full one, and a range
prediction does not care which of the two it is given.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from logan.results import Estimate, read_only, result
from logan.units import FloatArray

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
    degrees_of_freedom : float
        Of the Student-t that the covariance scales; infinity for a normal.
    """

    names: ClassVar[tuple[str, ...]] = PARAMETER_NAMES

    log_mean: FloatArray
    log_covariance: FloatArray
    sources: tuple[str, ...]
    degrees_of_freedom: float = float("inf")

    def __post_init__(self) -> None:
        size = len(PARAMETER_NAMES)
        if self.log_mean.shape != (size,) or self.log_covariance.shape != (size, size):
            raise ValueError(f"log_mean must have shape ({size},) and log_covariance ({size}, {size})")
        object.__setattr__(self, "log_mean", read_only(self.log_mean))
        object.__setattr__(self, "log_covariance", read_only(self.log_covariance))

    @property
    def median(self) -> FloatArray:
        """Medians, shape (6,), in the units of ``PARAMETER_UNITS``."""
        return np.exp(self.log_mean)

    @property
    def log_sigma(self) -> FloatArray:
        """Relative standard uncertainties, shape (6,)."""
        return np.sqrt(np.diag(self.log_covariance))

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
        deviation = rng.standard_normal((count, len(PARAMETER_NAMES))) @ root.T
        if np.isfinite(self.degrees_of_freedom):
            scale = rng.chisquare(self.degrees_of_freedom, size=(count, 1)) / self.degrees_of_freedom
            deviation = deviation / np.sqrt(scale)
        return np.asarray(np.exp(self.log_mean + deviation))
