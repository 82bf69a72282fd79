"""Everything that one drive says: the bundle that pages, tables and the library read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field

from logan.admission.admission import Admission
from logan.flags import DataFlag
from logan.ledger.ledger import EnergyLedger
from logan.metrics.calibration import CalibrationSummary
from logan.metrics.coastdowns import CoastdownSummary
from logan.metrics.current import CurrentSummary
from logan.metrics.derating import DeratingSummary
from logan.metrics.energy import EnergySummary
from logan.metrics.limits import LimitSummary
from logan.metrics.pack import PackSummary
from logan.metrics.regen import RegenSummary
from logan.metrics.resistance import ResistanceSummary
from logan.metrics.thermal import ThermalSummary
from logan.quality.grades import MetricGrade
from logan.results import result


@result("drive-analysis/2")
class DriveAnalysis:
    """Everything that one drive says; one result per question, each with its own schema.

    Parameters
    ----------
    flags : tuple of DataFlag
        Findings in the data, gravest first.
    grades : mapping of str to MetricGrade
        How far each metric can be believed.
    admission : Admission
        What the drive may be used for.
    energy, ledger, regen, current, resistance, thermal, derating, pack, calibration, coastdowns, limits
        The results.
    """

    flags: tuple[DataFlag, ...]
    energy: EnergySummary
    ledger: EnergyLedger
    regen: RegenSummary
    current: CurrentSummary
    resistance: ResistanceSummary
    thermal: ThermalSummary
    derating: DeratingSummary
    pack: PackSummary
    calibration: CalibrationSummary
    coastdowns: CoastdownSummary
    limits: LimitSummary
    admission: Admission
    grades: Mapping[str, MetricGrade] = field(default_factory=dict)
