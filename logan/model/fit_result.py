"""What a fit says: parameters before and after, how far they were learned, and drive by drive."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Final

import numpy as np

from logan.instruments.posterior import Instruments
from logan.model.drive_likelihood import NoiseScales
from logan.model.measurement import Measurement
from logan.model.parameters import EFFICIENCIES, PARAMETER_NAMES, ParameterDistribution
from logan.model.shaft import ShaftSplit
from logan.model.unknowns import TAUGHT_NAMES, whole_efficiencies
from logan.results import Estimate, result
from logan.units import FloatArray

DRAG_MODEL_SIGMA_RATIO: Final = 0.02
"""What drives cannot tell of drag area whatever their number, and no unknown of the fit stands for: crosswind raises it
by 0 to 1 % per degree (common practice), at the 2 to 4 degrees that days have. Method: fit (18)."""


_UNKNOWN: Final = Estimate(float("nan"), "Wh", None, "refused")


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivenHull:
    """The conditions that were driven; a prediction beyond them is an extrapolation.

    Parameters
    ----------
    speed_low_m_per_s, speed_high_m_per_s : float
        5 and 95 % points of speed, by distance.
    temperature_low_degc, temperature_high_degc : float
        Coldest and warmest drive.
    distance_m, duration_s : float
        In all drives together.
    pressure_pa : float or None
        Of the air, in the middle of the drives.
    """

    speed_low_m_per_s: float
    speed_high_m_per_s: float
    temperature_low_degc: float
    temperature_high_degc: float
    distance_m: float
    duration_s: float
    pressure_pa: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveFit:
    """One drive as the plan, the fit and the meter see it.

    Parameters
    ----------
    drive_id : str
        Name of the drive.
    distance_m : float
        Distance. [m]
    measured_wh : float
        Net pack energy over the drive.
    planned : Estimate
        Predicted by the plan for that drive's speeds, hills and weather. [Wh]
    refined : Estimate
        Predicted by the fit, this drive's own level, wind and auxiliaries not used. [Wh]
    level : Estimate
        The drive's own factor on road load. [ratio]
    headwind : Estimate
        The drive's own wind that the log does not hold, mean along the road. [m/s]
    segment_count : int
        Segments that took part.
    refusal : str
        Why the drive took no part; empty when it did.
    """

    drive_id: str
    distance_m: float
    measured_wh: float
    planned: Estimate = _UNKNOWN
    refined: Estimate = _UNKNOWN
    level: Estimate = _UNKNOWN
    headwind: Estimate = _UNKNOWN
    segment_count: int = 0
    refusal: str = ""

    @property
    def residual_ratio(self) -> float:
        """Measured over refined, less one."""
        return self.measured_wh / self.refined.value - 1.0 if self.refined.value else float("nan")


@result()
class DriveInformation:
    """A drive's own say in the fit, its own effects integrated out, as a quadratic in the shared vector.

    Parameters
    ----------
    drive_id : str
        Name of the drive.
    reference : ndarray, shape (p,)
        Shared vector at which the quadratic was taken; see ``logan.model.unknowns.SHARED_NAMES``. [ratio]
    gradient : ndarray, shape (p,)
        Gradient there of half the weighted sum of squares. [ratio]
    information : ndarray, shape (p, p)
        Its curvature. [ratio]
    """

    drive_id: str
    reference: FloatArray
    gradient: FloatArray
    information: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LearnedConditions:
    """What the drives say about cold, warm-up, braking and losses, besides the six parameters.

    Parameters
    ----------
    values : mapping of str to Estimate
        Those of ``Environment`` that drives tell, by name in the order of the shared vector. [1/K, ratio, W, W/N2, N]
    regen_power_limit : Estimate or None
        Most power that regen was seen to put back; None where the braking shows none. [W]
    heating_w_per_k, cooling_w_per_k : Estimate or None
        Cabin power beyond the comfort band; None where no drive logged it in such weather. [W/K]
    follows : ndarray, shape (9, 6)
        How the values go with the six log parameters. [any]
    rest_covariance : ndarray, shape (9, 9)
        Covariance of what of them does not. [any]
    """

    flat: ClassVar[str] = "values"

    values: Mapping[str, Estimate]
    regen_power_limit: Estimate | None = None
    heating_w_per_k: Estimate | None = None
    cooling_w_per_k: Estimate | None = None
    follows: FloatArray = field(default_factory=lambda: np.zeros((9, 6)))
    rest_covariance: FloatArray = field(default_factory=lambda: np.zeros((9, 9)))

    @property
    def shared(self) -> FloatArray:
        """The values as the fit holds them, shape (9,). [any]"""
        first, *others = (self.values[name].value for name in TAUGHT_NAMES)
        return np.array([np.log(first), *others])

    def covariance_with(self, parameters: FloatArray) -> FloatArray:
        """Covariance of the whole shared vector, shape (p, p), from that of the six log parameters. [any]"""
        # The fall per kelvin is a logarithm there.
        unit = np.ones(self.follows.shape[0])
        unit[0] /= self.values[TAUGHT_NAMES[0]].value
        moved = np.vstack((np.eye(self.follows.shape[1]), unit[:, None] * self.follows))
        whole = moved @ parameters @ moved.T
        whole[-unit.size :, -unit.size :] += np.outer(unit, unit) * self.rest_covariance
        return np.asarray(whole)


@result("sensor-errors/2")
class SensorErrors:
    """The sensors' shared errors in a fit.

    Parameters
    ----------
    instruments : Instruments
        The errors, as the drives leave them.
    cross_covariance : ndarray, shape (p, 6)
        Of the shared vector (rows) with the errors (columns, in the order of ``UNKNOWNS``).
    conditional_mean, conditional_covariance : ndarray, shape (p,) and (p, p)
        Of the shared vector, were the sensors exact. [any]
    """

    instruments: Instruments
    cross_covariance: FloatArray
    conditional_mean: FloatArray
    conditional_covariance: FloatArray


@result("fit-result/1")
class FitResult:
    """Parameters refined by drives and measurements.

    Parameters
    ----------
    posterior, prior : ParameterDistribution
        After and before.
    between_drive_sigma_ratio : float
        How far the road load of one drive strays from the vehicle's mean: one sigma, relative.
    level_sigma_ratio, wind_sigma_m_per_s : float
        What of it is no wind; and the wind along a road, as far as drives such as these leave it unknown. [ratio, m/s]
    auxiliary_sigma_ratio : float
        The same for the auxiliary load.
    drives : tuple of DriveFit
        Drive by drive, refused ones too.
    measurements : tuple of Measurement
        What took part besides drives.
    information : tuple of DriveInformation
        The drives' say, so that one more drive can be added.
    learned : LearnedConditions
        Cold, warm-up, braking and losses.
    noise : NoiseScales
        How large the errors turned out.
    hull : DrivenHull or None
        Conditions driven; None without a drive.
    segment_count : int
        Segments that took part.
    is_prior_dominated : bool
        True when the plan still says most.
    converged : bool
        True when the estimator converged.
    message : str
        How it ended.
    contradicted : tuple of str
        Measurements that lie far from the fit, in words; the warnings hold them too.
    warnings : tuple of str
        Plain words on what the data cannot tell, and then on single drives.
    statements : tuple of str
        Those of the first kind alone.
    sensors : SensorErrors or None
        The sensors' shared errors, where they are in the posterior.
    shaft : ShaftSplit or None
        Loss before and behind the motor's shaft, where torque is logged.
    noted_sigma_ratio : mapping of str to float
        How far a day's road load would stray with its "wind", or its "payload", noted; of what drives lack. [ratio]
    drag_model_sigma_ratio : float
        What of the drag area's uncertainty in the posterior no drive and no test narrows.
    """

    parameter_names: ClassVar[tuple[str, ...]] = PARAMETER_NAMES
    derived: ClassVar[tuple[str, ...]] = ("parameter_names", "drive_count", "learned_ratio")

    posterior: ParameterDistribution
    prior: ParameterDistribution
    between_drive_sigma_ratio: float
    level_sigma_ratio: float
    wind_sigma_m_per_s: float
    auxiliary_sigma_ratio: float
    drives: tuple[DriveFit, ...]
    measurements: tuple[Measurement, ...]
    information: tuple[DriveInformation, ...]
    learned: LearnedConditions
    noise: NoiseScales
    hull: DrivenHull | None
    segment_count: int
    is_prior_dominated: bool
    converged: bool
    message: str
    contradicted: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    statements: tuple[str, ...] = ()
    sensors: SensorErrors | None = None
    shaft: ShaftSplit | None = None
    noted_sigma_ratio: Mapping[str, float] = field(default_factory=dict)
    drag_model_sigma_ratio: float = 0.0

    @property
    def shared_covariance(self) -> FloatArray:
        """Of the whole shared vector, shape (p, p); see ``logan.model.unknowns.SHARED_NAMES``. [any]"""
        return self.learned.covariance_with(self.posterior.log_covariance)

    @property
    def shared(self) -> FloatArray:
        """The whole shared vector, shape (p,). [any]"""
        return np.concatenate([self.posterior.log_mean, self.learned.shared])

    @property
    def learned_ratio(self) -> FloatArray:
        """Width of each parameter ``as_planned`` over the plan's, shape (6,): 1 nothing learned, 0 all. [ratio]"""
        after = [one.spread / one.value for one in map(self.as_planned, self.parameter_names)]
        before = self.prior.log_sigma
        return np.divide(after, before, out=np.ones(before.size), where=before > 0)

    def estimate(self, name: str) -> Estimate:
        """One parameter as the fit holds it."""
        return self.posterior.estimate(name)

    def as_planned(self, name: str) -> Estimate:
        """One parameter as a plan counts it: efficiencies with the losses in them that have names in the fit."""
        if name not in EFFICIENCIES or not self.drive_count:
            return self.estimate(name)
        place, shared = EFFICIENCIES.index(name), self.shared
        steps = np.diag(1e-4 * np.maximum(np.abs(shared), 1e-6))
        slope = np.array([whole_efficiencies(shared + step) - whole_efficiencies(shared) for step in steps])[:, place]
        slope /= np.diag(steps)
        sigma = float(np.sqrt(slope @ self.shared_covariance @ slope))
        return Estimate(float(whole_efficiencies(shared)[place]), "ratio", sigma, "fit")

    @property
    def drive_count(self) -> int:
        """Drives that took part."""
        return sum(not drive.refusal for drive in self.drives)
