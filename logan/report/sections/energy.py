"""Energy and regen, drive by drive."""

from __future__ import annotations

from logan.metrics.regen import RegenSummary
from logan.report.figures.consumption import ledger_figure
from logan.report.inputs import Block, DriveInputs, FigureBlock, ReportInputs, Section, TableBlock, Words, table
from logan.results import Estimate, Figure, Refusal
from logan.units import DisplayUnits
from logan.wording import NONE, clock, consumption, figure, percent, reason, sentences


def energy_section(inputs: ReportInputs) -> Section:
    """What every drive used and gave back."""
    if not inputs.drives:
        return Section(anchor="energy", title="Drives", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    blocks: list[Block] = [*energy_table(inputs.drives, inputs.units)]
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


def energy_table(drives: tuple[DriveInputs, ...], units: DisplayUnits) -> list[TableBlock]:
    """One row per drive."""
    used = units.consumption_label

    def length(drive: DriveInputs) -> str:
        return figure(drive.energy.distance_m, scale=1.0 / units.metres, digits=1).split(" ±")[0]

    def regen(drive: DriveInputs) -> str:
        printed = drive.regen.figures[drive.regen.printed - 1] if drive.regen.figures else None
        return figure(printed.value, scale=100.0, digits=1, unit="%") if printed else NONE

    return table(
        drives,
        ("drive", lambda drive: drive.label),
        ("duration", lambda drive: clock(drive.energy.duration_s)),
        (units.distance, length),
        (f"net {used}", lambda drive: consumption(drive.energy.net_wh_per_km, units)),
        (f"gross {used}", lambda drive: consumption(drive.energy.gross_wh_per_km, units)),
        ("regen", regen),
        ("coverage", lambda drive: percent(drive.energy.coverage_ratio)),
        caption="Every drive",
        meaning={
            "duration": "first sample to last",
            units.distance: "by the best source of distance that was logged",
            f"net {used}": "out of the pack less back into it, charging left out; ± one standard uncertainty",
            f"gross {used}": "out of the pack alone",
            "regen": "definition: "
            + next((f.name for d in drives for f in d.regen.figures if f.number == d.regen.printed), ""),
            "coverage": "share of the time in which voltage and current were really sampled",
        },
    )


def regen_table(regen: RegenSummary) -> list[TableBlock]:
    """All definitions of regen for one drive, each named."""
    return table(
        regen.figures,
        ("definition", lambda entry: f"{entry.number} {entry.name}"),
        ("meaning", lambda entry: entry.meaning),
        ("value", lambda entry: regen_text(entry.value)),
        caption=f"Regen by every definition in use, 3 to 8 by {regen.basis}",
    )


def regen_text(value: Figure) -> str:
    """A share in percent, another figure in its unit, or why there is none."""
    if isinstance(value, Refusal):
        return f"refused: {reason(value)}"
    is_share = value.unit in ("ratio", "")
    return figure(value, scale=100.0 if is_share else 1.0, digits=1, unit="%" if is_share else value.unit)
