"""What the sensors' shared errors do to a fit: exactly, for a linear Gaussian one, without fitting again.

The drives see theta - N x instead of theta, where x are the sensors' errors and N says how each unknown
of the whole shared vector would be mistaken. With the prior's precision L, the fit's covariance S at x = 0 and
J = 1/S - L, what the drives say alone, everything follows from the joint quadratic

    (theta - mu)' L (theta - mu) + (theta - N x - theta_d)' J (theta - N x - theta_d) + (x - m)' P^-1 (x - m):

    G = S J N                              how the estimate follows the errors                        (1)
    K = N' J N - N' J S J N,  s = N' L (mu - theta_0)    what the drives say of the errors            (2)
    X = (1 + P K)^-1 P,  x_hat = (1 + P K)^-1 (m + P s)                                               (3)
    theta_hat = theta_0 + G x_hat,  cov(theta) = S + G X G',  cov(theta, x) = G X                     (4)

More drives make S smaller and G X G' no smaller: that part of the uncertainty no number of drives takes away.
"""

from dataclasses import replace

import numpy as np

from logan.instruments.drive_evidence import UNKNOWNS, Sensor
from logan.instruments.posterior import Instruments
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.estimator import learned_conditions
from logan.model.fit_result import FitResult, SensorErrors
from logan.model.parameters import PARAMETER_NAMES
from logan.model.unknowns import LOG_COUNT, SHARED_COUNT, SHARED_NAMES, physical, shared_prior
from logan.settings import BuildSettings
from logan.units import FloatArray

_AIR_KELVIN = 290.0


def mistaken_unknowns(build: BuildSettings, shared: FloatArray) -> FloatArray:
    """How far the true shared vector lies from that which the drives seem to show, per error of each sensor.

    Parameters
    ----------
    build : BuildSettings
        For the pack's voltage.
    shared : ndarray, shape (p,)
        As fitted. [any]

    Returns
    -------
    ndarray, shape (p, 6)
        Rows by ``SHARED_NAMES``, columns by ``UNKNOWNS``. [any]
    """
    values = dict(zip(SHARED_NAMES, physical(shared), strict=True))
    found = np.zeros((SHARED_COUNT, len(UNKNOWNS)))

    def put(sensor: str, **factors: float) -> None:
        """Of logarithms as they are; of what the vector holds as it is, times its value."""
        for name, factor in factors.items():
            index = SHARED_NAMES.index(name)
            found[index, UNKNOWNS.index(sensor)] = factor * (1.0 if index < LOG_COUNT else values[name])

    for sensor in (Sensor.CURRENT_GAIN, Sensor.VOLTAGE_GAIN):
        put(sensor, drive_efficiency_ratio=1.0, regen_efficiency_ratio=-1.0, auxiliary_power_w=-1.0,
            constant_loss_w=-1.0, copper_loss_w_per_n2=-1.0)  # fmt: skip
    # Distance, and speed cubed over time: what seems a small drag at a speed that reads high.
    put(Sensor.SPEED_GAIN, rolling_coefficient=1.0, drag_area_m2=3.0, driveline_drag_n=1.0, driveline_n_s_per_m=2.0,
        tire_rise_ratio=2.0)  # fmt: skip
    put(
        Sensor.CURRENT_ZERO,
        auxiliary_power_w=-nominal_open_circuit_voltage_v(build) / max(values["auxiliary_power_w"], 1.0),
    )
    cold_per_k = values["rolling_temperature_coefficient_per_k"]
    put(Sensor.TEMPERATURE_OFFSET, rolling_coefficient=-cold_per_k, drag_area_m2=-1.0 / _AIR_KELVIN)
    return found


def with_sensor_errors(result: FitResult, instruments: Instruments, build: BuildSettings) -> FitResult:
    """Return a fit that took its sensors as exact with their shared errors in it.

    Method: sensors (2) to (4). Method: fit (20).

    Parameters
    ----------
    result : FitResult
        Of drives that were all read by these sensors.
    instruments : Instruments
        What is known of them, errors that were taken off already not counted.
    build : BuildSettings
        For the pack's voltage, and what the fit assumed.

    Returns
    -------
    FitResult
        Posterior moved and widened; ``sensors`` holds the errors and how they go with the shared vector.
    """
    if result.drive_count == 0:
        return result
    prior, before = shared_prior(result.prior, build), result.shared_covariance
    shared = np.array(result.shared)
    indices = np.flatnonzero(prior.is_free & (np.diag(before) > 0.0))
    free = np.ix_(indices, indices)
    seen, precision = before[free], prior.precision[free]
    drives = _drives_say(seen, precision)
    mistaken = mistaken_unknowns(build, shared)[indices]
    follow = seen @ drives @ mistaken
    told = mistaken.T @ drives @ mistaken - mistaken.T @ drives @ follow
    pull = mistaken.T @ precision @ (prior.mean - shared)[indices]
    damped = np.linalg.inv(np.eye(len(UNKNOWNS)) + instruments.covariance @ told)
    errors = damped @ instruments.covariance
    errors = 0.5 * (errors + errors.T)
    mean = damped @ (instruments.mean + instruments.covariance @ pull)

    shared[indices] += follow @ mean
    covariance, cross = before.copy(), np.zeros((SHARED_COUNT, len(UNKNOWNS)))
    covariance[free] = seen + follow @ errors @ follow.T
    cross[indices] = follow @ errors
    sensors = SensorErrors(
        instruments=replace(instruments, mean=mean, covariance=errors),
        cross_covariance=cross,
        conditional_mean=result.shared,
        conditional_covariance=before,
    )
    return replace(_moved(result, shared, covariance), sensors=sensors)


def as_read(result: FitResult) -> FitResult:
    """The vehicle as its sensors show it, their errors not taken off: what goes with what they logged."""
    seen = result.sensors
    return result if seen is None else _moved(result, seen.conditional_mean, seen.conditional_covariance)


def _moved(result: FitResult, shared: FloatArray, covariance: FloatArray) -> FitResult:
    """The fit with another shared vector, shape (p,), and its covariance."""
    size = len(PARAMETER_NAMES)
    besides = ("regen_power_limit", "heating_w_per_k", "cooling_w_per_k")
    kept = {name: getattr(result.learned, name) for name in besides}
    return replace(
        result,
        posterior=replace(result.posterior, log_mean=shared[:size], log_covariance=covariance[:size, :size]),
        learned=replace(learned_conditions(shared, covariance), **kept),
    )


def _drives_say(seen: FloatArray, precision: FloatArray) -> FloatArray:
    """What the drives add to the plan's precision, as much as there is in all and no less than nothing.

    Where the drives' scatter widened what the plan alone holds, the difference of the two is below nothing; cut off
    there in any other measure than the posterior's own, it would exceed the whole elsewhere, and turn signs round.
    """
    root = np.linalg.cholesky(seen)
    share, direction = np.linalg.eigh(np.eye(len(seen)) - root.T @ precision @ root)
    across = np.linalg.solve(root.T, direction)
    return np.asarray((across * np.clip(share, 0.0, 1.0)) @ across.T)
