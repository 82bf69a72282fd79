"""Everything that one drive says."""

from __future__ import annotations

from collections.abc import Mapping

from logan.admission.admit import admit, admitted
from logan.analysis import METRICS, DriveAnalysis
from logan.drive.drive import Drive
from logan.metrics.heating_circuit import limits_that_apply
from logan.metrics.metric import Asked
from logan.quality import find_flags
from logan.quality.grades import MetricGrade, grade_metrics
from logan.results import DataFlag, Severity, result
from logan.settings import AnalysisSettings, BuildSettings


@result("drive-quality/1")
class DriveQuality:
    """What was found in a drive's data, and how far each metric can be believed.

    Parameters
    ----------
    flags : tuple of DataFlag
        Gravest first; those found while importing among them.
    grades : mapping of str to MetricGrade
        By metric.
    """

    flags: tuple[DataFlag, ...]
    grades: Mapping[str, MetricGrade]

    @property
    def refused(self) -> Mapping[str, MetricGrade]:
        """Metrics that must not be shown, with their reasons."""
        return {metric: grade for metric, grade in self.grades.items() if grade.is_refused}


_GRAVITY = {Severity.RED: 0, Severity.AMBER: 1, Severity.NOTE: 2}


def check_drive(
    drive: Drive,
    build: BuildSettings,
    *,
    import_flags: tuple[DataFlag, ...] = (),
    analysis: AnalysisSettings | None = None,
    coverage_ratios: Mapping[str, float] | None = None,
) -> DriveQuality:
    """Check a drive's data; nothing is repaired.

    Parameters
    ----------
    drive : Drive
        The drive, as stored.
    build : BuildSettings
        What the user says about the vehicle.
    import_flags : tuple of DataFlag
        What was found in the raw signals when the log was imported.
    analysis : AnalysisSettings, optional
        For the coverage below which a metric is refused.
    coverage_ratios : mapping of str to float, optional
        Coverage of single metrics where the caller has it.

    Returns
    -------
    DriveQuality
        Findings and grades.
    """
    flags = (*import_flags, *find_flags(drive, build))
    ordered = tuple(sorted(flags, key=lambda flag: _GRAVITY[flag.severity]))
    settings = analysis or AnalysisSettings()
    grades = grade_metrics(
        drive, ordered, coverage_ratios=coverage_ratios, min_coverage_ratio=settings.min_coverage_ratio
    )
    return DriveQuality(flags=ordered, grades=grades)


__all__ = ["DriveAnalysis", "DriveQuality", "analyse_drive", "check_drive"]


def analyse_drive(
    drive: Drive,
    build: BuildSettings,
    settings: AnalysisSettings | None = None,
    *,
    import_flags: tuple[DataFlag, ...] = (),
) -> DriveAnalysis:
    """Analyse one drive: its flags, what it may be used for, and every registered metric.

    Nothing is repaired here: what the data forbid is refused in the detectors' own words.

    Parameters
    ----------
    drive : Drive
        Channels in SI, corrected as its history says.
    build : BuildSettings
        The vehicle, with planned or fitted parameters, and its limit sheet.
    settings : AnalysisSettings, optional
        Least coverage.
    import_flags : tuple of DataFlag
        What was found in the raw signals when the log was imported.

    Returns
    -------
    DriveAnalysis
        Ready for pages, tables, JSON and the library.
    """
    settings = settings or AnalysisSettings()
    quality = check_drive(drive, build, import_flags=import_flags, analysis=settings)
    admission = admit(drive, quality.flags, quality.grades)
    logged, drive = drive, admitted(drive, admission)
    build, left_out = limits_that_apply(drive, build)
    asked = Asked(drive=drive, logged=logged, build=build, settings=settings, admission=admission, notes=left_out)
    for metric in METRICS:
        asked.results[metric.name] = metric.compute(asked)
    return DriveAnalysis(flags=quality.flags, grades=quality.grades, admission=admission, results=asked.results)
