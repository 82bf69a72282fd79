"""The fit of a build's own drives: with its measurements, what to do next, and the effect of a change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.driving_range.coverage import Calibration, predict_others
from logan.driving_range.difference import DriveDifference, explain_difference, side_of
from logan.driving_range.other_values import learned_other_values, with_regen_limit_w
from logan.errors import NotEnoughDataError, UsageError
from logan.model.effect import ModificationEffect, drives_to_see as drives_to_see
from logan.model.fitted_build import basis_of_fit
from logan.model.next_test import NextTests as NextTests
from logan.model.priors import prior_of
from logan.model.segments_table import DriveSegments
from logan.pipeline.builds import BuildFolder
from logan.pipeline.fit import Comparison, FitReport, compare_drives, effect_of_change, kept_fit
from logan.pipeline.predict import NO_FROZEN_PLAN, plan_of_build, seen_regen_limit_w
from logan.pipeline.refine import answer_of
from logan.pipeline.stored import drive_label, drive_remarks, load_corrected, stored_segments
from logan.results import result

Told = Callable[[str], None]


@result("build-fit/1", eq=False)
class BuildFit:
    """A build's fit, and which test would help most next.

    Parameters
    ----------
    report : FitReport
        The fit.
    next_tests : NextTests
        Candidates, best first, for the target's scenario.
    """

    report: FitReport
    next_tests: NextTests


def fit_build(folder: BuildFolder, *, told: Told | None = None) -> BuildFit:
    """Fit a build's drives, and rank what would help most next.

    Raises
    ------
    NotEnoughDataError
        If no drive has been imported, or none can carry a fit; the reasons are named.
    """
    answer = answer_of(folder, told=told)
    return BuildFit(report=answer.fit, next_tests=answer.next_tests)


def compare_build(
    folder: BuildFolder, rng: np.random.Generator, *, plan_path: Path | None = None, told: Told | None = None
) -> Comparison:
    """Plan, meter and fit of each drive of a build.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    rng : numpy.random.Generator
        Source of the samples of a plan made now, where none was frozen.
    plan_path : Path, optional
        Frozen plan to compare with; the newest where left out.
    told : callable, optional
        Given words on what is being done.

    Raises
    ------
    ConfigurationError
        If the plan cannot be read.
    NotEnoughDataError
        If no drive has been imported, or none can carry a fit; the reasons are named.
    """
    build = folder.settings()
    plan, is_frozen = plan_of_build(folder, build, rng, plan_path)
    with DriveLibrary.open(folder.library, create=True) as library:
        segments = _usable_segments(library, folder, told)
        report = kept_fit(library, build, segments, folder.measurements(), told=told)
        remarks = drive_remarks(library)
    found = compare_drives(build, segments, plan, report)
    return replace(found, notes=(*(() if is_frozen else (NO_FROZEN_PLAN,)), *remarks))


def difference_of_drives(folder: BuildFolder, first: str, second: str) -> DriveDifference:
    """Explain the difference between two drives of a build's library.

    The vehicle is the answer's, cold tires and all; the plan's where no drive can carry a fit.

    Raises
    ------
    UsageError
        If there is no such drive, or both are one.
    NotEnoughDataError
        If one of the two has no speed.
    """
    build = folder.settings()
    parameters, learned = prior_of(build), None
    with suppress(NotEnoughDataError):
        learned = answer_of(folder).fit.fit
        parameters, build = learned.posterior, with_regen_limit_w(build, seen_regen_limit_w(learned))
    with DriveLibrary.open(folder.library) as library:
        records = library.record(first), library.record(second)
        if records[0].id == records[1].id:
            raise UsageError(f"drive {records[0].number} does not differ from itself", "Name two drives")
        sides = [
            side_of(load_corrected(library, record.number, build), build, drive_label(record)) for record in records
        ]
    found = explain_difference(
        sides[0],
        sides[1],
        parameters,
        build,
        np.random.default_rng(0),
        others=None if learned is None else learned_other_values(build, learned.learned),
        between_drive_sigma=0.0 if learned is None else learned.between_drive_sigma_ratio,
    )
    return found if learned is None else replace(found, basis=basis_of_fit(learned))


def predict_in_build(
    folder: BuildFolder, fitted: Sequence[str], predicted: Sequence[str], *, told: Told | None = None
) -> Calibration:
    """Fit some drives of a build and predict others: all the rest where none are named.

    Raises
    ------
    UsageError, DriveLibraryError
        If a drive does not exist or is on both sides.
    """
    build = folder.settings()
    with DriveLibrary.open(folder.library, create=True) as library:
        sides = [{str(library.record(name).number) for name in side} for side in (fitted, predicted)]
        segments = stored_segments(library, build, told=told)
    rest = sides[1] or {drive.drive_id for drive in segments} - sides[0]
    if both := sorted(sides[0] & rest):
        raise UsageError(f"drive {', '.join(both)} is fitted and predicted", "Name each drive once")
    chosen = [[drive for drive in segments if drive.drive_id in side] for side in (sides[0], rest)]
    return predict_others(prior_of(build), chosen[0], chosen[1], folder.measurements(), build, told=told)


def effect_in_build(
    folder: BuildFolder, before: Sequence[str], after: Sequence[str], *, told: Told | None = None
) -> ModificationEffect:
    """Tell whether drives after a change differ from those before it by more than noise.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    before, after : sequence of str
        Numbers or ids of drives.
    told : callable, optional
        Given words on what is being done.

    Raises
    ------
    UsageError, NotEnoughDataError, DriveLibraryError
        If a drive does not exist, is on both sides, or cannot carry the comparison.
    """
    build = folder.settings()
    with DriveLibrary.open(folder.library, create=True) as library:
        sides = [[library.record(name).number for name in side] for side in (before, after)]
        segments = stored_segments(library, build, told=told, drives=tuple({*sides[0], *sides[1]}))
    numbers = [[str(number) for number in side] for side in sides]
    return effect_of_change(build, segments, numbers[0], numbers[1], folder.measurements())


def _usable_segments(library: DriveLibrary, folder: BuildFolder, told: Told | None) -> tuple[DriveSegments, ...]:
    segments = stored_segments(library, folder.settings(), told=told)
    if not segments:
        raise NotEnoughDataError("no drive has been imported", "Import one with: logan import LOG")
    if all(drive.refusal for drive in segments):
        reasons = "; ".join(f"drive {drive.drive_id}: {drive.refusal}" for drive in segments)
        raise NotEnoughDataError(f"no drive can carry a fit ({reasons})", "Log the missing channels and drive again")
    return segments
