"""Fit the model to drives, compare it with them, and tell whether a change helped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from logan.driving_range.coverage import Calibration, leave_one_drive_out
from logan.errors import UsageError
from logan.model.effect import ModificationEffect, modification_effect
from logan.model.estimator import fit
from logan.model.fit_result import DriveFit, FitResult
from logan.model.identifiability import Identifiability, assess_identifiability
from logan.model.measurement import Measurement
from logan.model.priors import prior_of
from logan.model.segments_table import DriveSegments
from logan.settings import BuildSettings

__all__ = [
    "Calibration",
    "Comparison",
    "DriveFit",
    "FitReport",
    "FitResult",
    "ModificationEffect",
    "compare_drives",
    "effect_of_change",
    "fit_drives",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitReport:
    """A fit with what it means and how well it is calibrated.

    Parameters
    ----------
    fit : FitResult
        Parameters, and drive by drive.
    identifiability : Identifiability
        What the data can and cannot tell.
    calibration : Calibration
        Every drive predicted by a fit that has not seen it.
    """

    schema: ClassVar[str] = "fit-report/1"

    fit: FitResult
    identifiability: Identifiability
    calibration: Calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Predicted against measured, drive by drive.

    Parameters
    ----------
    drives : tuple of DriveFit
        Plan, meter and fit of each drive, for that drive's own speeds, hills and weather.
    calibration : Calibration
        Every drive predicted by a fit that has not seen it.
    """

    schema: ClassVar[str] = "comparison/1"

    drives: tuple[DriveFit, ...]
    calibration: Calibration


def fit_drives(
    build: BuildSettings, drives: Sequence[DriveSegments], measurements: Sequence[Measurement] = ()
) -> FitReport:
    """Fit the build's plan to its drives, and calibrate the fit by leaving drives out.

    Parameters
    ----------
    build : BuildSettings
        The build; its planning values are the prior.
    drives : sequence of DriveSegments
        Reduced drives; refused ones are listed and take no part.
    measurements : sequence of Measurement
        Weighbridge, coastdowns, steady pairs, standstill power.

    Returns
    -------
    FitReport
        With the drivetrain model that predicted left-out drives better.
    """
    prior = prior_of(build)
    calibration = leave_one_drive_out(prior, drives, measurements, build)
    result = fit(prior, drives, measurements, build, efficiency_model=calibration.efficiency_model)
    return FitReport(fit=result, identifiability=assess_identifiability(result), calibration=calibration)


def compare_drives(
    build: BuildSettings, drives: Sequence[DriveSegments], measurements: Sequence[Measurement] = ()
) -> Comparison:
    """Predicted by the plan and by the fit, against measured; parameters as in ``fit_drives``."""
    report = fit_drives(build, drives, measurements)
    return Comparison(drives=report.fit.drives, calibration=report.calibration)


def effect_of_change(
    build: BuildSettings,
    drives: Sequence[DriveSegments],
    before: Sequence[str],
    after: Sequence[str],
    measurements: Sequence[Measurement] = (),
) -> ModificationEffect:
    """Tell whether the drives named in ``after`` differ from those in ``before`` by more than noise.

    Raises
    ------
    UsageError
        If a name is no drive, or is on both sides.
    NotEnoughDataError
        If the drives cannot carry the comparison.
    """
    known = {drive.drive_id: drive for drive in drives}
    for name in (*before, *after):
        if name not in known:
            raise UsageError(f"there is no usable drive {name}", f"Drives: {', '.join(known) or 'none'}")
    if both := sorted(set(before) & set(after)):
        raise UsageError(f"drive {', '.join(both)} is named on both sides", "Name each drive once")
    chosen = [[known[name] for name in dict.fromkeys(names)] for names in (before, after)]
    return modification_effect(prior_of(build), chosen[0], chosen[1], measurements, build)
