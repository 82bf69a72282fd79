"""From a build's drives to its refined range: fit, prediction, effects, differences, and what to do next."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np

from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.repository import EVERY_DRIVE, DriveLibrary
from logan.driving_range.coverage import Calibration, predict_others
from logan.driving_range.difference import DriveDifference, explain_difference, side_of
from logan.driving_range.scenarios import air_note
from logan.driving_range.sensitivity import Standpoint
from logan.driving_range.usable_energy import GaugedDrive, usable_evidence
from logan.errors import NotEnoughDataError, UsageError
from logan.instruments.posterior import Instruments
from logan.model.effect import ModificationEffect, drives_to_see as drives_to_see, modification_effect
from logan.model.fit_result import FitResult
from logan.model.fitted_build import basis_of_fit
from logan.model.measurement import Measurement
from logan.model.next_test import NextTests as NextTests
from logan.model.priors import prior_of
from logan.model.segments_table import DriveSegments
from logan.model.sensor_errors import with_sensor_errors
from logan.pipeline.builds import BuildFolder, settings_stamp
from logan.pipeline.fit import Comparison, FitReport, kept_fit, with_plan
from logan.pipeline.plan import Plan
from logan.pipeline.plan_files import frozen_plans
from logan.pipeline.predict import (
    NO_FROZEN_PLAN,
    RefinedRange,
    next_tests,
    plan_of_build,
    recorded_drives,
    refine_range,
    with_scenario,
)
from logan.pipeline.stored import (
    StoredDrive,
    admission_notes,
    build_instruments,
    calibrated,
    drive_label,
    drive_remarks,
    load_corrected,
    stored_drives,
    stored_segments,
    without_words,
)
from logan.results import Told, json_ready, result, result_from_json, schema_of, silent
from logan.settings import BuildSettings
from logan.version import science_edition

_ANSWER: Final = "answer"
ANSWER_SEED: Final = 1
"""Of the samples of the answer that is kept, so that every face shows the same."""


@result("refinement/1", eq=False)
class Refinement:
    """The answer: what the drives make of a plan. Commands, page, report and customer sheet show this one.

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

    plan: Plan
    fit: FitReport
    range: RefinedRange
    next_tests: NextTests
    notes: tuple[str, ...] = ()


def refine_build(
    folder: BuildFolder,
    rng: np.random.Generator,
    *,
    told: Told = silent,
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
        segments = _usable_segments(library, build, told)
        fit = fit_with_sensors(library, build, segments, folder.measurements(), told=told)
        fit = replace(fit, fit=replace(fit.fit, drives=with_plan(fit.fit.drives, segments, plan, build)))
        recorded = recorded_drives(library)
        refined = refine_range(build, plan, fit.fit, rng, recorded_drive=recorded, calibration=fit.calibration)
        air = air_note(build, fit.fit.hull.pressure_pa if fit.fit.hull else None)
        refined = replace(refined, notes=(*refined.notes, *admission_notes(library), *((air,) if air else ())))
    tests = next_tests(fit.fit, build, refined)
    notes = () if is_frozen else (NO_FROZEN_PLAN,)
    return Refinement(plan=plan, fit=fit, range=refined, next_tests=tests, notes=notes)


def answer_of(folder: BuildFolder, *, told: Told = silent) -> Refinement:
    """The answer of a build: the one kept with its library where nothing has changed, else a new one.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    told : callable, optional
        Given words on what is being done.

    Raises
    ------
    NotEnoughDataError
        If no drive can carry a fit; the reasons are named.
    """
    kept = kept_answer(folder)
    if kept is not None:
        return kept
    before = _as_written(folder)
    found = refine_build(folder, np.random.default_rng(ANSWER_SEED), told=told)
    with DriveLibrary.open(folder.library) as library:
        fingerprint = _fingerprint(library, folder)
        if _as_written(folder) != before:
            return found  # to what was asked, but not what a build that was changed meanwhile may keep
        library.set_analysis(EVERY_DRIVE, _ANSWER, fingerprint, json_ready(found))
    return _remembered(fingerprint, found)


def _as_written(folder: BuildFolder) -> tuple[object, ...]:
    """Settings, plans, drives and what is noted of them, words aside, as they stand at this moment."""
    with DriveLibrary.open(folder.library, create=True) as library:
        drives = [(one.id, without_words(one.conditions)) for one in library.drives()]
    return settings_stamp(folder), frozen_plans(folder.plans), drives


def learned_fit(folder: BuildFolder, *, told: Told = silent) -> FitResult | None:
    """The fit of a build's answer; None where no drive can carry one."""
    with suppress(NotEnoughDataError):
        return answer_of(folder, told=told).fit.fit
    return None


def answer_with(folder: BuildFolder, scenario: dict[str, object]) -> Refinement:
    """The build's answer with one more scenario, predicted from its own plan and fit: nothing is fitted again.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    scenario : dict
        Keys of a ``[[scenario]]`` table.
    """
    found, build = answer_of(folder), with_scenario(scenario, folder.path, folder.settings())
    asked = build.scenarios[-1]
    target = [one for one in build.scenarios[:-1] if one.name == found.range.refined.target_scenario]
    with DriveLibrary.open(folder.library) as library:
        added = refine_range(
            replace(build, scenarios=(*target, asked)),
            found.plan,
            found.fit.fit,
            np.random.default_rng(ANSWER_SEED),
            recorded_drive=recorded_drives(library),
        )
    whole = found.range
    planned, refined = (
        replace(before, scenarios=(*before.scenarios, after.scenario(asked.name)))
        for before, after in ((whole.planned, added.planned), (whole.refined, added.refined))
    )
    attributions = (*whole.attributions, added.attribution(asked.name))
    notes = (*whole.notes, *(note for note in added.notes if note.startswith(f"{asked.name}: ")))
    return replace(
        found, range=replace(whole, planned=planned, refined=refined, attributions=attributions, notes=notes)
    )


_LAST: Final[dict[str, Refinement]] = {}
"""The answer asked for last, by its fingerprint: a slider of the page asks often, and reading takes a while."""


def _remembered(fingerprint: str, found: Refinement) -> Refinement:
    _LAST.clear()
    _LAST[fingerprint] = found
    return found


def kept_answer(folder: BuildFolder) -> Refinement | None:
    """The answer that was kept with the library; None where there is none, or where it is out of date."""
    if not folder.library.is_dir():
        return None
    with DriveLibrary.open(folder.library) as library:
        fingerprint = _fingerprint(library, folder) if library.drives() else ""
        content = library.analysis(EVERY_DRIVE, _ANSWER, fingerprint)
    if content is None:
        return None
    try:
        return _LAST.get(fingerprint) or _remembered(fingerprint, result_from_json(Refinement, content))
    except (ValueError, KeyError, TypeError):
        return None  # written by an older logan


def _fingerprint(library: DriveLibrary, folder: BuildFolder) -> str:
    """Name of everything that the answer rests on: settings, measurements, plan, drives and what was noted of them."""
    plans, sound = frozen_plans(folder.plans), [one for one in library.drives() if not one.damage]
    return settings_fingerprint(
        science_edition(),
        schema_of(Refinement),
        # Not where they lie: a build that was moved, or named from another folder, is the same.
        replace(calibrated(library, folder.settings()), dbc_paths=(), dbc_by_bus={}),
        folder.measurements(),
        sha256(plans[-1].read_bytes()).hexdigest() if plans else "",
        [(one.id, without_words(one.conditions), one.part_in_fit, one.summary.admission) for one in sound],
    )


def fit_with_sensors(
    library: DriveLibrary,
    build: BuildSettings,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement] = (),
    *,
    told: Told = silent,
) -> FitReport:
    """Fit a build's drives, and bring in what their sensors may all have shown wrong alike.

    Parameters
    ----------
    library : DriveLibrary
        Where the drives are.
    build : BuildSettings
        The build; its planning values and its sensors' are the prior.
    drives : sequence of DriveSegments
        Reduced drives; refused ones are listed and take no part.
    measurements : sequence of Measurement
        Of the vehicle.
    told : callable, optional
        Given words on what is being done.

    Returns
    -------
    FitReport
        Its posterior is as wide as the sensors allow.
    """
    report = kept_fit(library, build, drives, measurements, told=told)
    return replace(report, fit=with_sensor_errors(report.fit, sensors_of(library, build), build))


def sensors_of(library: DriveLibrary, build: BuildSettings) -> Instruments:
    """What all that a build has says of its sensors and its usable energy together."""
    drives = [_gauged(library, one) for one in stored_drives(library, build) if not one.record.is_excluded]
    more = usable_evidence(drives, build)
    return build_instruments(library, build, more)


def _gauged(library: DriveLibrary, stored: StoredDrive) -> GaugedDrive:
    cells = library.load(stored.record.id, ["pack_temperature"]).known("pack_temperature")
    cells_degc = None if cells is None else float(np.nanmean(cells.value))
    return GaugedDrive(
        analysis=stored.analysis, cell_temperature_degc=cells_degc, source=f"drive {stored.record.number}"
    )


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


def fit_build(folder: BuildFolder, *, told: Told = silent) -> BuildFit:
    """Fit a build's drives, and rank what would help most next.

    Raises
    ------
    NotEnoughDataError
        If no drive has been imported, or none can carry a fit; the reasons are named.
    """
    answer = answer_of(folder, told=told)
    return BuildFit(report=answer.fit, next_tests=answer.next_tests)


def compare_build(
    folder: BuildFolder, rng: np.random.Generator, *, plan_path: Path | None = None, told: Told = silent
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
        segments = _usable_segments(library, build, told)
        report = kept_fit(library, build, segments, folder.measurements(), told=told)
        remarks = drive_remarks(library)
    return Comparison(
        drives=with_plan(report.fit.drives, segments, plan, build),
        calibration=report.calibration,
        plan_created_at=plan.created_at,
        notes=(*(() if is_frozen else (NO_FROZEN_PLAN,)), *remarks),
    )


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
    learned = learned_fit(folder)
    known = Standpoint.of_plan(build) if learned is None else Standpoint.of_fit(build, learned)
    build = known.seen_in(build)
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
        known.parameters,
        build,
        np.random.default_rng(0),
        others=known.others,
        between_drive_sigma=0.0 if learned is None else learned.between_drive_sigma_ratio,
    )
    return found if learned is None else replace(found, basis=basis_of_fit(learned))


def predict_in_build(
    folder: BuildFolder, fitted: Sequence[str], predicted: Sequence[str], *, told: Told = silent
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
    folder: BuildFolder, before: Sequence[str], after: Sequence[str], *, told: Told = silent
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
    known = {int(drive.drive_id): drive for drive in segments}
    for number in (*sides[0], *sides[1]):
        if number not in known:
            raise UsageError(f"there is no usable drive {number}", f"Drives: {', '.join(map(str, known)) or 'none'}")
    if both := sorted(map(str, {*sides[0]} & {*sides[1]})):
        raise UsageError(f"drive {', '.join(both)} is named on both sides", "Name each drive once")
    chosen = [[known[number] for number in dict.fromkeys(side)] for side in sides]
    return modification_effect(prior_of(build), chosen[0], chosen[1], folder.measurements(), build)


def _usable_segments(library: DriveLibrary, build: BuildSettings, told: Told) -> tuple[DriveSegments, ...]:
    segments = stored_segments(library, build, told=told)
    if not segments:
        raise NotEnoughDataError("no drive has been imported", "Import one with: logan import LOG")
    if all(drive.refusal for drive in segments):
        reasons = "; ".join(f"drive {drive.drive_id}: {drive.refusal}" for drive in segments)
        raise NotEnoughDataError(f"no drive can carry a fit ({reasons})", "Log the missing channels and drive again")
    return segments
