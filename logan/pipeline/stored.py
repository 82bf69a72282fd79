"""Drives of a library with all their results, computed once and kept.

An analysis is stored with the fingerprint of the settings that it rests on; when those
change, only what they touch is done again. The model is loaded where a fit is asked for: an import needs none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace, replace as replace_fields
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from logan.admission.admit import admitted, trimmed
from logan.analysis import DriveAnalysis, analyse_drive
from logan.drive.drive import Drive, DriveConditions, Step
from logan.drive.mask import apply_corrections
from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.folder import drive_id_of
from logan.drive_library.records import DriveRecord, DriveSummary
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryError
from logan.instruments.drive_evidence import InstrumentEvidence, drive_evidence
from logan.instruments.posterior import Instruments, corrected, corrections, known_instruments
from logan.metrics.error_budget import unchecked_sigma_ratio
from logan.quality.between_drives import find_changes
from logan.quality.grades import worst_grade
from logan.results import (
    DataFlag,
    Estimate,
    Figure,
    Severity,
    StepWords,
    Told,
    json_ready,
    result,
    result_from_json,
    schema_of,
    silent,
)
from logan.settings import AnalysisSettings, BuildSettings
from logan.version import science_edition

if TYPE_CHECKING:
    from logan.drive_library.raw_file import RawFileWriter
    from logan.model.fit_result import FitResult
    from logan.model.segments_table import DriveSegments

_EVIDENCE: Final = "instrument-evidence"


def build_instruments(
    library: DriveLibrary, build: BuildSettings, more: Sequence[InstrumentEvidence] = ()
) -> Instruments:
    """What is known of a build's sensors once its own errors have been taken off the drives.

    Parameters
    ----------
    library : DriveLibrary
        Drives that are damaged, or take no part in the fit, say nothing.
    build : BuildSettings
        Priors, and what the user compared.
    more : sequence of InstrumentEvidence
        Of a drive that is not in the library yet.

    Returns
    -------
    Instruments
        Its mean is what is left in the drives as they are used.
    """
    found = [item for record in library.drives() if not record.takes_no_part for item in _evidence(library, record)]
    records = [record for record in library.drives() if not record.takes_no_part]
    known = known_instruments(_less_sure(build, records), (*found, *more))
    return known.without(corrections(known) if build.instruments.is_corrected else {})


def _less_sure(build: BuildSettings, records: Sequence[DriveRecord]) -> BuildSettings:
    """Widen the prior of a sensor that no channel of any drive checks, as the drives' own figures do."""
    logged = {name for record in records for name in record.channels}
    changed = {}
    for quantity in ("current", "speed") if records else ():
        name = f"{quantity}_gain_ratio"
        gain, more = getattr(build.instruments, name), unchecked_sigma_ratio(logged, build, quantity)
        changed[name] = replace(gain, sigma=float(np.hypot(gain.sigma, more)))
    return replace(build, instruments=replace(build.instruments, **changed))


def calibrated(library: DriveLibrary, build: BuildSettings, more: Sequence[InstrumentEvidence] = ()) -> BuildSettings:
    """Return the build with what is taken off its drives; unchanged where that was found out before."""
    if build.instruments.applied is not None:
        return build
    applied = build_instruments(library, build, more).applied
    return replace(build, instruments=replace(build.instruments, applied=dict(applied)))


def _evidence(library: DriveLibrary, record: DriveRecord) -> tuple[InstrumentEvidence, ...]:
    conditions = without_words(record.conditions)
    fingerprint = settings_fingerprint(science_edition(), schema_of(InstrumentEvidence), conditions)
    with suppress(DriveLibraryError):  # damaged within: the library has noted it by now, and it costs no other drive
        return library.kept(
            record.number,
            _EVIDENCE,
            fingerprint,
            lambda kept: tuple(result_from_json(InstrumentEvidence, item) for item in kept),
            lambda: drive_evidence(trimmed(apply_corrections(library.load(record.number))), f"drive {record.number}"),
        )
    return ()


_ANALYSIS: Final = "drive-analysis"
_BY_FIT: Final = "drive-analysis-by-fit"
_SEGMENTS: Final = "drive-segments"
_LISTED: Final = ("distance", "consumption", "regen", "peak_current", "temperatures")
"""Metrics that a drive's line in a list shows; its grade is the worst of theirs."""


@result("kept-analysis/1")
class KeptAnalysis:
    """What a drive says, and what was done to its data before it could say so."""

    analysis: DriveAnalysis
    history: tuple[Step, ...]


@result("stored-drive/1", eq=False)
class StoredDrive:
    """One drive of the library, with all its results."""

    record: DriveRecord
    analysis: DriveAnalysis
    history: tuple[Step, ...]

    @property
    def label(self) -> str:
        """How it is called in tables: its number, and its day where it is known."""
        return drive_label(self.record)


def drive_label(record: DriveRecord) -> str:
    """Number and day of a drive."""
    day = f" · {record.started:%Y-%m-%d}" if record.started else ""
    return f"{record.number}{day}"


def load_corrected(library: DriveLibrary, drive: int | str, build: BuildSettings) -> Drive:
    """Load a drive with its masks and corrections by hand, trimmed, and its sensors' known errors taken off."""
    build = calibrated(library, build)
    return corrected(trimmed(apply_corrections(library.load(drive))), build.instruments.applied or {})


def analysis_fingerprint(
    build: BuildSettings, conditions: DriveConditions, analysis: AnalysisSettings | None = None
) -> str:
    """Name of everything that an analysis rests on besides the samples."""
    grounds = _grounds(build, conditions)
    return settings_fingerprint(*grounds, build.limits, analysis or AnalysisSettings(), schema_of(DriveAnalysis))


def segments_fingerprint(build: BuildSettings, record: DriveRecord) -> str:
    """Name of everything that a drive's part in the fit rests on besides the samples."""
    from logan.model.segments_table import DriveSegments

    own = (schema_of(DriveSegments), record.summary.admission, record.conditions.included_because)
    return settings_fingerprint(*_grounds(build, record.conditions), *own)


def _grounds(build: BuildSettings, conditions: DriveConditions) -> tuple[object, ...]:
    """What all that is worked out of a drive rests on; nothing is taken off where no library was asked yet."""
    sensors = replace_fields(build.instruments, applied=build.instruments.applied or {})
    vehicle = (build.vehicle, build.powertrain, build.pack, build.auxiliary, sensors)
    return science_edition(), *vehicle, without_words(conditions)


def without_words(conditions: DriveConditions) -> DriveConditions:
    """Conditions without what changes no figure."""
    return replace_fields(conditions, tags=(), note="", change="", excluded_because="", included_because="", said={})


def store_analysed(
    library: DriveLibrary,
    drive: Drive,
    build: BuildSettings,
    *,
    analysis: AnalysisSettings | None = None,
    raw: RawFileWriter | None = None,
    keep_logs: Sequence[Path] = (),
    replace: bool = False,
) -> DriveRecord:
    """Analyse a drive and store it with what was found: it is in the library with its figures, or not at all.

    Parameters
    ----------
    library, drive, raw, keep_logs, replace
        As in ``DriveLibrary.add``.
    build, analysis
        Settings to analyse it with.
    """
    build = calibrated(library, build, drive_evidence(apply_corrections(drive), "this drive"))
    fingerprint = analysis_fingerprint(build, drive.conditions, analysis)
    kept = _analysed(drive, build, analysis)
    if changes := _changes_since(library, drive, kept.analysis):
        drive = replace_fields(drive, import_flags=(*drive.import_flags, *changes))
        kept = replace_fields(kept, analysis=replace_fields(kept.analysis, flags=(*kept.analysis.flags, *changes)))
    summary = replace_fields(summary_of(kept.analysis), fingerprint=fingerprint)
    record = library.add(drive, summary=summary, raw=raw, keep_logs=keep_logs, replace=replace)
    if record.conditions != drive.conditions:  # noted on the drive that this one replaces
        return analyse_stored(library, record, build, analysis=analysis)
    library.set_analysis(record.number, _ANALYSIS, fingerprint, json_ready(kept))
    return record


def _changes_since(library: DriveLibrary, drive: Drive, analysis: DriveAnalysis) -> tuple[DataFlag, ...]:
    """What makes a drive differ from those before it; nothing where the driver noted a change."""
    if drive.conditions.change:
        return ()
    own_id = drive_id_of(source.sha256 for source in drive.sources)
    before: list[tuple[str, Mapping[str, Figure]]] = []
    for record in library.drives():
        if record.id == own_id:
            break
        # A noted change starts a new vehicle to compare with.
        before = [] if record.conditions.change else before
        before.append((str(record.number), record.summary.metrics))
    return find_changes(analysis.figures(), before)


def analyse_stored(
    library: DriveLibrary, record: DriveRecord, build: BuildSettings, *, analysis: AnalysisSettings | None = None
) -> DriveRecord:
    """Analyse one drive, keep the analysis, and bring its line in the index up to date."""
    analysed = _stored_drive(library, record, calibrated(library, build), analysis).record
    if analysed.summary == record.summary or not library.is_writable:
        return analysed
    return library.set_summary(record.number, analysed.summary)


def _analysed(drive: Drive, build: BuildSettings, analysis: AnalysisSettings | None) -> KeptAnalysis:
    right = corrected(trimmed(apply_corrections(drive)), build.instruments.applied or {})
    done = analyse_drive(right, build, analysis, import_flags=right.import_flags)
    return KeptAnalysis(analysis=done, history=right.history)


def summary_of(analysis: DriveAnalysis) -> DriveSummary:
    """What the index keeps of an analysis: enough to list, sort and trend a thousand drives."""
    counts = {"note": 0, "amber": 0, "red": 0}
    for flag in analysis.flags:
        counts[flag.severity.value] += 1
    distance = analysis.energy.distance_m
    metrics = analysis.figures()
    found = [check.to(check.red) for check in analysis.limits.temperatures]
    margins = [margin for margin in found if isinstance(margin, Estimate)]
    if margins:
        metrics["least_red_margin_k"] = min(margins, key=lambda margin: margin.value)
    beyond = sum(event.times for event in analysis.limits.events if event.severity is not Severity.NOTE)
    metrics["limit_events"] = Estimate(float(beyond), "", None, "stretches beyond amber or red")
    return DriveSummary(
        distance_m=distance.value if isinstance(distance, Estimate) else None,
        grade=worst_grade(analysis.grades, _LISTED),
        flag_counts=counts,
        metrics=metrics,
        duration_s=analysis.energy.duration_s,
        admission=analysis.admission,
    )


def stored_drive(
    library: DriveLibrary,
    record: DriveRecord,
    build: BuildSettings,
    *,
    fit: FitResult | None = None,
) -> StoredDrive:
    """One drive with its analysis: the stored one where it still holds, else a new one.

    With a fit, ledger and regen are reckoned with the vehicle that the drives taught instead of the plan's.
    """
    build = calibrated(library, build)
    planned = _stored_drive(library, record, build)
    if planned.record.summary != record.summary and library.is_writable:
        # What was just worked out is shown, not what was kept: a reader does not depend on anybody's writing.
        with suppress(DriveLibraryError):
            planned = replace_fields(planned, record=library.set_summary(record.number, planned.record.summary))
    if fit is None or fit.drive_count == 0:
        return planned
    from logan.model.fitted_build import fitted_build

    found = _kept(library, record, fitted_build(build, fit), None, _BY_FIT)[0].analysis
    return replace_fields(planned, analysis=planned.analysis.with_results(ledger=found.ledger, regen=found.regen))


def _stored_drive(
    library: DriveLibrary, record: DriveRecord, build: BuildSettings, analysis: AnalysisSettings | None = None
) -> StoredDrive:
    kept, fingerprint = _kept(library, record, build, analysis, _ANALYSIS)
    if record.summary.fingerprint != fingerprint:
        summary = replace_fields(summary_of(kept.analysis), fingerprint=fingerprint)
        record = replace_fields(record, summary=summary)
    return StoredDrive(record=record, analysis=kept.analysis, history=kept.history)


def _kept(
    library: DriveLibrary, record: DriveRecord, build: BuildSettings, analysis: AnalysisSettings | None, key: str
) -> tuple[KeptAnalysis, str]:
    fingerprint = analysis_fingerprint(build, record.conditions, analysis)
    read, number = partial(result_from_json, KeptAnalysis), record.number
    made = library.kept(number, key, fingerprint, read, lambda: _analysed(library.load(number), build, analysis))
    return made, fingerprint


def stored_drives(
    library: DriveLibrary, build: BuildSettings, *, told: Told = silent, fit: FitResult | None = None
) -> Iterator[StoredDrive]:
    """Every undamaged drive with its analysis, by number."""
    build = calibrated(library, build)
    for record in library.drives():
        if record.damage:
            continue
        told(f"drive {record.number}")
        yield stored_drive(library, record, build, fit=fit)


def stored_segments(
    library: DriveLibrary, build: BuildSettings, *, told: Told = silent, drives: tuple[int, ...] | None = None
) -> tuple[DriveSegments, ...]:
    """What every undamaged, not excluded drive brings to the fit; worked out once a drive.

    A drive whose data keep it out is there with the reason as its refusal, unless the user
    takes it in all the same: then a warning says so.
    """
    segments = []
    build = calibrated(library, build)
    records = library.drives()
    for place, record in enumerate(records):
        if record.damage or record.is_excluded or (drives is not None and record.number not in drives):
            continue
        told(StepWords(f"reducing drive {record.number}", place, len(records)))
        if record.summary.fingerprint != analysis_fingerprint(build, record.conditions):
            record = analyse_stored(library, record, build)  # as the settings are now
        segments.append(_segments(library, record, build))
    return tuple(segments)


def admission_notes(library: DriveLibrary) -> tuple[str, ...]:
    """Which drives an answer does without, or rests on against their data, each with the reason."""
    return tuple(f"drive {record.number} is {words}" for record in library.drives() if (words := record.part_in_fit))


def drive_remarks(library: DriveLibrary) -> tuple[str, ...]:
    """What belongs beside the error of single drives: loads that nobody logged, energy from nowhere."""
    records = (record for record in library.drives() if not record.takes_no_part)
    return tuple(f"drive {one.number}: {words}" for one in records for words in one.summary.admission.remarks)


def admitted_segments(drive: Drive, record: DriveRecord, build: BuildSettings, *, drive_id: str) -> DriveSegments:
    """A drive's part in the fit, without what its admission keeps out; a refusal or warnings say so.

    Parameters
    ----------
    drive : Drive
        As corrected.
    record : DriveRecord
        Its line in the library, with its admission.
    build, drive_id
        As in ``segment_drive``.
    """
    from logan.model.balance import segment_drive

    segments = segment_drive(admitted(drive, record.summary.admission, "fit"), build, drive_id=drive_id)
    words = tuple(
        f"{sum(span.duration_s for span in entry.spans):.0f} s of it take no part: {entry.reason}"
        for entry in record.summary.admission.kept_out
        if entry.use == "fit" and entry.spans
    )
    if record.takes_no_part:
        return replace_fields(segments, refusal=segments.refusal or record.part_in_fit)
    words += (*((record.part_in_fit,) if record.part_in_fit else ()), *record.summary.admission.remarks)
    return replace_fields(segments, warnings=(*segments.warnings, *words))


def _segments(library: DriveLibrary, record: DriveRecord, build: BuildSettings) -> DriveSegments:
    from logan.model.segments_table import DriveSegments

    def made() -> DriveSegments:
        drive = load_corrected(library, record.number, build)
        return admitted_segments(drive, record, build, drive_id=str(record.number))

    fingerprint = segments_fingerprint(build, record)
    return library.kept(record.number, _SEGMENTS, fingerprint, DriveSegments.from_dict, made)
