"""One fit over all vehicles of a kit: shared parameters, and each vehicle's own level and mass.

A vehicle enters as one quadratic, the sum of what its drives say: a gradient and a
matrix, whatever it has driven. A sum over vehicles is all that is left to do.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from logan.model.fit_result import DriveInformation
from logan.model.hierarchy import BlockQuadratic
from logan.model.unknowns import SHARED_COUNT, SHARED_NAMES, SHARED_UNITS, At, SharedPrior, physical
from logan.results import Estimate, result
from logan.units import BoolArray, FloatArray

VEHICLE_SPREAD_SIGMA: Final = 0.05
"""Half-normal prior of the spread of road load from vehicle to vehicle (common practice)."""

_ROUNDS: Final = 200
_SETTLED: Final = 1e-10
_OWN: Final = 2


@result("vehicle-information/1")
class VehicleInformation:
    """What all drives of one vehicle say, as a quadratic in the shared vector.

    Parameters
    ----------
    vehicle : str
        Name of the vehicle.
    reference, gradient : ndarray, shape (p,)
        Shared vector at which the quadratic was taken, and its gradient there. [ratio]
    information : ndarray, shape (p, p)
        Its curvature. [ratio]
    log_mass, log_mass_sigma : float
        The vehicle's own mass as planned or weighed: natural logarithm and its standard uncertainty.
    drive_count : int
        Drives that took part.
    """

    vehicle: str
    reference: FloatArray
    gradient: FloatArray
    information: FloatArray
    log_mass: float
    log_mass_sigma: float
    drive_count: int


@result("vehicle-level/1")
class VehicleLevel:
    """One vehicle against its kit.

    Parameters
    ----------
    vehicle : str
        Name of the vehicle.
    level : Estimate
        Factor on drag area and rolling resistance against the kit's. [ratio]
    mass : Estimate
        [kg]
    drive_count : int
        Drives that took part.
    """

    vehicle: str
    level: Estimate
    mass: Estimate
    drive_count: int

    @property
    def is_outside(self) -> bool:
        """True when the level differs from the kit's by more than three times its uncertainty."""
        return self.level.sigma is not None and abs(self.level.value - 1.0) > 3.0 * self.level.sigma


@result("kit-fit/1", eq=False)
class KitFit:
    """What all vehicles of a kit share, and how each of them differs.

    Parameters
    ----------
    parameters : mapping of str to Estimate
        The kit's, without mass.
    planned : mapping of str to Estimate
        The same before any drive.
    level_spread_ratio : float
        How far one vehicle's road load strays from the kit's: one sigma, relative.
    vehicles : tuple of VehicleLevel
        By name.
    converged : bool
        True when the spread converged.
    """

    parameters: dict[str, Estimate]
    planned: dict[str, Estimate]
    level_spread_ratio: float
    vehicles: tuple[VehicleLevel, ...]
    converged: bool


def vehicle_information(
    vehicle: str, drives: Sequence[DriveInformation], prior: SharedPrior, log_mass_sigma: float
) -> VehicleInformation:
    """Sum up what a vehicle's drives say; drives of one fit share their reference.

    Parameters
    ----------
    vehicle : str
        Name of the vehicle.
    drives : sequence of DriveInformation
        At least one, in an order of their own: the sum's last digit depends on it.
    prior : SharedPrior
        The vehicle's plan.
    log_mass_sigma : float
        Relative standard uncertainty of the planned mass. [ratio]
    """
    gradient, information = np.zeros(SHARED_COUNT), np.zeros((SHARED_COUNT, SHARED_COUNT))
    reference = drives[0].reference
    for drive in drives:
        gradient += drive.gradient + drive.information @ (reference - drive.reference)
        information += drive.information
    return VehicleInformation(
        vehicle=vehicle,
        reference=reference,
        gradient=gradient,
        information=information,
        log_mass=float(prior.mean[At.MASS]),
        log_mass_sigma=log_mass_sigma,
        drive_count=len(drives),
    )


def fit_kit(prior: SharedPrior, vehicles: Sequence[VehicleInformation]) -> KitFit:
    """Fit what the vehicles share, with each one's level and mass integrated out and the levels' spread learned.

    Parameters
    ----------
    prior : SharedPrior
        The kit's plan; its mass is not used, each vehicle brings its own.
    vehicles : sequence of VehicleInformation
        At least one.

    Returns
    -------
    KitFit
        The same to the last digit for the same vehicles in the same order.

    References
    ----------
    .. [1] Laird and Ware 1982, doi:10.2307/2529876 (random effects by expectation and maximisation).
    """
    free = np.array(prior.is_free)
    free[At.MASS] = False
    spread = VEHICLE_SPREAD_SIGMA
    converged = False
    for _ in range(_ROUNDS):
        shared, covariance, own, own_covariance = _solve(prior, free, vehicles, spread)
        # Half-normal prior on the spread: one pseudo-vehicle of its width.
        second_moment = float(np.sum(own[:, 1] ** 2 + own_covariance[:, 1, 1])) + VEHICLE_SPREAD_SIGMA**2
        after = float(np.sqrt(second_moment / (len(vehicles) + 1)))
        converged = abs(after - spread) <= _SETTLED * spread
        spread = after
        if converged:
            break
    shared, covariance, own, own_covariance = _solve(prior, free, vehicles, spread)
    sigma = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    levels = tuple(
        VehicleLevel(
            vehicle=vehicle.vehicle,
            level=_of_log(own[row, 1], float(np.sqrt(own_covariance[row, 1, 1])), "ratio"),
            mass=_of_log(vehicle.log_mass + own[row, 0], float(np.sqrt(own_covariance[row, 0, 0])), "kg"),
            drive_count=vehicle.drive_count,
        )
        for row, vehicle in enumerate(vehicles)
    )
    prior_sigma = np.zeros(SHARED_COUNT)
    prior_sigma[free] = np.sqrt(np.diag(np.linalg.inv(prior.precision[np.ix_(free, free)])))
    return KitFit(
        parameters=_estimates(shared, sigma, free, f"fit of {len(vehicles)} vehicles"),
        planned=_estimates(prior.mean, prior_sigma, free, "plan"),
        level_spread_ratio=spread,
        vehicles=levels,
        converged=converged,
    )


def _solve(
    prior: SharedPrior,
    free: np.ndarray[tuple[int], np.dtype[np.bool_]],
    vehicles: Sequence[VehicleInformation],
    spread: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Shared vector and covariance, and each vehicle's own (log mass, log level) with its covariance."""
    join = np.zeros((SHARED_COUNT, _OWN))  # how the own unknowns move the shared vector
    join[At.MASS, 0] = 1.0
    join[[At.DRAG, At.ROLLING], 1] = 1.0
    information = np.array([vehicle.information for vehicle in vehicles])
    reference = np.array([vehicle.reference for vehicle in vehicles])
    base = np.tile(prior.mean, (len(vehicles), 1))
    base[:, At.MASS] = [vehicle.log_mass for vehicle in vehicles]
    gradient = np.array([vehicle.gradient for vehicle in vehicles])
    gradient = gradient + np.einsum("vij,vj->vi", information, base - reference)
    own_information = np.einsum("io,vij,jp->vop", join, information, join)
    own_information[:, 0, 0] += 1.0 / np.array([max(vehicle.log_mass_sigma, 1e-9) for vehicle in vehicles]) ** 2
    own_information[:, 1, 1] += 1.0 / spread**2
    block = BlockQuadratic(
        head_gradient=gradient[:, free].sum(axis=0),
        head_information=prior.precision[np.ix_(free, free)] + information[:, free, :][:, :, free].sum(axis=0),
        gradient=np.einsum("io,vi->vo", join, gradient),
        cross=np.einsum("vij,jo->vio", information, join)[:, free, :],
        information=own_information,
    )
    covariance_free, step = np.linalg.inv(block.marginal_information), block.step(0.0)
    own, step = step[free.sum() :].reshape(-1, _OWN), step[: free.sum()]
    gain = np.linalg.solve(own_information, np.swapaxes(block.cross, 1, 2))
    own_covariance = np.linalg.inv(own_information) + np.einsum("vof,fg,vpg->vop", gain, covariance_free, gain)
    shared, covariance = np.array(prior.mean), np.zeros((SHARED_COUNT, SHARED_COUNT))
    shared[free] += step
    covariance[np.ix_(free, free)] = covariance_free
    return shared, covariance, own, own_covariance


def _estimates(shared: FloatArray, sigma: FloatArray, free: BoolArray, source: str) -> dict[str, Estimate]:
    values = physical(shared)
    is_log = physical(np.zeros(SHARED_COUNT)) == 1.0
    return {
        name: Estimate(
            float(values[index]),
            SHARED_UNITS[index],
            float(values[index] * sigma[index] if is_log[index] else sigma[index]),
            source,
        )
        for index, name in enumerate(SHARED_NAMES)
        if free[index]
    }


def _of_log(log_value: float, log_sigma: float, unit: str) -> Estimate:
    value = float(np.exp(log_value))
    return Estimate(value, unit, value * log_sigma, "fit")
