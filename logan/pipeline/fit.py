"""Fit the model to drives, compare it with them, and tell whether a change helped."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.repository import EVERY_DRIVE, DriveLibrary
from logan.driving_range.coverage import Calibration as Calibration, leave_one_drive_out
from logan.errors import NotEnoughDataError
from logan.model.drive_fit import planned_energy
from logan.model.effect import ModificationEffect as ModificationEffect
from logan.model.estimator import fit_result_of, with_drag_model_term
from logan.model.fit_result import DriveFit, FitResult as FitResult
from logan.model.measurement import Measurement
from logan.model.priors import prior_of
from logan.model.regen_limit import solve_with_regen_limit
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import shared_prior
from logan.pipeline.plan import Plan
from logan.results import Told, result, result_from_json, silent
from logan.settings import BuildSettings
from logan.version import science_edition

_KEY: Final = "fit"


@result("fit-report/1", eq=False)
class FitReport:
    """A fit with what it means and how well it is calibrated.

    Parameters
    ----------
    fit : FitResult
        Parameters, and drive by drive.
    calibration : Calibration
        Every drive predicted by a fit that has not seen it.
    """

    fit: FitResult
    calibration: Calibration


@result("comparison/1")
class Comparison:
    """Predicted against measured, drive by drive.

    Parameters
    ----------
    drives : tuple of DriveFit
        Plan, meter and fit of each drive, for that drive's own speeds, hills and weather.
    calibration : Calibration
        Every drive predicted by a fit that has not seen it.
    plan_created_at : str
        When the plan that stands in the comparison was made.
    notes : tuple of str
        In plain words.
    """

    drives: tuple[DriveFit, ...]
    calibration: Calibration
    plan_created_at: str = ""
    notes: tuple[str, ...] = ()


def fit_drives(
    build: BuildSettings,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement] = (),
    *,
    told: Told = silent,
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
    told : callable, optional
        Given words on what is being done.

    Returns
    -------
    FitReport
        Fit, what it cannot tell, and how well it predicts drives that it has not seen.

    Raises
    ------
    NotEnoughDataError
        If the fit does not converge: a number of it would mean nothing.
    """
    prior = prior_of(build)
    widened = shared_prior(prior, build)
    usable = [drive for drive in drives if not drive.refusal]
    told("fitting")
    solution = solve_with_regen_limit(widened, usable, measurements, build)
    if not solution.converged:
        raise NotEnoughDataError(
            f"no refined range: the fit of {len(usable)} drives is of no use, {solution.message}",
            "Look for a drive that is unlike the others, and leave it out with: logan drives --exclude; or correct the "
            "uncertainty of its heights",
        )
    calibration = leave_one_drive_out(prior, drives, measurements, build, whole=solution, told=told)
    scale_ratio = calibration.interval_scale_ratio
    result = fit_result_of(solution, widened, prior, drives, measurements, build, scale_ratio=scale_ratio)
    return FitReport(fit=with_drag_model_term(result), calibration=calibration)


def kept_fit(
    library: DriveLibrary,
    build: BuildSettings,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement] = (),
    *,
    told: Told = silent,
) -> FitReport:
    """Fit as ``fit_drives`` does, or find the fit that the library keeps of these very drives and settings."""
    name = settings_fingerprint(
        science_edition(),
        (build.vehicle, build.powertrain, build.pack, build.auxiliary),
        tuple(measurements),
        tuple(drive.fingerprint for drive in drives),
    )
    return library.kept(
        EVERY_DRIVE,
        _KEY,
        name,
        partial(result_from_json, FitReport),
        lambda: fit_drives(build, drives, measurements, told=told),
    )


def with_plan(
    fits: Sequence[DriveFit], drives: Sequence[DriveSegments], plan: Plan, build: BuildSettings
) -> tuple[DriveFit, ...]:
    """Lay a plan as it was frozen beside each drive, whatever the build's settings say by now.

    Parameters
    ----------
    fits : sequence of DriveFit
        One per drive.
    drives : sequence of DriveSegments
        The same drives, in any order.
    plan : Plan
        As frozen.
    build : BuildSettings
        For rotating masses.

    Returns
    -------
    tuple of DriveFit
        With ``planned`` by that plan; refused drives as they were.
    """
    reduced = {drive.drive_id: drive for drive in drives}
    as_planned = replace(
        build,
        vehicle=replace(
            build.vehicle,
            rolling_temperature_coefficient_per_k=plan.others.values["rolling_temperature_coefficient_per_k"],
        ),
    )
    return tuple(
        found
        if found.refusal
        else replace(found, planned=planned_energy(reduced[found.drive_id], plan.parameters, as_planned))
        for found in fits
    )
