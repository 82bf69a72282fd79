"""Each drive by itself, and what its data hold against them."""

from __future__ import annotations

from typing import Final

from logan.report.document import Block, FigureBlock, Section, TableBlock, Words
from logan.report.figures.drive import route_figure
from logan.report.inputs import DriveInputs, ReportInputs
from logan.report.route import route_profile
from logan.report.sections.energy import regen_table
from logan.report.sections.limits import timeline_block
from logan.report.sections.measured_energy import budget_table
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
                budget_table(drive.energy),
                *([regen_table(drive.regen)] if drive.regen.figures else []),
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
