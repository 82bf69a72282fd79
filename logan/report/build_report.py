"""The reports: a whole build in three lengths, and one drive."""

from __future__ import annotations

from typing import Final

from logan.report.figures.drive import route_figure
from logan.report.inputs import Block, Document, DriveInputs, FigureBlock, ReportInputs, Section, TableBlock, Words
from logan.report.route import route_profile
from logan.report.sections.answer import one_page_section
from logan.report.sections.driving_range import range_appendix, range_section
from logan.report.sections.energy import energy_section, regen_table
from logan.report.sections.fit import fit_appendix, fit_section
from logan.report.sections.gearing import gearing_section
from logan.report.sections.heat import heat_sections
from logan.report.sections.limits import limits_appendix, limits_section, timeline_block
from logan.report.sections.measured_energy import budget_table
from logan.report.sections.measurements import measurement_blocks
from logan.results import DataFlag, Severity
from logan.units import DisplayUnits
from logan.wording import clock, number, parameter_text, parameter_words, runs, signed, tone_of

MOST_FINDINGS: Final = 200
_ORDER: Final = (Severity.RED, Severity.AMBER, Severity.NOTE)


def drive_blocks(inputs: DriveInputs, units: DisplayUnits) -> list[Block]:
    """Timeline and road of a drive whose channels were given."""
    if inputs.drive is None:
        return []
    blocks: list[Block] = [timeline_block(inputs, units)]
    route = route_profile(inputs.drive)
    if route is not None and (route.height_m.size or route.wh_per_km.size):
        note = "Consumption is net at the pack, of each stretch, stops included."
        blocks.append(FigureBlock(figure=route_figure(route, units), note=note))
    return blocks


def drive_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Everything about every drive whose channels were given."""
    return tuple(
        Section(
            anchor=f"drive-{drive.number}",
            title=f"Drive {drive.label}: everything measured",
            blocks=(
                *drive_blocks(drive, inputs.units),
                *_clock(drive),
                *budget_table(drive.energy),
                *regen_table(drive.regen),
                *_history(drive),
                *measurement_blocks(drive, inputs.units),
            ),
            length=3,
        )
        for drive in inputs.drives
        if drive.drive is not None
    )


def _history(inputs: DriveInputs) -> list[Block]:
    if inputs.drive is None or not inputs.drive.history:
        return []
    return [
        TableBlock(
            headings=("step", "with", "why", "net Wh before", "net Wh after"),
            rows=tuple(
                (
                    step.action.replace("_", " "),
                    step.detail,
                    step.reason,
                    number(step.net_wh_before, 1),
                    number(step.net_wh_after, 1),
                )
                for step in inputs.drive.history
            ),
            caption="What was done to the data; every step can be turned off",
        )
    ]


def _clock(inputs: DriveInputs) -> list[Block]:
    if inputs.clock is None:
        return []
    _, _, found = inputs.clock
    words = (
        "Two sources logged this drive. After alignment the agreement is best at "
        f"{signed(found.lag_s, 2)} s (90 %: {signed(found.low_s, 2)} to {signed(found.high_s, 2)} s)."
    )
    is_off = not found.low_s <= 0.0 <= found.high_s and abs(found.lag_s) > 1.0
    return [Words(lines=(words,), tone="amber" if is_off else "plain", title="Do the clocks agree?")]


def findings_blocks(inputs: ReportInputs) -> list[Block]:
    """What the data hold against them, amber and red; nothing where there is nothing."""
    found = _findings(inputs.drives, inputs.units, (Severity.RED, Severity.AMBER))
    return [] if found is None else [found]


def findings_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Every finding, notes too."""
    found = _findings(inputs.drives, inputs.units, _ORDER)
    if found is None:
        return ()
    return (Section(anchor="findings", title="Everything found in the data", blocks=(found,), length=3),)


def _findings(
    drives: tuple[DriveInputs, ...], units: DisplayUnits, severities: tuple[Severity, ...]
) -> TableBlock | None:
    """Findings of these severities; one that several drives share word for word is told once."""
    shared: dict[tuple[Severity, str, str, str], list[tuple[DriveInputs, DataFlag]]] = {}
    for drive in drives:
        for flag in (flag for flag in drive.flags if flag.severity in severities):
            shared.setdefault((flag.severity, flag.title, flag.evidence, flag.remedy), []).append((drive, flag))
    if not shared:
        return None
    gravest = sorted(shared.items(), key=lambda item: _ORDER.index(item[0][0]))[:MOST_FINDINGS]
    rows = []
    for (_, title, evidence, remedy), found in gravest:
        numbers = runs(drive.number for drive, _ in found)
        rows.append((title, numbers, _when(found), evidence, _effect(found, units), remedy))
    return TableBlock(
        headings=("finding", "drives", "when", "evidence", "effect if put right", "what to do"),
        rows=tuple(rows),
        tones=tuple(tone_of(severity) for (severity, *_), _ in gravest),
        caption=f"Found in the data ({len(shared)}); nothing was repaired silently",
    )


def _when(found: list[tuple[DriveInputs, DataFlag]]) -> str:
    if len(found) > 1:
        return "each"
    spans = [f"{clock(span.start_s)} to {clock(span.end_s)}" for span in found[0][1].spans[:3]]
    return ", ".join(spans) or "whole drive"


def _effect(found: list[tuple[DriveInputs, DataFlag]], units: DisplayUnits) -> str:
    effects = [flag.effect_wh_per_km for _, flag in found if flag.effect_wh_per_km is not None]
    if not effects:
        return "cannot be told"
    return f"{signed(units.consumption(max(effects, key=abs)), 1)} {units.consumption_label}"


def build_document(inputs: ReportInputs) -> Document:
    """Everything about a build: one page, the argument, and an appendix with all tables."""
    found = findings_blocks(inputs)
    quality = (Section(anchor="quality", title="What the data hold against them", blocks=tuple(found)),)
    sections = (
        one_page_section(inputs),
        range_section(inputs),
        energy_section(inputs),
        limits_section(inputs),
        *heat_sections(inputs),
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
