"""Energy and regen, drive by drive."""

from __future__ import annotations

from logan.metrics.regen import RegenSummary
from logan.report.figures.consumption import ledger_figure
from logan.report.inputs import Block, DriveInputs, FigureBlock, ReportInputs, Section, TableBlock, Words
from logan.results import Estimate, Refusal
from logan.units import DisplayUnits
from logan.wording import clock, consumption, figure, percent, reason, sentences


def energy_section(inputs: ReportInputs) -> Section:
    """What every drive used and gave back."""
    if not inputs.drives:
        return Section(anchor="energy", title="Drives", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    blocks: list[Block] = [energy_table(inputs.drives, inputs.units)]
    longest = max(inputs.drives, key=lambda drive: drive.energy.moving_s)
    drawn = ledger_figure(longest.ledger, longest.label)
    if drawn is not None:
        blocks.append(FigureBlock(figure=drawn, note=sentences(longest.ledger.notes)))
    refusals = tuple(
        f"{drive.label}: {reason(drive.energy.net_wh_per_km)}"
        for drive in inputs.drives
        if not isinstance(drive.energy.net_wh_per_km, Estimate)
    )
    if refusals:
        blocks.append(Words(lines=refusals, tone="amber", title="Refused figures"))
    return Section(anchor="energy", title="Drives" if len(inputs.drives) > 1 else "Energy", blocks=tuple(blocks))


def energy_table(drives: tuple[DriveInputs, ...], units: DisplayUnits) -> TableBlock:
    """One row per drive."""
    rows = []
    for drive in drives:
        energy = drive.energy
        printed = drive.regen.figures[drive.regen.printed - 1] if drive.regen.figures else None
        rows.append(
            (
                drive.label,
                clock(energy.duration_s),
                figure(energy.distance_m, scale=1.0 / units.metres, digits=1).split(" ±")[0],
                consumption(energy.net_wh_per_km, units),
                consumption(energy.gross_wh_per_km, units),
                figure(printed.value, scale=100.0, digits=1, unit="%") if printed else "–",
                percent(energy.coverage_ratio),
            )
        )
    name = next((f.name for d in drives for f in d.regen.figures if f.number == d.regen.printed), "")
    return TableBlock(
        headings=(
            "drive",
            "duration",
            units.distance,
            f"net {units.consumption_label}",
            f"gross {units.consumption_label}",
            "regen",
            "coverage",
        ),
        rows=tuple(rows),
        caption="Every drive",
        explanations=(
            "",
            "first sample to last",
            "by the best source of distance that was logged",
            "out of the pack less back into it, charging left out; ± one standard uncertainty",
            "out of the pack alone",
            f"definition: {name}",
            "share of the time in which voltage and current were really sampled",
        ),
    )


def regen_table(regen: RegenSummary) -> TableBlock:
    """All definitions of regen for one drive, each named."""
    return TableBlock(
        headings=("definition", "meaning", "value"),
        rows=tuple(
            (
                f"{entry.number} {entry.name}",
                entry.meaning,
                f"refused: {reason(entry.value)}"
                if isinstance(entry.value, Refusal)
                else figure(entry.value, scale=100.0, digits=1, unit="%")
                if entry.value.unit in ("ratio", "")
                else figure(entry.value, digits=1, unit=entry.value.unit),
            )
            for entry in regen.figures
        ),
        caption=f"Regen by every definition in use, 3 to 8 by {regen.basis}",
    )
