"""The reports: a whole build in three lengths, and one drive."""

from __future__ import annotations

from logan.report.document import Document, Section
from logan.report.inputs import ReportInputs
from logan.report.sections.answer import one_page_section
from logan.report.sections.drives import (
    drive_appendix,
    drive_blocks,
    findings_appendix,
    findings_blocks,
)
from logan.report.sections.driving_range import range_appendix, range_section
from logan.report.sections.energy import energy_section
from logan.report.sections.fit import fit_appendix, fit_section
from logan.report.sections.gearing import gearing_section
from logan.report.sections.limits import limits_appendix, limits_section
from logan.report.sections.planning import assumptions_section, cautions_section


def build_document(inputs: ReportInputs) -> Document:
    """Everything about a build: one page, the argument, and an appendix with all tables."""
    found = findings_blocks(inputs)
    quality = (Section(anchor="quality", title="What the data hold against them", blocks=tuple(found)),)
    sections = (
        one_page_section(inputs),
        range_section(inputs),
        energy_section(inputs),
        limits_section(inputs),
        fit_section(inputs),
        *(quality if found else ()),
        cautions_section(),
        *range_appendix(inputs),
        *fit_appendix(inputs),
        *limits_appendix(inputs),
        gearing_section(inputs),
        assumptions_section(inputs),
        *findings_appendix(inputs),
        *drive_appendix(inputs),
    )
    return _document(inputs, inputs.build.name, "Range and limits, planned and measured", sections)


def drive_document(inputs: ReportInputs) -> Document:
    """One drive: energy, limits, timeline, what its data hold against it, and all its tables."""
    limits = limits_section(inputs)
    road = [block for drive in inputs.drives for block in drive_blocks(drive, inputs.units)[1:]]
    found = findings_blocks(inputs)
    sections = (
        energy_section(inputs),
        limits,
        *((Section(anchor="road", title="The road", blocks=tuple(road)),) if road else ()),
        *((Section(anchor="quality", title="What the data hold against them", blocks=tuple(found)),) if found else ()),
        cautions_section(),
        *limits_appendix(inputs),
        *findings_appendix(inputs),
        *(
            Section(anchor=one.anchor, title=one.title, blocks=one.blocks[2:], length=3)
            for one in drive_appendix(inputs)
        ),
    )
    label = inputs.drives[0].label if inputs.drives else "no drive"
    return _document(inputs, f"{inputs.build.name}: drive {label}", "What this drive says", sections)


def _document(inputs: ReportInputs, title: str, subtitle: str, sections: tuple[Section, ...]) -> Document:
    paper = "letter" if inputs.units.distance == "mi" else "A4"
    return Document(title=title, subtitle=subtitle, sections=sections, paper=paper, provenance=inputs.provenance)
