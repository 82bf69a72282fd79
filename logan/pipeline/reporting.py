"""Gather finished results for a report, and write it."""

import hashlib
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import ClassVar, Final

import numpy as np

from logan.drive.clock_alignment import ClockAlignment, align_clocks
from logan.drive.drive import Drive
from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.durable import write_durably
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.driving_range.consumption_curve import consumption_curve
from logan.errors import LoganError, NotEnoughDataError, UsageError, in_our_words
from logan.pipeline.builds import BuildFolder
from logan.pipeline.heat import learned_heat, usual_roads
from logan.pipeline.plan import Plan, make_gearing_sheet
from logan.pipeline.predict import plan_of_build
from logan.pipeline.refine import Refinement, answer_of, kept_answer
from logan.pipeline.stored import StoredDrive, load_corrected, stored_drives
from logan.report.build_report import build_document, drive_document
from logan.report.inputs import Document, DriveInputs, FitInputs, ReportInputs
from logan.report.page import render_page, report_policy
from logan.report.sections.certificate import certificate_document
from logan.settings import BuildSettings
from logan.units import DisplayUnits
from logan.version import VERSION

MOST_BY_FIT: Final = 100
MOST_TIMELINES: Final = 4
"""Timelines in a build's report, so that the file stays small; a drive's own report has its own."""

SHARED_QUANTITIES: Final = (
    ("speed", "gnss_speed"),
    ("speed", "wheel_speed"),
    ("speed", "motor_speed"),
    ("gnss_speed", "wheel_speed"),
    ("gnss_speed", "motor_speed"),
    ("pack_voltage", "inverter_voltage"),
    ("pack_current", "inverter_current"),
)
"""What two loggers of one drive may both have recorded."""
LONGEST_LAG_S: Final = 300.0


class ReportKind:
    """Names of the reports."""

    BUILD: ClassVar[str] = "build"
    DRIVE: ClassVar[str] = "drive"
    CERTIFICATE: ClassVar[str] = "certificate"


def gather_report(
    folder: BuildFolder,
    *,
    units: DisplayUnits | None = None,
    drive: str | None = None,
    refinement: Refinement | None = None,
    with_timelines: bool = True,
    rng: np.random.Generator | None = None,
) -> ReportInputs:
    """Collect everything that a report shows.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    units : DisplayUnits, optional
        The build's own where left out.
    drive : str, optional
        One drive only, by number or id.
    refinement : Refinement, optional
        Where it was worked out already.
    with_timelines : bool
        Load channels for the drives whose timeline is drawn.
    rng : numpy.random.Generator, optional
        Source of the samples.

    Returns
    -------
    ReportInputs
        For ``logan.report``, and for JSON.
    """
    rng = rng or np.random.default_rng(1)
    build = folder.settings()
    plan = refinement.plan if refinement is not None else plan_of_build(folder, build, rng)[0]
    no_fit_because = ""
    if refinement is None and drive is None:
        try:
            refinement = answer_of(folder)
        except NotEnoughDataError as error:
            no_fit_because = f"{error.problem}. {error.remedy}"
    elif drive is not None:
        no_fit_because = "this report is about one drive"
    known = refinement or kept_answer(folder)
    with DriveLibrary.open(folder.library, create=True) as library:
        chosen = None if drive is None else library.record(drive).number
        # Where there are very many drives, each one's own ledger stays by plan, and says so.
        fit = known.fit.fit if known is not None and len(library.drives()) <= MOST_BY_FIT else None
        stored = [item for item in stored_drives(library, build, fit=fit) if chosen in (None, item.record.number)]
        shown = {item.record.number for item in _with_timeline(stored)} if with_timelines else set()
        drives = tuple(_drive_inputs(library, item, build, is_drawn=item.record.number in shown) for item in stored)
        heat = None if refinement is None else learned_heat(library, build, refinement.fit.fit)
        provenance = _provenance(library, folder, build, plan, [item.record for item in stored])
    roads = () if refinement is None or heat is None else usual_roads(folder, refinement.fit.fit, heat, rng)
    return ReportInputs(
        build=build,
        units=units or build.display,
        plan=plan.prediction,
        plan_sizing=plan.sizing,
        budget=plan.budget if refinement is None else refinement.range.budget,
        plan_curve=consumption_curve(plan.parameters, build, rng=rng),
        gearing=plan.gearing if refinement is None else make_gearing_sheet(build, refinement.fit.fit, heat=heat),
        roads=roads,
        planned_at=plan.created_at,
        assumptions=plan.assumptions,
        fitted=None if refinement is None else _fit_inputs(refinement, build, rng),
        no_fit_because=no_fit_because,
        drives=drives,
        provenance=provenance,
        made_on=f"{datetime.now().astimezone():%Y-%m-%d}",
        certificate=folder.certificate(),
        evidence_hash=hashlib.sha256("\n".join(f"{name}: {value}" for name, value in provenance).encode()).hexdigest(),
    )


def _with_timeline(stored: list[StoredDrive]) -> list[StoredDrive]:
    """The longest drives, and those with a red event, are drawn."""
    ranked = sorted(
        stored,
        key=lambda item: (-len(item.analysis.limits.events), -item.record.duration_s),
    )
    return ranked[:MOST_TIMELINES]


def _drive_inputs(library: DriveLibrary, item: StoredDrive, build: BuildSettings, *, is_drawn: bool) -> DriveInputs:
    drive = load_corrected(library, item.record.number, build) if is_drawn else None
    return DriveInputs(
        label=item.label,
        number=item.record.number,
        drive_id=str(item.record.number),
        drive=drive,
        clock=None if drive is None else clock_check(drive),
        analysis=item.analysis,
    )


def _fit_inputs(refinement: Refinement, build: BuildSettings, rng: np.random.Generator) -> FitInputs:
    report, refined = refinement.fit, refinement.range
    attribution = next(a for a in refined.attributions if a.scenario == build.target.scenario)
    return FitInputs(
        fit=report.fit,
        calibration=report.calibration,
        next_tests=refinement.next_tests,
        attribution=attribution,
        refined=refined.refined,
        sizing=refined.refined_sizing,
        curve=consumption_curve(report.fit.posterior, build, rng=rng, learned=report.fit.learned),
        usable=refined.refined_usable,
    )


def clock_check(drive: Drive) -> tuple[str, str, ClockAlignment] | None:
    """Check the clocks of a drive that two loggers recorded, by what both of them logged."""
    if not any(step.action in ("align_clock", "keep_clock") for step in drive.history):
        return None
    for first, second in SHARED_QUANTITIES:
        if first in drive and second in drive:
            found = align_clocks(drive[first], drive[second], max_lag_s=LONGEST_LAG_S)
            if isinstance(found, ClockAlignment):
                return first, second, found
    return None


def _provenance(
    library: DriveLibrary, folder: BuildFolder, build: BuildSettings, plan: Plan, records: Sequence[DriveRecord]
) -> tuple[tuple[str, str], ...]:
    """Everything that the figures can be made again from: version, settings, plan, logs, DBCs."""
    rows = [
        ("logan", VERSION),
        ("settings", settings_fingerprint(build)),
        *((path.name, f"sha256 {_sha256(path)}") for path in (folder.settings_file, folder.channels_file)),
        ("plan", f"{plan.created_at}, from settings {plan.build_fingerprint[:16]}"),
    ]
    for record in records:
        rows += [(f"drive {record.number}, log {source.name}", f"sha256 {source.sha256}") for source in record.sources]
    dbcs = {(dbc.name, dbc.sha256) for record in records for dbc in library.load(record.number, channels=()).dbcs}
    rows += [(f"DBC {name}", f"sha256 {digest}") for name, digest in sorted(dbcs)]
    return tuple(rows)


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "of no file: it is not there"


def document_of(inputs: ReportInputs, kind: str = ReportKind.BUILD) -> Document:
    """Lay out a report.

    Raises
    ------
    UsageError
        If there is no such kind.
    NotEnoughDataError
        If a certificate is asked for and no drive can carry a fit.
    """
    layouts = {
        ReportKind.BUILD: build_document,
        ReportKind.DRIVE: drive_document,
        ReportKind.CERTIFICATE: certificate_document,
    }
    if kind not in layouts:
        raise UsageError(f"there is no report of kind '{kind}'", f"Known: {', '.join(layouts)}")
    if kind == ReportKind.CERTIFICATE and inputs.fitted is None:
        raise NotEnoughDataError(
            f"no certificate: nothing has been validated by drives ({inputs.no_fit_because.rstrip('.')})",
            "Import drives that can carry a fit: logan import LOG",
        )
    return layouts[kind](inputs)


def write_report(inputs: ReportInputs, target: Path, kind: str = ReportKind.BUILD) -> Path:
    """Write a report whole, or leave what was there.

    Raises
    ------
    LoganError
        If the file cannot be written.
    """
    page = render_page(document_of(inputs, kind), inputs.units)
    with in_our_words(LoganError, "the report cannot be written: {}", "Make room or name another file", target):
        target.parent.mkdir(parents=True, exist_ok=True)
        write_durably(target, page.encode())
    return target


def write_build_report(
    folder: BuildFolder,
    target: Path,
    *,
    units: DisplayUnits | None = None,
    drive: str | None = None,
    kind: str = ReportKind.BUILD,
    refinement: Refinement | None = None,
    rng: np.random.Generator | None = None,
) -> Path:
    """Gather and write the report of a build, of one drive, or the certificate."""
    inputs = gather_report(
        folder, units=units, drive=drive, refinement=refinement, rng=rng, with_timelines=kind != ReportKind.CERTIFICATE
    )
    return write_report(inputs, target, ReportKind.DRIVE if drive is not None else kind)


def served_report_policy() -> str:
    """Content security policy under which a server hands out a report: a page without the server's rights."""
    return f"sandbox allow-scripts allow-popups; frame-ancestors 'none'; {report_policy()}"
