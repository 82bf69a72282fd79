"""The use case "show me everything that one drive says": every table, ready to be printed."""

from logan.pipeline.stored import StoredDrive
from logan.report.inputs import Block, FigureBlock, TableBlock, Words
from logan.report.sections import (
    driving_range as of_range,
    fit as of_fit,
    gearing as of_gearing,
    limits as of_limits,
    measured_energy as of_drive,
)
from logan.report.sections.measurements import measurement_blocks
from logan.units import DisplayUnits

__all__ = ["Block", "FigureBlock", "TableBlock", "Words", "of_drive", "of_fit", "of_gearing", "of_limits", "of_range"]


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
    return (
        *of_drive.budget_table(analysis.energy),
        *of_drive.regen_table(analysis.regen),
        *measurement_blocks(analysis, units),
    )
