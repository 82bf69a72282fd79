"""Calibration shown: every drive predicted by a fit that has not seen it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.constants import JOULES_PER_WATT_HOUR
from logan.model.drive_fit import predicted_energy
from logan.model.drive_likelihood import NoiseScales, own_mean
from logan.model.estimator import EfficiencyModel, drive_informations, widened_covariance
from logan.model.hierarchy import Solution, solve_hierarchy
from logan.model.measurement import Measurement
from logan.model.parameters import ParameterDistribution
from logan.model.plan import rotating_mass_of
from logan.model.regen_limit import limit_seen, solve_with_regen_limit, with_regen_limit
from logan.model.segments_table import DriveSegments
from logan.model.student_t import student_t_half_width
from logan.model.trip_energy import friction_share_ratio
from logan.model.unknowns import SharedPrior, shared_prior
from logan.settings import BuildSettings

INTERVAL_RATIO: Final = 0.9
FEWEST_DRIVES: Final = 3
MOST_DRIVES_REFITTED: Final = 16
"""With more drives, the left-out one's say is taken out of the whole fit instead of fitting again."""

LOSS_TERMS_MUST_SAVE_RATIO: Final = 0.9
"""Loss terms have to bring the mean error below this share of the simpler model's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutDrive:
    """One drive, predicted from all others.

    Parameters
    ----------
    drive_id : str
        Name of the drive.
    distance_m : float
        Distance. [m]
    measured_wh, predicted_wh, planned_wh, naive_wh : float
        Measured; predicted by the fit on the other drives; by the plan; by the others' mean Wh per km.
    low_wh, high_wh : float
        90 % interval of the prediction.
    """

    derived: ClassVar[tuple[str, ...]] = ("error_ratio", "is_covered")

    drive_id: str
    distance_m: float
    measured_wh: float
    predicted_wh: float
    planned_wh: float
    naive_wh: float
    low_wh: float
    high_wh: float

    @property
    def error_ratio(self) -> float:
        """Predicted over measured, less one; taken of the consumption's size where regen outweighs it."""
        return (self.predicted_wh - self.measured_wh) / abs(self.measured_wh)

    @property
    def is_covered(self) -> bool:
        """True when the interval holds the measured energy."""
        return self.low_wh <= self.measured_wh <= self.high_wh


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Leave-one-drive-out errors and interval coverage for this very build.

    Parameters
    ----------
    drives : tuple of LeftOutDrive
        Each drive in turn.
    median_error_ratio, p90_error_ratio, mean_error_ratio : float or None
        Of the absolute relative errors; None with fewer than three drives.
    naive_median_error_ratio : float or None
        The same for the mean consumption of the other drives: the row to beat.
    planned_median_error_ratio : float or None
        The same for the plan.
    covered_ratio : float or None
        Share of drives inside their 90 % interval.
    efficiency_model : str
        Drivetrain model that predicted left-out drives better: "constant" or "loss terms".
    rejected_mean_error_ratio : float or None
        Mean error of the other drivetrain model.
    reason : str
        Why there is no figure; empty when there is.
    """

    schema: ClassVar[str] = "calibration/1"

    drives: tuple[LeftOutDrive, ...]
    median_error_ratio: float | None
    p90_error_ratio: float | None
    mean_error_ratio: float | None
    naive_median_error_ratio: float | None
    planned_median_error_ratio: float | None
    covered_ratio: float | None
    efficiency_model: EfficiencyModel
    rejected_mean_error_ratio: float | None = None
    reason: str = ""


def leave_one_drive_out(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
) -> Calibration:
    """Predict each drive from a fit on all others, with both drivetrain models, and keep the better one.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan.
    drives : sequence of DriveSegments
        Refused ones take no part.
    measurements : sequence of Measurement
        Used in every fit.
    build : BuildSettings
        The build.

    Returns
    -------
    Calibration
        With the reason and no figures when there are fewer than three drives.
    """
    usable = [drive for drive in drives if not drive.refusal and drive.measured_j != 0.0]
    if len(usable) < FEWEST_DRIVES:
        reason = f"leaving one drive out needs at least {FEWEST_DRIVES} drives; there are {len(usable)}"
        return Calibration(
            drives=(), median_error_ratio=None, p90_error_ratio=None, mean_error_ratio=None,
            naive_median_error_ratio=None, planned_median_error_ratio=None, covered_ratio=None,
            efficiency_model="constant", reason=reason,
        )  # fmt: skip
    simple = predict_left_out(prior, usable, measurements, build, efficiency_model="constant")
    detailed = predict_left_out(prior, usable, measurements, build, efficiency_model="loss terms")
    errors = [_mean_error(rows) for rows in (simple, detailed)]
    if errors[1] < LOSS_TERMS_MUST_SAVE_RATIO * errors[0]:
        return _calibration(detailed, "loss terms", errors[0])
    return _calibration(simple, "constant", errors[1])


def predict_left_out(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
    *,
    efficiency_model: EfficiencyModel,
) -> tuple[LeftOutDrive, ...]:
    """Predict each drive from a fit on all others, with one drivetrain model."""
    widened = shared_prior(prior, build, with_loss_terms=efficiency_model == "loss terms")
    whole, limit = solve_with_regen_limit(widened, drives, measurements, build)
    # Of many drives no single one decides the limit.
    learns_again = limit is not None and len(drives) <= MOST_DRIVES_REFITTED
    return tuple(
        _left_out(
            number, whole, widened, measurements, build,
            drive=_limited_by_others(number, drive, whole, build) if learns_again else whole.states[number].drive,
        )
        for number, drive in enumerate(drives)
    )  # fmt: skip


def _limited_by_others(number: int, drive: DriveSegments, whole: Solution, build: BuildSettings) -> DriveSegments:
    """The left-out drive with the regen limit that the other drives show."""
    rotating_kg = rotating_mass_of(build)
    limit = limit_seen(whole, rotating_kg, without=number)
    if limit is None:
        return drive
    fade_m_per_s = build.powertrain.regen_fade_speed_m_per_s
    return with_regen_limit(drive, whole.shared, own_mean(drive), limit, rotating_kg, fade_m_per_s)


def _left_out(
    number: int,
    whole: Solution,
    widened: SharedPrior,
    measurements: Sequence[Measurement],
    build: BuildSettings,
    *,
    drive: DriveSegments,
) -> LeftOutDrive:
    rotating_kg = rotating_mass_of(build)
    others = [state.drive for place, state in enumerate(whole.states) if place != number]
    known = drive_informations(whole)
    rest = [known[place] for place in range(len(known)) if place != number]
    if len(others) < MOST_DRIVES_REFITTED:
        fitted = solve_hierarchy(widened, others, measurements, rotating_kg, start=whole)
        own, rest = fitted.own, list(drive_informations(fitted))
    else:
        fitted = solve_hierarchy(widened, [], measurements, rotating_kg, known=rest, start=whole, scales=whole.scales)
        own = np.delete(whole.own, number, axis=0)
    friction = friction_share_ratio(fitted.shared, own, others, rotating_kg)
    covariance = widened_covariance(fitted.information, widened, rest)
    predicted = predicted_energy(
        fitted.shared, covariance, drive, rotating_kg, fitted.scales, friction_ratio=friction, source="fit"
    )
    planned = predicted_energy(
        widened.mean, covariance, drive, rotating_kg, NoiseScales(), friction_ratio=0.0, source="plan"
    )
    half_wh = student_t_half_width(INTERVAL_RATIO, len(others)) * (predicted.sigma or 0.0)
    naive = sum(other.measured_j for other in others) / sum(other.distance_m for other in others) * drive.distance_m
    return LeftOutDrive(
        drive_id=drive.drive_id,
        distance_m=drive.distance_m,
        measured_wh=drive.measured_j / JOULES_PER_WATT_HOUR,
        predicted_wh=predicted.value,
        planned_wh=planned.value,
        naive_wh=naive / JOULES_PER_WATT_HOUR,
        low_wh=predicted.value - half_wh,
        high_wh=predicted.value + half_wh,
    )


def _mean_error(rows: Sequence[LeftOutDrive]) -> float:
    return float(np.mean([abs(row.error_ratio) for row in rows]))


def _calibration(
    rows: tuple[LeftOutDrive, ...], efficiency_model: EfficiencyModel, rejected_mean_error_ratio: float
) -> Calibration:
    error = np.array([abs(row.error_ratio) for row in rows])
    measured = np.array([row.measured_wh for row in rows])
    naive = np.abs(np.array([row.naive_wh for row in rows]) - measured) / np.abs(measured)
    planned = np.abs(np.array([row.planned_wh for row in rows]) - measured) / np.abs(measured)
    return Calibration(
        drives=rows,
        median_error_ratio=float(np.median(error)),
        p90_error_ratio=float(np.quantile(error, 0.9)),
        mean_error_ratio=float(np.mean(error)),
        naive_median_error_ratio=float(np.median(naive)),
        planned_median_error_ratio=float(np.median(planned)),
        covered_ratio=float(np.mean([row.is_covered for row in rows])),
        efficiency_model=efficiency_model,
        rejected_mean_error_ratio=rejected_mean_error_ratio,
    )
