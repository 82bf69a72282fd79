"""From a build's drives to its refined range: fit, prediction, and what to do next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar, Final

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.driving_range.scenarios import scenario_consumption_wh_per_km
from logan.errors import NotEnoughDataError
from logan.model.next_test import NextTests, rank_next_tests
from logan.pipeline.builds import BuildFolder
from logan.pipeline.fit import FitReport, with_plan
from logan.pipeline.fit_sensors import fit_with_sensors
from logan.pipeline.plan import Plan, RecordedDrive, prepare_build, target_scenario
from logan.pipeline.predict import (
    NO_FROZEN_PLAN,
    RefinedRange,
    plan_of_build,
    recorded_drives,
    refine_range,
    with_scenario,
)
from logan.pipeline.stored import admission_notes, stored_segments
from logan.settings import BuildSettings
from logan.units import FloatArray

_STEP: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Refinement:
    """What the drives make of a plan.

    Parameters
    ----------
    plan : Plan
        As frozen.
    fit : FitReport
        Parameters, drive by drive, and calibration.
    range : RefinedRange
        Plan and refined prediction side by side.
    next_tests : NextTests
        Which drive or measurement would help most.
    notes : tuple of str
        In plain words.
    """

    schema: ClassVar[str] = "refinement/1"

    plan: Plan
    fit: FitReport
    range: RefinedRange
    next_tests: NextTests
    notes: tuple[str, ...] = ()


def refine_build(
    folder: BuildFolder,
    rng: np.random.Generator,
    *,
    told: Callable[[str], None] | None = None,
    plan_path: Path | None = None,
    extra_scenario: dict[str, object] | None = None,
) -> Refinement:
    """Fit a build's drives and predict its range again.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    rng : numpy.random.Generator
        Source of the samples.
    told : callable, optional
        Given words on what is being done.
    plan_path : Path, optional
        Frozen plan to compare with; the newest where left out.
    extra_scenario : dict, optional
        One more scenario to predict, with the keys of a ``[[scenario]]`` table.

    Returns
    -------
    Refinement
        Plan, fit, refined range and the next best test.

    Raises
    ------
    NotEnoughDataError
        If no drive can carry a fit; the reasons are named.
    """
    build = folder.settings()
    plan, is_frozen = plan_of_build(folder, build, rng, plan_path)
    if extra_scenario is not None:
        build = with_scenario(extra_scenario, folder.path, build)
    with DriveLibrary.open(folder.library, create=True) as library:
        segments = stored_segments(library, build, told=told)
        if not segments:
            raise NotEnoughDataError("no drive has been imported", "Import one with: logan import LOG")
        fit = fit_with_sensors(library, build, segments, folder.measurements(), told=told)
        fit = replace(fit, fit=replace(fit.fit, drives=with_plan(fit.fit.drives, segments, plan, build)))
        if fit.fit.drive_count == 0:
            reasons = "; ".join(f"drive {drive.drive_id}: {drive.refusal}" for drive in fit.fit.drives)
            raise NotEnoughDataError(
                f"no drive can carry a fit ({reasons})", "Log the missing channels and drive again"
            )
        recorded = recorded_drives(library)
        refined = refine_range(
            build,
            plan,
            fit.fit,
            rng,
            recorded_drive=recorded,
            calibration=fit.calibration,
        )
        refined = replace(refined, notes=(*refined.notes, *admission_notes(library)))
        sensitivity = target_sensitivity(build, fit.fit.posterior.median, recorded)
    tests = rank_next_tests(fit.fit, sensitivity, build)
    notes = () if is_frozen else (NO_FROZEN_PLAN,)
    return Refinement(plan=plan, fit=fit, range=refined, next_tests=tests, notes=notes)


def target_sensitivity(
    build: BuildSettings, parameters: FloatArray, recorded_drive: RecordedDrive | None = None
) -> FloatArray:
    """Change of the log consumption of the target's scenario per log parameter, shape (6,). [ratio]"""
    prepared, _ = prepare_build(build, recorded_drive)
    target = target_scenario(build, prepared)
    count = parameters.size
    steps = np.exp(_STEP * np.vstack([np.eye(count), -np.eye(count)]))
    logs = np.log(scenario_consumption_wh_per_km(target, parameters * steps, build))
    return np.asarray((logs[:count] - logs[count:]) / (2.0 * _STEP))
