"""Each drive by itself, and how far its data can be believed."""

from __future__ import annotations

from typing import Final

from logan.flags import DataFlag, Severity
from logan.report.document import Block, FigureBlock, Section, TableBlock, Words
from logan.report.figures.drive import (
    clock_figure,
    quality_figure,
    route_figure,
    strip_figure,
    usable_energy_figure,
)
from logan.report.figures.timeline import timeline_figure
from logan.report.inputs import DriveInputs, ReportInputs
from logan.report.route import route_profile
from logan.report.sections.energy import budget_table
from logan.units import DisplayUnits
from logan.wording import clock, figure, number, reason, runs, sentences, signed, tone_of

MOST_FINDINGS: Final = 200
STRIP_NOTE: Final = "A bar: sampled. A break: nothing was logged, and nothing is filled in. Colour: a finding."
_ORDER: Final = (Severity.RED, Severity.AMBER, Severity.NOTE)


def drive_sections(inputs: ReportInputs, units: DisplayUnits) -> tuple[Section, ...]:
    """A section for every drive whose channels were given."""
    return tuple(_drive_section(drive, units) for drive in inputs.drives if drive.drive is not None)


def _drive_section(inputs: DriveInputs, units: DisplayUnits) -> Section:
    drive = inputs.drive
    blocks: list[Block] = []
    if drive is not None:
        blocks.append(
            FigureBlock(title="Timeline; findings are shaded", figure=timeline_figure(drive, inputs.flags, units))
        )
        blocks.append(
            FigureBlock(title="Data quality along the drive", figure=strip_figure(drive, inputs.flags), note=STRIP_NOTE)
        )
        route = route_profile(drive)
        if route is not None:
            note = "Consumption is net at the pack, of each stretch, stops included."
            blocks.append(
                FigureBlock(title="The road: height and consumption", figure=route_figure(route, units), note=note)
            )
        blocks += _clock(inputs)
        blocks += _usable_energy(inputs)
        blocks.append(budget_table(inputs))
        if drive.history:
            blocks.append(
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
                        for step in drive.history
                    ),
                    caption="What was done to the data; every step can be turned off",
                )
            )
    return Section(anchor=f"drive-{inputs.number}", title=f"Drive {inputs.label}", blocks=tuple(blocks))


def _clock(inputs: DriveInputs) -> list[Block]:
    if inputs.clock is None:
        return []
    first, second, found = inputs.clock
    drawing = clock_figure(found, (first, second))
    note = (
        "Two sources logged this drive. After alignment the agreement is best at "
        f"{signed(found.lag_s, 2)} s (90 %: {signed(found.low_s, 2)} to {signed(found.high_s, 2)} s): "
        "one peak near zero says that the clocks agree."
    )
    return [FigureBlock(title="Do the clocks agree?", figure=drawing, note=note)]


def _usable_energy(inputs: DriveInputs) -> list[Block]:
    usable = inputs.pack.usable
    if not inputs.pack.per_percent:
        return [Words(lines=(f"Usable energy: refused. {reason(usable.window_energy_wh)}",), tone="grey")]
    window = figure(usable.window_energy_wh, scale=0.001, digits=1, unit="kWh")
    why = reason(usable.window_energy_wh)
    note = sentences((f"Usable energy of the build's window: {window} {why}".strip(), usable.note))
    drawing = usable_energy_figure(inputs.pack)
    return [FigureBlock(title="Usable energy: is the gauge straight?", figure=drawing, note=note)]


def quality_section(inputs: ReportInputs) -> Section:
    """Flags and grades of all drives."""
    if not inputs.drives:
        return Section(anchor="quality", title="Data quality", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    blocks: list[Block] = [
        FigureBlock(
            title="Grade of every figure, drive by drive",
            figure=quality_figure([(drive.label, drive.grades, drive.flags) for drive in inputs.drives]),
            note="A: nothing against it. D: hardly to be believed. Crossed: refused.",
        ),
        _findings(inputs.drives, inputs.units),
    ]
    return Section(anchor="quality", title="Data quality", blocks=tuple(blocks))


def _findings(drives: tuple[DriveInputs, ...], units: DisplayUnits) -> Words | TableBlock:
    """Every finding; one that several drives share word for word is told once."""
    shared: dict[tuple[Severity, str, str, str], list[tuple[DriveInputs, DataFlag]]] = {}
    for drive in drives:
        for flag in drive.flags:
            shared.setdefault((flag.severity, flag.title, flag.evidence, flag.remedy), []).append((drive, flag))
    if not shared:
        return Words(lines=("The detectors found nothing to say.",))
    gravest = sorted(shared.items(), key=lambda item: _ORDER.index(item[0][0]))[:MOST_FINDINGS]
    rows = []
    for (_, title, evidence, remedy), found in gravest:
        numbers = runs(drive.number for drive, _ in found)
        rows.append((title, numbers, _when(found), evidence, _effect(found, units), remedy))
    return TableBlock(
        headings=("finding", "drives", "when", "evidence", "effect if put right", "what to do"),
        rows=tuple(rows),
        tones=tuple(tone_of(severity) for (severity, *_), _ in gravest),
        caption=f"Findings ({len(shared)}); nothing was repaired silently",
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
