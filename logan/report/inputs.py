"""What the report is told: finished results only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from logan.analysis import DriveAnalysis
from logan.drive.clock_alignment import ClockAlignment
from logan.drive.drive import Drive
from logan.driving_range.attribution import Attribution
from logan.driving_range.consumption_curve import ConsumptionCurve
from logan.driving_range.coverage import Calibration
from logan.driving_range.performance import GearingSheet
from logan.driving_range.prediction import RangePrediction
from logan.driving_range.sizing import PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.driving_range.usable_energy import UsableEnergy
from logan.model.fit_result import FitResult
from logan.model.next_test import NextTests
from logan.results import result
from logan.settings import BuildSettings
from logan.units import DisplayUnits


@dataclass(frozen=True, slots=True, kw_only=True)
class AssumptionRow:
    """One planning value with its uncertainty and its source."""

    name: str
    unit: str
    value: float
    sigma: float
    source: str
    typed: str = ""


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
    planned_at: str
    assumptions: tuple[AssumptionRow, ...]
    fitted: FitInputs | None
    no_fit_because: str
    drives: tuple[DriveInputs, ...]
    provenance: tuple[tuple[str, str], ...]
    made_on: str = ""
    certificate: Mapping[str, str] = field(default_factory=dict)
    evidence_hash: str = ""
