"""Every table of one drive, in the order of its questions; the page and the terminal show the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from itertools import chain
from typing import Any, Final, TypeAlias

from logan.analysis import METRICS, DriveAnalysis
from logan.metrics.metric import Metric
from logan.report.inputs import Block, DriveInputs, TableBlock
from logan.report.sections.measured_calibration import calibration_tables, coastdown_tables
from logan.report.sections.measured_energy import ledger_tables, regen_tables
from logan.report.sections.measured_load import current_tables, derating_tables, heat_tables
from logan.report.sections.measured_pack import pack_tables, resistance_tables
from logan.results import Estimate
from logan.units import DisplayUnits
from logan.wording import shown_value

Measured: TypeAlias = DriveInputs | DriveAnalysis
"""Whatever holds the results of one drive."""


_TABLES: Final[Mapping[str, Callable[[Any, DisplayUnits], Iterable[Block]]]] = {
    "ledger": ledger_tables,
    "regen": regen_tables,
    "current": current_tables,
    "thermal": heat_tables,
    "derating": derating_tables,
    "resistance": resistance_tables,
    "pack": pack_tables,
    "coastdowns": coastdown_tables,
    "calibration": calibration_tables,
}
"""Tables of metrics that have their own, in the order of their questions; any other is shown by its figures."""

_ABOVE: Final = ("energy", "limits")
"""Shown with the drive itself."""


def measurement_blocks(measured: Measured, units: DisplayUnits) -> tuple[Block, ...]:
    """Tables of every registered metric of one drive."""
    plain = [metric for metric in METRICS if metric.name not in (*_TABLES, *_ABOVE)]
    own = [tables(getattr(measured, name), units) for name, tables in _TABLES.items()]
    return tuple(chain(*own, *(figure_table(metric, getattr(measured, metric.name), units) for metric in plain)))


def figure_table(metric: Metric, found: object, units: DisplayUnits) -> tuple[Block, ...]:
    """The figures of a metric that has no table of its own."""
    rows = tuple(
        (name.replace("_", " "), shown_value(figure.value, figure.unit, units), figure.source)
        if isinstance(figure, Estimate)
        else (name.replace("_", " "), "refused", figure.reason)
        for name, figure in metric.figures(found).items()
    )
    caption = metric.name.replace("_", " ").capitalize()
    return (TableBlock(headings=("figure", "value", "from"), rows=rows, caption=caption),) if rows else ()
