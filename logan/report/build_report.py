"""The reports: a whole build in three lengths, and one drive."""

from collections.abc import Sequence
from typing import Final

from logan.metrics.cautions import every_caution
from logan.report.figures.drive import route_figure, route_profile
from logan.report.inputs import (
    Block,
    Document,
    DriveInputs,
    FigureBlock,
    ReportInputs,
    Section,
    TableBlock,
    Words,
    table,
)
from logan.report.sections.driving_range import assumption_table, one_page_section, range_appendix, range_section
from logan.report.sections.fit import fit_appendix, fit_section
from logan.report.sections.gearing import gearing_section
from logan.report.sections.heat import heat_appendix, heat_section
from logan.report.sections.limits import limits_appendix, limits_section, timeline_block
from logan.report.sections.measured_energy import budget_table, energy_section, regen_table
from logan.report.sections.measurements import measurement_blocks
from logan.results import DataFlag, Severity
from logan.units import DisplayUnits
from logan.wording import clock, number, runs, signed, tone_of

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


def _history(inputs: DriveInputs) -> list[TableBlock]:
    return table(
        () if inputs.drive is None else inputs.drive.history,
        ("step", lambda step: step.action.replace("_", " ")),
        ("with", lambda step: step.detail),
        ("why", lambda step: step.reason),
        ("net Wh before", lambda step: number(step.net_wh_before, 1)),
        ("net Wh after", lambda step: number(step.net_wh_after, 1)),
        caption="What was done to the data; every step can be turned off",
    )


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


def findings_table(inputs: ReportInputs, *severities: Severity, is_brief: bool = False) -> list[TableBlock]:
    """What the data hold against them, of these severities; what several drives share word for word is told once.

    Brief, it is told once whatever the evidence, with that of the drive on which putting it right would do most.
    """
    shared: dict[tuple[Severity, str, str, str], list[tuple[DriveInputs, DataFlag]]] = {}
    for drive in inputs.drives:
        for flag in (flag for flag in drive.flags if flag.severity in severities):
            evidence = "" if is_brief else flag.evidence
            shared.setdefault((flag.severity, flag.title, evidence, flag.remedy), []).append((drive, flag))
    return table(
        sorted(shared.items(), key=lambda item: _ORDER.index(item[0][0]))[:MOST_FINDINGS],
        ("finding", lambda row: row[0][1]),
        ("drives", lambda row: runs(drive.number for drive, _ in row[1])),
        ("" if is_brief else "when", lambda row: _when(row[1])),
        ("evidence", lambda row: _evidence(row[1])),
        ("effect if put right", lambda row: _effect(row[1], inputs.units)),
        ("what to do", lambda row: row[0][3]),
        tone=lambda row: tone_of(row[0][0]),
        caption=f"Found in the data ({len(shared)}); nothing was repaired silently",
    )


def _section(anchor: str, title: str, blocks: Sequence[Block], length: int = 2) -> tuple[Section, ...]:
    """A section, where there is anything to show."""
    return (Section(anchor=anchor, title=title, blocks=tuple(blocks), length=length),) if blocks else ()


def _when(found: list[tuple[DriveInputs, DataFlag]]) -> str:
    if len(found) > 1:
        return "each"
    spans = [f"{clock(span.start_s)} to {clock(span.end_s)}" for span in found[0][1].spans[:3]]
    return ", ".join(spans) or "whole drive"


def _gravest(found: list[tuple[DriveInputs, DataFlag]]) -> tuple[DriveInputs, DataFlag]:
    """Where putting it right would do most."""
    return max(found, key=lambda one: abs(one[1].effect_wh_per_km or 0.0))


def _evidence(found: list[tuple[DriveInputs, DataFlag]]) -> str:
    drive, flag = _gravest(found)
    return ("" if len({one.evidence for _, one in found}) == 1 else f"drive {drive.number}: ") + flag.evidence


def _effect(found: list[tuple[DriveInputs, DataFlag]], units: DisplayUnits) -> str:
    effect = _gravest(found)[1].effect_wh_per_km
    if effect is None:
        return "cannot be told"
    return f"{signed(units.consumption(effect), 1)} {units.consumption_label}"


def build_document(inputs: ReportInputs) -> Document:
    """Everything about a build: one page, the argument, and an appendix with all tables."""
    found = findings_table(inputs, Severity.RED, Severity.AMBER, is_brief=True)
    sections = (
        one_page_section(inputs),
        range_section(inputs),
        energy_section(inputs),
        limits_section(inputs),
        *heat_section(inputs),
        fit_section(inputs),
        *_section("quality", "What the data hold against them", found),
        cautions_section(),
        *range_appendix(inputs),
        *fit_appendix(inputs),
        *limits_appendix(inputs),
        *heat_appendix(inputs),
        gearing_section(inputs),
        assumptions_section(inputs),
        *_section("findings", "Everything found in the data", findings_table(inputs, *_ORDER), 3),
        *drive_appendix(inputs),
    )
    return _document(inputs, inputs.build.name, "Range and limits, planned and measured", sections)


def drive_document(inputs: ReportInputs) -> Document:
    """One drive: energy, limits, timeline, what its data hold against it, and all its tables."""
    limits = limits_section(inputs)
    road = [block for drive in inputs.drives for block in drive_blocks(drive, inputs.units)[1:]]
    found = findings_table(inputs, Severity.RED, Severity.AMBER)
    sections = (
        energy_section(inputs),
        limits,
        *_section("road", "The road", road),
        *_section("quality", "What the data hold against them", found),
        cautions_section(),
        *limits_appendix(inputs),
        *_section("findings", "Everything found in the data", findings_table(inputs, *_ORDER), 3),
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


def assumptions_section(inputs: ReportInputs) -> Section:
    """Every planning value with its source."""
    blocks = assumption_table(inputs.assumptions, inputs.units, f"The plan of {inputs.planned_at[:10]} rests on")
    return Section(anchor="assumptions", title="What was assumed", blocks=tuple(blocks), length=3)


def cautions_section() -> Section:
    """What to keep in mind before acting on any of this."""
    return Section(anchor="cautions", title="Cautions", blocks=(Words(lines=every_caution(), tone="amber"),))
