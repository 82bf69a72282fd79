"""Every table of one drive, in the order of its questions; the page and the terminal show the same."""

from __future__ import annotations

from typing import TypeAlias

from logan.analysis import DriveAnalysis
from logan.report.document import Block
from logan.report.inputs import DriveInputs
from logan.report.sections.measured_calibration import calibration_tables, coastdown_tables
from logan.report.sections.measured_energy import ledger_tables, regen_tables
from logan.report.sections.measured_load import current_tables, derating_tables, heat_tables
from logan.report.sections.measured_pack import pack_tables, resistance_tables
from logan.units import DisplayUnits

Measured: TypeAlias = DriveInputs | DriveAnalysis
"""Whatever holds the results of one drive."""


def measurement_blocks(measured: Measured, units: DisplayUnits) -> tuple[Block, ...]:
    """Ledger, regen, current, heat, derating, pack, coastdowns and calibrations of one drive."""
    return (
        *ledger_tables(measured.ledger, units),
        *regen_tables(measured.regen, units),
        *current_tables(measured.current, units),
        *heat_tables(measured.thermal, units),
        *derating_tables(measured.derating, units),
        *resistance_tables(measured.resistance, units),
        *pack_tables(measured.pack, units),
        *coastdown_tables(measured.coastdowns, units),
        *calibration_tables(measured.calibration, units),
    )
