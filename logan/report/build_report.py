"""The three reports: a whole build, one drive, and the sheet that goes with a kit."""

from __future__ import annotations

from logan.report.document import Document, Section
from logan.report.inputs import ReportInputs
from logan.report.sections.answer import answer_section
from logan.report.sections.drives import drive_sections, quality_section
from logan.report.sections.driving_range import range_section
from logan.report.sections.energy import energy_section
from logan.report.sections.fit import fit_section
from logan.report.sections.limits import limits_section
from logan.report.sections.measurements import measurement_sections
from logan.report.sections.planning import assumptions_section, cautions_section, gearing_section


def build_document(inputs: ReportInputs) -> Document:
    """Everything about a build, the answer first."""
    sections: tuple[Section, ...] = (
        answer_section(inputs),
        energy_section(inputs),
        range_section(inputs),
        limits_section(inputs),
        fit_section(inputs),
        gearing_section(inputs),
        quality_section(inputs),
        *drive_sections(inputs, inputs.units),
        *measurement_sections(inputs),
        assumptions_section(inputs),
        cautions_section(),
    )
    return _document(inputs, inputs.build.name, "Range and limits, planned and measured", sections)


def drive_document(inputs: ReportInputs) -> Document:
    """One drive: energy, limits, timeline, data quality."""
    sections = (
        energy_section(inputs),
        limits_section(inputs),
        *drive_sections(inputs, inputs.units),
        *measurement_sections(inputs),
        quality_section(inputs),
        cautions_section(),
    )
    label = inputs.drives[0].label if inputs.drives else "no drive"
    return _document(inputs, f"{inputs.build.name}: drive {label}", "What this drive says", sections)


def kit_document(inputs: ReportInputs) -> Document:
    """The sheet for a customer: the answer, range, limits, assumptions, cautions."""
    sections = (
        answer_section(inputs),
        range_section(inputs),
        limits_section(inputs),
        gearing_section(inputs),
        assumptions_section(inputs),
        cautions_section(),
    )
    return _document(inputs, inputs.build.name, "Range and limits of this conversion, as shown by drives", sections)


def _document(inputs: ReportInputs, title: str, subtitle: str, sections: tuple[Section, ...]) -> Document:
    return Document(title=title, subtitle=subtitle, sections=sections, provenance=inputs.provenance)
