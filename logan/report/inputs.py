"""What a report is made of: the blocks of its document, and the finished results that it shows."""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final, Literal, TypeAlias, TypeVar

from logan.analysis import DriveAnalysis
from logan.drive.clock_alignment import ClockAlignment
from logan.drive.drive import Drive
from logan.driving_range.attribution import Attribution
from logan.driving_range.consumption_curve import ConsumptionCurve
from logan.driving_range.coverage import Calibration
from logan.driving_range.other_values import Assumption
from logan.driving_range.performance import GearingSheet
from logan.driving_range.prediction import RangePrediction
from logan.driving_range.sizing import PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.driving_range.usable_energy import UsableEnergy
from logan.heat.road import RoadHeat
from logan.model.fit_result import FitResult
from logan.model.next_test import NextTests
from logan.report.figure import Figure
from logan.results import result
from logan.settings import BuildSettings
from logan.units import DisplayUnits

_NUMBER: Final = re.compile(r"[<>+−±-]?\s?\d[^A-Za-z]*(?:\S{1,6}(?:\s\S{1,4})*)?$")

Tone: TypeAlias = Literal["plain", "good", "amber", "red", "grey"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The answer in a word or two, readable at arm's length, and what it rests on."""

    answer: str
    because: str
    tone: Tone


@dataclass(frozen=True, slots=True, kw_only=True)
class TableBlock:
    """A table; every cell is text and is escaped.

    Parameters
    ----------
    headings : tuple of str
        With units.
    rows : tuple of tuple of str
        As many cells as headings.
    caption : str
        What it shows.
    explanations : tuple of str
        Definition of each heading, shown on hover and read by screen readers; may be shorter.
    tones : tuple of str
        Tone of each row; may be shorter.
    is_long : bool
        Folded away on screen, whole in print.
    is_form : bool
        Rows of a name and what is said of it, without headings.
    """

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    explanations: tuple[str, ...] = ()
    tones: tuple[Tone, ...] = ()
    is_long: bool = False
    is_form: bool = False

    def is_wordy(self, column: int) -> bool:
        """Whether a column holds words, which are set from the left, rather than numbers."""
        cells = [row[column] for row in self.rows if row[column] not in ("", "–", "refused", "no limit given")]
        return column == 0 or any(_NUMBER.match(cell) is None for cell in cells) or not cells


Row = TypeVar("Row")


def table(
    rows: Iterable[Row],
    *columns: tuple[str, Callable[[Row], str]],
    caption: str = "",
    tone: Callable[[Row], Tone] = lambda row: "plain",
    meaning: Mapping[str, str] = MappingProxyType({}),
    is_long: bool = False,
) -> list[TableBlock]:
    """A table described by its columns; none where there is no row. Terminal, page and report show the same one.

    Parameters
    ----------
    rows : iterable
        What each row tells of.
    *columns : (str, callable)
        Heading with its unit, and the cell's text of a row; a column without heading is left out.
    caption : str
        What it shows.
    tone : callable
        Tone of a row.
    meaning : mapping
        Definition of headings.
    is_long : bool
        Folded away on screen.
    """
    rows = tuple(rows)
    if not rows:
        return []
    shown = [(heading, cell) for heading, cell in columns if heading]
    return [
        TableBlock(
            headings=tuple(heading for heading, _ in shown),
            rows=tuple(tuple(cell(row) for _, cell in shown) for row in rows),
            tones=tuple(map(tone, rows)),
            caption=caption,
            explanations=tuple(meaning.get(heading, "") for heading, _ in shown) if meaning else (),
            is_long=is_long,
        )
    ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FigureBlock:
    """A figure, whose finding is its caption, and what its terms mean."""

    figure: Figure
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Plain words; a tone other than plain is set off as a notice."""

    lines: tuple[str, ...]
    tone: Tone = "plain"
    title: str = ""


Block: TypeAlias = Verdict | TableBlock | FigureBlock | Words


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """One part of a report.

    Parameters
    ----------
    anchor, title : str
        Unique on its page.
    blocks : tuple of Block
        In the order read.
    length : int
        1 stands on the one page, 2 in the argument, 3 in the appendix, which is folded and printed only where asked.
    """

    anchor: str
    title: str
    blocks: tuple[Block, ...] = field(default=())
    length: int = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Document:
    """A whole report.

    Parameters
    ----------
    title, subtitle : str
        Of the page.
    paper, kind : str
        Size that it is printed on; "report" or "certificate".
    sections : tuple of Section
        The answer first.
    provenance : tuple of (str, str)
        Version, hashes and settings, so that every figure can be reproduced.
    """

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    paper: str = "letter"
    kind: str = "report"
    provenance: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveInputs:
    """One drive: what was measured, and what was made of it.

    Parameters
    ----------
    label : str
        How it is called in tables and figures.
    drive : Drive or None
        Channels, for the drives whose timeline is drawn.
    analysis : DriveAnalysis
        Its metrics, also as attributes of their names.
    clock : tuple of (str, str, ClockAlignment) or None
        Two channels that two loggers have in common, and how well their clocks agree after alignment.
    """

    label: str
    number: int
    drive_id: str
    drive: Drive | None
    analysis: DriveAnalysis
    clock: tuple[str, str, ClockAlignment] | None = None

    def __getattr__(self, name: str) -> Any:
        """What the analysis says, by the metric's name."""
        if name.startswith("_") or name == "analysis":
            raise AttributeError(name)
        return getattr(self.analysis, name)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitInputs:
    """What the drives taught."""

    fit: FitResult
    calibration: Calibration
    next_tests: NextTests | None
    attribution: Attribution
    refined: RangePrediction
    sizing: PackSizing
    curve: ConsumptionCurve
    usable: UsableEnergy | None = None


@result("report/1", eq=False)
class ReportInputs:
    """Everything that a report shows.

    Parameters
    ----------
    plan, plan_sizing, plan_curve, gearing
        From the frozen plan; ``planned_at`` says when.
    budget : UncertaintyBudget or None
        Of the fit, or the plan's; a plan of an earlier version has none.
    fitted : FitInputs or None
        None before there is a fit; ``no_fit_because`` says why.
    drives : tuple of DriveInputs
        In the order of their numbers.
    provenance : tuple of (str, str)
        Version, hashes of logs, DBCs and settings.
    made_on : str
        Local date.
    certificate : mapping of str to str
        ``[certificate]`` of the settings, as the builder entered it.
    evidence_hash : str
        SHA-256 over ``provenance``.
    """

    build: BuildSettings
    units: DisplayUnits
    plan: RangePrediction
    plan_sizing: PackSizing
    budget: UncertaintyBudget | None
    plan_curve: ConsumptionCurve
    gearing: GearingSheet
    roads: tuple[RoadHeat, ...]
    planned_at: str
    assumptions: tuple[Assumption, ...]
    fitted: FitInputs | None
    no_fit_because: str
    drives: tuple[DriveInputs, ...]
    provenance: tuple[tuple[str, str], ...]
    made_on: str = ""
    certificate: Mapping[str, str] = field(default_factory=dict)
    evidence_hash: str = ""
