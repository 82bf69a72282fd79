"""What a metric is: a question asked of one drive, with everything that listing, trends, exports and tables need."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from logan.admission.admission import Admission
from logan.drive.drive import Drive
from logan.results import Figure, Refusal
from logan.settings import AnalysisSettings, BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """What a metric may look at.

    Parameters
    ----------
    drive, logged : Drive
        What may be used of the drive, and all of it.
    build : BuildSettings
        The vehicle, with the limits that apply to this drive.
    settings : AnalysisSettings
        Least coverage.
    admission : Admission
        What the drive may be used for.
    notes : tuple of str
        Limits that were left out, and why.
    results : dict of str to result
        Of the metrics computed so far, by name.
    """

    drive: Drive
    logged: Drive
    build: BuildSettings
    settings: AnalysisSettings
    admission: Admission
    notes: tuple[str, ...]
    results: dict[str, Any] = field(default_factory=dict)

    @property
    def refusals(self) -> Mapping[str, Refusal]:
        """Uses that the data forbid."""
        return self.admission.refusals


def _none(_: Any) -> Mapping[str, Figure]:
    return {}


@dataclass(frozen=True, slots=True)
class Metric:
    """One question to a drive; registered in ``logan.analysis.METRICS``.

    Parameters
    ----------
    name : str
        Of its result in an analysis.
    kind : type
        Of its result, a class under ``@result``.
    compute : callable
        Works it out; refuses with a reason what the data cannot carry.
    figures : callable
        The figures that drives are listed, compared and followed over time by: name with its SI unit to figure.
    uses : mapping of str to str
        Use of the drive that figures rest on which do not carry a refusal themselves, by how their names start.
    """

    name: str
    kind: type
    compute: Callable[[Asked], Any]
    figures: Callable[[Any], Mapping[str, Figure]] = _none
    uses: Mapping[str, str] = field(default_factory=dict)

    def figures_of(self, found: Any, refusals: Mapping[str, Refusal]) -> dict[str, Figure]:
        """The figures of a result; refused where the use that they rest on is."""
        figures = dict(self.figures(found))
        for name in figures:
            use = next((use for start, use in self.uses.items() if name.startswith(start)), "")
            figures[name] = refusals.get(use) or figures[name]
        return figures
