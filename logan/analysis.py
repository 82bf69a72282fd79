"""Everything that one drive says: the registered metrics, and the bundle of their results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from logan.admission.admission import Admission
from logan.admission.admit import admit, admitted
from logan.drive.drive import Drive
from logan.ledger.ledger import EnergyLedger
from logan.ledger.reckon import energy_ledger
from logan.metrics import calibration, coastdowns, current, derating, energy, limits, pack, regen, resistance, thermal
from logan.metrics.metric import Asked, Metric
from logan.metrics.thermal import limits_that_apply
from logan.quality import find_flags
from logan.quality.grades import MetricGrade, grade_metrics
from logan.results import DataFlag, Figure, JsonValue, Severity, json_ready, result, result_from_json
from logan.settings import AnalysisSettings, BuildSettings

_LEDGER: Final = Metric(
    "ledger",
    EnergyLedger,
    lambda asked: energy_ledger(asked.drive, asked.build, asked.settings, refusals=asked.refusals),
    lambda found: {"ledger_residual_wh": found.residual_wh},
    {"ledger_residual": "consumption"},
)
METRICS: Final[tuple[Metric, ...]] = (
    energy.METRIC,
    _LEDGER,
    regen.METRIC,
    current.METRIC,
    resistance.METRIC,
    thermal.METRIC,
    derating.METRIC,
    pack.METRIC,
    calibration.METRIC,
    coastdowns.METRIC,
    limits.METRIC,
)
"""In the order of computing: each sees the results of those before it. A new one is a line here."""


@result("drive-analysis/2", eq=False)
class DriveAnalysis:
    """Everything that one drive says: one result per registered metric, each an attribute by the metric's name.

    Parameters
    ----------
    flags : tuple of DataFlag
        Findings in the data, gravest first.
    grades : mapping of str to MetricGrade
        How far each metric can be believed.
    admission : Admission
        What the drive may be used for.
    results : mapping of str to result
        By metric.
    """

    flags: tuple[DataFlag, ...]
    results: Mapping[str, Any]
    admission: Admission
    grades: Mapping[str, MetricGrade]

    def __getattr__(self, name: str) -> Any:
        """The result of a metric."""
        if not name.startswith("_") and name != "results" and name in self.results:
            return self.results[name]
        raise AttributeError(name)

    def with_results(self, **results: Any) -> DriveAnalysis:
        """The same with some results replaced."""
        return replace(self, results={**self.results, **results})

    def figures(self) -> dict[str, Figure]:
        """The figures by which drives are listed, compared and followed over time, by names with their units.

        Figures that the drive has no channel for are left out.
        """
        refusals = self.admission.refusals
        return {
            name: figure
            for metric in METRICS
            for name, figure in metric.figures_of(self.results[metric.name], refusals).items()
        }

    def json_fields(self) -> dict[str, JsonValue]:
        """JSON form: each metric's result under its name."""
        flags, *rest = (json_ready(value) for value in (self.flags, self.admission, self.grades))
        results = {name: json_ready(found) for name, found in self.results.items()}
        return {"flags": flags, **results, "admission": rest[0], "grades": rest[1]}

    @classmethod
    def from_json_fields(cls, content: Mapping[str, JsonValue]) -> DriveAnalysis:
        """The inverse of ``json_fields``.

        Raises
        ------
        ValueError
            If the content does not match the registry of today.
        """
        if missing := [metric.name for metric in METRICS if metric.name not in content]:
            raise ValueError(f"no {missing[0]}")
        parts = result_from_json(_Parts, {name: content[name] for name in ("flags", "admission", "grades")})
        results: dict[str, Any] = {one.name: result_from_json(one.kind, content[one.name]) for one in METRICS}
        return cls(flags=parts.flags, admission=parts.admission, grades=parts.grades, results=results)


@result()
class _Parts:
    flags: tuple[DataFlag, ...]
    admission: Admission
    grades: Mapping[str, MetricGrade]


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


_GRAVITY = {Severity.RED: 0, Severity.AMBER: 1, Severity.NOTE: 2}


def check_drive(
    drive: Drive,
    build: BuildSettings,
    *,
    import_flags: tuple[DataFlag, ...] = (),
    analysis: AnalysisSettings | None = None,
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

    Returns
    -------
    DriveQuality
        Findings and grades.
    """
    flags = (*import_flags, *find_flags(drive, build))
    ordered = tuple(sorted(flags, key=lambda flag: _GRAVITY[flag.severity]))
    settings = analysis or AnalysisSettings()
    grades = grade_metrics(drive, ordered, min_coverage_ratio=settings.min_coverage_ratio)
    return DriveQuality(flags=ordered, grades=grades)


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
