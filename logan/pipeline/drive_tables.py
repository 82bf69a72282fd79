"""The use case "show me everything that one drive says": every table, ready to be printed."""

from __future__ import annotations

from logan.pipeline.stored import StoredDrive
from logan.report.figures.limits import limit_name
from logan.report.inputs import Block, FigureBlock, TableBlock, Words
from logan.report.sections.driving_range import (
    assumption_table,
    attribution_table,
    cause_table,
    pack_needs,
    pack_table,
    scenario_table,
)
from logan.report.sections.fit import drives_table, next_tests_table, parameter_table
from logan.report.sections.gearing import gearing_tables, gearing_words
from logan.report.sections.limits import VERDICT_WORDS, curve_table, event_kind_table, event_table, limit_table
from logan.report.sections.measured_energy import budget_table, regen_table, regen_text
from logan.report.sections.measurements import measurement_blocks
from logan.units import DisplayUnits

__all__ = [
    "VERDICT_WORDS",
    "Block",
    "FigureBlock",
    "TableBlock",
    "Words",
    "assumption_table",
    "attribution_table",
    "cause_table",
    "curve_table",
    "drives_table",
    "event_kind_table",
    "event_table",
    "every_table",
    "gearing_tables",
    "gearing_words",
    "limit_name",
    "limit_table",
    "next_tests_table",
    "pack_needs",
    "pack_table",
    "parameter_table",
    "regen_text",
    "scenario_table",
]


def every_table(stored: StoredDrive, units: DisplayUnits) -> tuple[Block, ...]:
    """Error budget, ledger, regen, currents, heat, derating, pack and calibrations of one drive.

    Parameters
    ----------
    stored : StoredDrive
        The drive with its analysis.
    units : DisplayUnits
        What the user reads.

    Returns
    -------
    tuple of TableBlock or Words
        The same tables as in the drive's report.
    """
    analysis = stored.analysis
    return (*budget_table(analysis.energy), *regen_table(analysis.regen), *measurement_blocks(analysis, units))
