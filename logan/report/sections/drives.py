"""Each drive by itself, and how far its data can be believed."""

from __future__ import annotations

from logan.report.document import Block, FigureBlock, Section, TableBlock, Words
from logan.report.figures.drive import quality_figure, route_figure, usable_energy_figure
from logan.report.figures.timeline import timeline_figure
from logan.report.inputs import DriveInputs, ReportInputs
from logan.report.sections.energy import budget_table
from logan.report.wording import clock, number, tone_of
from logan.units import DisplayUnits


def drive_sections(inputs: ReportInputs, units: DisplayUnits) -> tuple[Section, ...]:
    """A section for every drive whose channels were given."""
    return tuple(_drive_section(drive, units) for drive in inputs.drives if drive.drive is not None)


def _drive_section(inputs: DriveInputs, units: DisplayUnits) -> Section:
    drive = inputs.drive
    blocks: list[Block] = []
    if drive is not None:
        blocks.append(
            FigureBlock(title="Timeline; flags are shaded", figure=timeline_figure(drive, inputs.flags, units))
        )
        route = route_figure(drive, None, units)
        if route is not None:
            blocks.append(FigureBlock(title="The road", figure=route))
        if inputs.pack.per_percent:
            blocks.append(FigureBlock(title="Energy per percent of charge", figure=usable_energy_figure(inputs.pack)))
        blocks.append(budget_table(inputs))
        if drive.history:
            blocks.append(
                TableBlock(
                    headings=("step", "with", "why", "net Wh before", "net Wh after"),
                    rows=tuple(
                        (
                            step.action,
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


def quality_section(inputs: ReportInputs) -> Section:
    """Flags and grades of all drives."""
    if not inputs.drives:
        return Section(anchor="quality", title="Data quality", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    blocks: list[Block] = [
        FigureBlock(
            title="Grade of every figure, drive by drive (A best; crossed means refused)",
            figure=quality_figure([(drive.label, drive.grades, drive.flags) for drive in inputs.drives]),
        )
    ]
    flags = [(drive, flag) for drive in inputs.drives for flag in drive.flags]
    if flags:
        rows = []
        for drive, flag in flags[:300]:
            when = (
                ", ".join(f"{clock(span.start_s)} to {clock(span.end_s)}" for span in flag.spans[:3]) or "whole drive"
            )
            effect = (
                "cannot be told"
                if flag.effect_wh_per_km is None
                else f"{inputs.units.consumption(flag.effect_wh_per_km):+.1f} {inputs.units.consumption_label}"
            )
            rows.append((flag.title, drive.label, when, flag.evidence, effect, flag.remedy))
        blocks.append(
            TableBlock(
                headings=("finding", "drive", "when", "evidence", "effect if put right", "what to do"),
                rows=tuple(rows),
                tones=tuple(tone_of(flag.severity) for _, flag in flags[:300]),
                caption=f"Findings ({len(flags)}); nothing was repaired silently",
            )
        )
    else:
        blocks.append(Words(lines=("The detectors found nothing to say.",)))
    return Section(anchor="quality", title="Data quality", blocks=tuple(blocks))
