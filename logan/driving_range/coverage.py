"""Calibration shown: every drive predicted by a fit that has not seen it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Final

import numpy as np
from scipy.special import betaincinv

from logan.drive.wheel_work import rotating_mass_of
from logan.model.drive_fit import predicted_energy
from logan.model.estimator import covariance_parts, drive_informations
from logan.model.hierarchy import Solution, solve_hierarchy
from logan.model.measurement import Measurement
from logan.model.newton import student_t_half_width
from logan.model.parameters import ParameterDistribution
from logan.model.regen_limit import limit_seen, solve_with_regen_limit, with_regen_limit
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import SharedPrior, shared_prior
from logan.results import Estimate, StepWords, Told, result, silent
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, FloatArray, IntArray

INTERVAL_RATIO: Final = 0.9
FEWEST_DRIVES: Final = 3
MOST_REFITS: Final = 60
"""With more drives, several at a time are left out of so many fits."""

_PSEUDO_DRIVES: Final = 8.0
"""Drives of just the predicted spread that are imagined beside the real ones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutDrive:
    """One drive, predicted from all others.

    Parameters
    ----------
    drive_id : str
        Name of the drive.
    distance_m : float
        Distance. [m]
    measured_wh, predicted_wh, naive_wh : float
        Measured; predicted by the fit on the other drives; by the others' mean Wh per km.
    sigma_wh : float
        Standard uncertainty of the prediction before it is widened.
    low_wh, high_wh : float
        90 % interval of the prediction.
    plan_sigma_wh : float
        Of the standard uncertainty, what errors of plan and measurements make; it is not widened.
    """

    derived: ClassVar[tuple[str, ...]] = ("error_ratio", "is_covered")

    drive_id: str
    distance_m: float
    measured_wh: float
    predicted_wh: float
    sigma_wh: float
    naive_wh: float
    low_wh: float
    high_wh: float
    plan_sigma_wh: float = 0.0

    @property
    def error_ratio(self) -> float:
        """Predicted over measured, less one; taken of the consumption's size where regen outweighs it."""
        return (self.predicted_wh - self.measured_wh) / max(abs(self.measured_wh), 1e-9)

    @property
    def is_covered(self) -> bool:
        """True when the interval holds the measured energy."""
        return self.low_wh <= self.measured_wh <= self.high_wh


@result("calibration/1")
class Calibration:
    """Leave-one-drive-out errors and interval coverage for this very build.

    Parameters
    ----------
    drives : tuple of LeftOutDrive
        Each drive in turn.
    median_error_ratio, p90_error_ratio : float or None
        Of the absolute relative errors; None with fewer than three drives.
    naive_median_error_ratio : float or None
        The same for the mean consumption of the other drives: the row to beat.
    covered_ratio : float or None
        Share of drives inside their 90 % interval.
    interval_scale_ratio : float
        By how much what drives decide of every predicted interval is widened after these errors.
    reason : str
        Why there is no figure; empty when there is.
    unpredicted : tuple of str
        Drives without which no fit came to rest; no figure holds them.
    """

    drives: tuple[LeftOutDrive, ...]
    median_error_ratio: float | None = None
    p90_error_ratio: float | None = None
    naive_median_error_ratio: float | None = None
    covered_ratio: float | None = None
    interval_scale_ratio: float = 1.0
    reason: str = ""
    unpredicted: tuple[str, ...] = ()

    @property
    def held_words(self) -> str:
        """How many intervals held their drive, and with which true share that goes (Clopper and Pearson, 90 %)."""
        count, held = len(self.drives), sum(row.is_covered for row in self.drives)
        low = float(betaincinv(held, count - held + 1, 0.05)) if held else 0.0
        high = float(betaincinv(held + 1, count - held, 0.95)) if held < count else 1.0
        words = f"held {held} of {count} (compatible with {100 * low:.0f} to {100 * high:.0f} %)"
        if self.unpredicted:
            words += f"; without drive {', '.join(self.unpredicted)} no fit converged, so it is judged by none of these"
        return words


def leave_one_drive_out(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
    *,
    whole: Solution | None = None,
    told: Told = silent,
) -> Calibration:
    """Predict each drive from a fit on all others.

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
    whole : Solution, optional
        The fit of all drives where it is there already.
    told : callable, optional
        Given words on what is being done, each with how many drives are behind.

    Returns
    -------
    Calibration
        With the reason and no figures when there are fewer than three drives.
    """
    usable = [drive for drive in drives if not drive.refusal]
    if len(usable) < FEWEST_DRIVES:
        reason = f"leaving one drive out needs at least {FEWEST_DRIVES} drives; there are {len(usable)}"
        return Calibration(drives=(), reason=reason)
    widened = shared_prior(prior, build)
    whole = whole or solve_with_regen_limit(widened, usable, measurements, build)
    if not whole.converged:
        return Calibration(drives=(), reason=f"the fit of all drives is of no use: {whole.message}")
    groups = np.array_split(np.arange(len(usable)), min(len(usable), MOST_REFITS))
    rows: list[LeftOutDrive] = []
    for group in groups:
        told(StepWords(f"leaving out drive {usable[group[0]].drive_id}", int(group[0]), len(usable)))
        rows += _left_out(group, whole, widened, measurements, build)
    predicted = {row.drive_id for row in rows}
    missing = tuple(drive.drive_id for drive in usable if drive.drive_id not in predicted)
    return replace(_calibration(_scaled(rows)), unpredicted=missing)


def predict_others(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    others: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
    *,
    told: Told = silent,
) -> Calibration:
    """Predict drives from a fit on others, such as those of winter from those of summer.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan.
    drives, others : sequence of DriveSegments
        What is fitted, and what is predicted; refused ones take no part.
    measurements : sequence of Measurement
        Used in the fit.
    build : BuildSettings
        The build.
    told : callable, optional
        Given words on what is being done.

    Returns
    -------
    Calibration
        Of the drives predicted, their intervals as wide as leaving out those of the fit says.
    """
    usable, judged = ([drive for drive in group if not drive.refusal] for group in (drives, others))
    widened = shared_prior(prior, build)
    whole = solve_with_regen_limit(widened, usable, measurements, build)
    if not usable or not judged or not whole.converged:
        reason = whole.message if usable and judged else "it takes a drive to fit and one to predict"
        return Calibration(drives=(), reason=reason)
    inner = leave_one_drive_out(prior, usable, measurements, build, whole=whole, told=told)
    fitted = [state.drive for state in whole.states]
    rows = _predicted(judged, whole, fitted, whole.regen_limit, widened, build)
    return _calibration(tuple(_reaching(row, inner.interval_scale_ratio) for row in rows))


def _left_out(
    group: IntArray,
    whole: Solution,
    widened: SharedPrior,
    measurements: Sequence[Measurement],
    build: BuildSettings,
) -> list[LeftOutDrive]:
    """Drives of a group, predicted by a fit on the drives outside it."""
    rotating_kg = rotating_mass_of(build)
    others = [state.drive for place, state in enumerate(whole.states) if place not in group]
    fitted = solve_hierarchy(widened, others, measurements, rotating_kg, start=whole)
    if not fitted.converged:
        return []
    limit = limit_seen(fitted, rotating_kg) if whole.regen_limit else None
    return _predicted([whole.states[place].drive for place in group], fitted, others, limit, widened, build)


def _predicted(
    drives: Sequence[DriveSegments],
    fitted: Solution,
    others: Sequence[DriveSegments],
    limit: Estimate | None,
    widened: SharedPrior,
    build: BuildSettings,
) -> list[LeftOutDrive]:
    """Drives as a fit on others predicts them, no interval yet."""
    rotating_kg = rotating_mass_of(build)
    by_plan, by_drives = covariance_parts(fitted.information, widened, drive_informations(fitted))
    naive_j_per_m = sum(other.measured_j for other in others) / sum(other.distance_m for other in others)
    rows = []
    for drive in drives:
        seen = drive if limit is None else with_regen_limit(drive, limit)
        whole, of_plan = (
            predicted_energy(
                fitted.shared, covariance, seen, rotating_kg, fitted.scales, source="fit", own_ratio=own_ratio
            )
            for covariance, own_ratio in ((by_plan + by_drives, 1.0), (by_plan, 0.0))
        )
        rows.append(
            LeftOutDrive(
                drive_id=drive.drive_id,
                distance_m=drive.distance_m,
                measured_wh=drive.measured_j / JOULES_PER_WATT_HOUR,
                predicted_wh=whole.value,
                sigma_wh=whole.spread,
                plan_sigma_wh=of_plan.spread,
                naive_wh=naive_j_per_m * drive.distance_m / JOULES_PER_WATT_HOUR,
                low_wh=whole.value,
                high_wh=whole.value,
            )
        )
    return rows


def interval_scale_ratio(z: FloatArray) -> float:
    """By how much what drives decide of an interval is widened after what leaving drives out showed; 1 or more.

    Method: fit (17).

    Parameters
    ----------
    z : ndarray, shape (n,)
        Errors of left-out drives over their predicted standard uncertainties. [ratio]
    """
    return float(max(1.0, np.sqrt((np.sum(z**2) + _PSEUDO_DRIVES) / (z.size + _PSEUDO_DRIVES))))


def _z(rows: Sequence[LeftOutDrive]) -> FloatArray:
    return np.array([(row.measured_wh - row.predicted_wh) / max(row.sigma_wh, 1e-9) for row in rows])


def _scaled(rows: Sequence[LeftOutDrive]) -> tuple[LeftOutDrive, ...]:
    """The rows with their intervals, each widened by what the other rows show."""
    z = _z(rows)
    return tuple(_reaching(row, interval_scale_ratio(np.delete(z, place))) for place, row in enumerate(rows))


def _reaching(row: LeftOutDrive, scale_ratio: float) -> LeftOutDrive:
    variance = row.plan_sigma_wh**2 + scale_ratio**2 * (row.sigma_wh**2 - row.plan_sigma_wh**2)
    half = student_t_half_width(INTERVAL_RATIO, float("inf")) * float(np.sqrt(variance))
    return replace(row, low_wh=row.predicted_wh - half, high_wh=row.predicted_wh + half)


def _calibration(rows: tuple[LeftOutDrive, ...]) -> Calibration:
    if not rows:
        return Calibration(drives=(), reason="no fit without one of the drives converged")
    error = np.array([abs(row.error_ratio) for row in rows])
    measured = np.array([row.measured_wh for row in rows])
    naive = np.abs(np.array([row.naive_wh for row in rows]) - measured) / np.abs(measured)
    return Calibration(
        drives=rows,
        median_error_ratio=float(np.median(error)),
        p90_error_ratio=float(np.quantile(error, 0.9)),
        naive_median_error_ratio=float(np.median(naive)),
        covered_ratio=float(np.mean([row.is_covered for row in rows])),
        interval_scale_ratio=interval_scale_ratio(_z(rows)),
    )
