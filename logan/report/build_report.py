"""The reports: a whole build in three lengths, and one drive."""

from __future__ import annotations

from typing import Final

from logan.report.document import Document, Section, TableBlock, Words
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
from logan.wording import parameter_text, parameter_words


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


CAUTIONS: Final = (
    "More than 60 V DC or 30 V AC can kill. Work de-energized: service disconnect, lock-out, wait at least 5 minutes "
    "or the manufacturer's time, prove dead on both poles and to the chassis with a rated tester, insulated gloves "
    "and tools, a second person. Leave it to licensed people where your law says so.",
    "The logger is isolated, fused, strapped down and listens only; a passenger operates it. Never defeat the battery "
    "management, interlock, isolation monitor, crash switch or precharge to get data.",
    "Coastdowns, hard acceleration and hill soaks only where it is legal, dry and empty; check first that the friction "
    "brakes hold alone, since regen is lost with a full or cold pack. Keep within tire, axle and weight ratings, and "
    "20 % of charge in reserve.",
    "Red: stop at once. Amber: lift, cool for ten minutes, check again; temperatures rise further after a stop. On "
    "smell, hiss or smoke from the pack leave it, keep 100 ft (30 m) away, call the fire department (911), do not "
    "reopen it.",
    "These are estimates for the recorded vehicle and conditions: no certification, and no substitute for component "
    "datasheets, a professional inspection, or local registration and approval (UN R100, FMVSS 305, national rules). "
    "A margin is estimated; where no limit is given, nothing is said to be safe.",
)


def assumptions_section(inputs: ReportInputs) -> Section:
    """Every planning value with its source."""
    rows = tuple(
        (
            parameter_words(row.name),
            row.typed or parameter_text(row.name, row.value, inputs.units, row.unit),
            parameter_text(row.name, row.sigma, inputs.units, row.unit),
            row.source,
        )
        for row in inputs.assumptions
    )
    table = TableBlock(
        headings=("assumption", "value", "±", "source"),
        rows=rows,
        caption=f"The plan of {inputs.planned_at[:10]} rests on",
        explanations=("", "", "one standard uncertainty"),
    )
    return Section(anchor="assumptions", title="What was assumed", blocks=(table,), length=3)


def cautions_section() -> Section:
    """What to keep in mind before acting on any of this."""
    return Section(anchor="cautions", title="Cautions", blocks=(Words(lines=CAUTIONS, tone="amber"),))
