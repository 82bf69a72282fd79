"""What the sensors' shared errors do to a fit: exactly, for a linear Gaussian one, without fitting again.

The drives see theta - N x instead of theta, where x are the sensors' errors and N says how each parameter
would be mistaken. With the prior's precision L, the fit's covariance S at x = 0 and J = 1/S - L, what the
drives say alone, everything follows from the joint quadratic

    (theta - mu)' L (theta - mu) + (theta - N x - theta_d)' J (theta - N x - theta_d) + (x - m)' P^-1 (x - m):

    G = S J N                              how the estimate follows the errors                        (1)
    K = N' J N - N' J S J N,  s = N' L (mu - theta_0)    what the drives say of the errors            (2)
    X = (1 + P K)^-1 P,  x_hat = (1 + P K)^-1 (m + P s)                                               (3)
    theta_hat = theta_0 + G x_hat,  cov(theta) = S + G X G',  cov(theta, x) = G X                     (4)

More drives make S smaller and G X G' no smaller: that part of the uncertainty no number of drives takes away.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logan.instruments.evidence import (
    CURRENT_GAIN,
    CURRENT_ZERO,
    SPEED_GAIN,
    TEMPERATURE_OFFSET,
    UNKNOWNS,
    VOLTAGE_GAIN,
)
from logan.instruments.posterior import Instruments
from logan.model.fit_result import FitResult, SensorErrors
from logan.model.pack_heat import nominal_open_circuit_voltage_v
from logan.model.parameters import PARAMETER_NAMES
from logan.settings import BuildSettings
from logan.units import FloatArray

_AIR_KELVIN = 290.0


def mistaken_parameters(build: BuildSettings, median: FloatArray, cold_per_k: float) -> FloatArray:
    """How far the true log parameters lie from those that the drives seem to show, per error of each sensor.

    Parameters
    ----------
    build : BuildSettings
        For the pack's voltage.
    median : ndarray, shape (6,)
        Parameters as fitted. [PARAMETER_UNITS]
    cold_per_k : float
        Fall of rolling resistance per kelvin. [1/K]

    Returns
    -------
    ndarray, shape (6, 6)
        Rows by ``PARAMETER_NAMES``, columns by ``UNKNOWNS``. [ratio]
    """
    found = np.zeros((len(PARAMETER_NAMES), len(UNKNOWNS)))

    def put(parameter: str, sensor: str, value: float) -> None:
        found[PARAMETER_NAMES.index(parameter), UNKNOWNS.index(sensor)] = value

    for sensor in (CURRENT_GAIN, VOLTAGE_GAIN):
        put("drive_efficiency_ratio", sensor, 1.0)
        put("regen_efficiency_ratio", sensor, -1.0)
        put("auxiliary_power_w", sensor, -1.0)
    # Distance, and speed cubed over time: what seems a small drag at a speed that reads high.
    put("rolling_coefficient", SPEED_GAIN, 1.0)
    put("drag_area_m2", SPEED_GAIN, 3.0)
    auxiliary_w = float(median[PARAMETER_NAMES.index("auxiliary_power_w")])
    put("auxiliary_power_w", CURRENT_ZERO, -nominal_open_circuit_voltage_v(build) / max(auxiliary_w, 1.0))
    put("rolling_coefficient", TEMPERATURE_OFFSET, -cold_per_k)
    put("drag_area_m2", TEMPERATURE_OFFSET, -1.0 / _AIR_KELVIN)
    return found


def with_sensor_errors(result: FitResult, instruments: Instruments, build: BuildSettings) -> FitResult:
    """Return a fit that took its sensors as exact with their shared errors in it, eq. (1) to (4).

    Parameters
    ----------
    result : FitResult
        Of drives that were all read by these sensors.
    instruments : Instruments
        What is known of them, errors that were taken off already not counted.
    build : BuildSettings
        For the pack's voltage.

    Returns
    -------
    FitResult
        Posterior moved and widened; ``sensors`` holds the errors and how they go with the parameters.
    """
    if result.drive_count == 0:
        return result
    posterior, prior = result.posterior, result.prior
    free = np.ix_(*[np.flatnonzero((prior.log_sigma > 0.0) & (posterior.log_sigma > 0.0))] * 2)
    indices = free[1].ravel()
    seen = posterior.log_covariance[free]
    precision = np.linalg.inv(prior.log_covariance[free])
    drives = _positive(np.linalg.inv(seen) - precision)
    cold_per_k = result.learned.rolling_temperature_coefficient_per_k.value
    mistaken = mistaken_parameters(build, posterior.median, cold_per_k)[indices]
    follow = seen @ drives @ mistaken
    told = mistaken.T @ drives @ mistaken - mistaken.T @ drives @ follow
    pull = mistaken.T @ precision @ (prior.log_mean - posterior.log_mean)[indices]
    damped = np.linalg.inv(np.eye(len(UNKNOWNS)) + instruments.covariance @ told)
    errors = damped @ instruments.covariance
    errors = 0.5 * (errors + errors.T)
    mean = damped @ (instruments.mean + instruments.covariance @ pull)

    log_mean, covariance = posterior.log_mean.copy(), posterior.log_covariance.copy()
    log_mean[indices] += follow @ mean
    covariance[free] = seen + follow @ errors @ follow.T
    cross = np.zeros((len(PARAMETER_NAMES), len(UNKNOWNS)))
    cross[indices] = follow @ errors
    sigma = np.sqrt(np.diag(covariance))
    scale = np.where(sigma > 0.0, sigma, 1.0)
    ratio = np.divide(sigma, prior.log_sigma, out=np.array(result.learned_ratio), where=prior.log_sigma > 0.0)
    return replace(
        result,
        posterior=replace(posterior, log_mean=log_mean, log_covariance=covariance),
        learned_ratio=ratio,
        correlation=covariance / np.outer(scale, scale) + np.diag(np.where(sigma > 0.0, 0.0, 1.0)),
        sensors=SensorErrors(
            instruments=replace(instruments, mean=mean, covariance=errors),
            cross_covariance=cross,
            conditional_covariance=posterior.log_covariance,
        ),
    )


def _positive(matrix: FloatArray) -> FloatArray:
    """The nearest symmetric matrix without negative eigenvalues."""
    value, vector = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vector * np.clip(value, 0.0, None)) @ vector.T)
