"""Everything that one drive says: the registered metrics, and the bundle of their results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from logan.admission.admission import Admission
from logan.ledger.ledger import EnergyLedger
from logan.ledger.reckon import energy_ledger
from logan.metrics import (
    calibration,
    coastdowns,
    current,
    derating,
    energy,
    limits,
    pack,
    regen,
    resistance,
    thermal,
)
from logan.metrics.metric import Metric
from logan.quality.grades import MetricGrade
from logan.results import DataFlag, Figure, JsonValue, json_ready, result, result_from_json

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
"""In the order in which they are worked out: each sees the results of those before it. A new one is a line here."""


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
            If the content is none of today's registry.
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
