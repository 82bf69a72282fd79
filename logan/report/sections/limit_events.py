"""Events beyond a limit: each kind over all drives with its caution, then one by one with what else was true."""

from __future__ import annotations

from typing import Final

from logan.drive.context import Context
from logan.metrics.limit_events import EventKind, LimitEvent, event_kinds
from logan.report.document import Block, TableBlock
from logan.report.inputs import ReportInputs
from logan.units import DisplayUnits
from logan.wording import channel_words, clock, number, percent, shown_value, tone_of

MOST_EVENTS: Final = 200


def _events(inputs: ReportInputs) -> list[tuple[int, LimitEvent]]:
    return [(drive.number, event) for drive in inputs.drives for event in drive.limits.events]


def event_kind_tables(inputs: ReportInputs) -> list[Block]:
    """Kinds of event over the drives, red first; nothing where nothing passed a limit."""
    kinds, units = event_kinds(_events(inputs)), inputs.units
    if not kinds:
        return []
    return [
        TableBlock(
            headings=("what", "drives", "times", "in all", "worst", "limit", "what to do"),
            rows=tuple(_kind_row(kind, units) for kind in kinds),
            tones=tuple(tone_of(kind.severity) for kind in kinds),
            caption="What passed a limit, over all drives",
        )
    ]


def event_tables(inputs: ReportInputs) -> list[Block]:
    """Every event with what else was true."""
    events, units = _events(inputs), inputs.units
    if not events:
        return []
    return [
        TableBlock(
            headings=(
                "what", "drive", "from", "for", "worst", "limit", units.speed_label, "kW", "slope", "SOC", "outside",
            ),
            rows=tuple(_event_row(number_, event, units) for number_, event in events[:MOST_EVENTS]),
            tones=tuple(tone_of(event.severity) for _, event in events[:MOST_EVENTS]),
            caption=f"Events beyond a limit ({len(events)}), one by one",
        )
    ]  # fmt: skip


def _kind_row(kind: EventKind, units: DisplayUnits) -> tuple[str, ...]:
    worst = kind.worst
    return (
        channel_words(kind.what),
        ", ".join(map(str, kind.drives)),
        str(kind.count),
        _lasted(kind.duration_s),
        f"{shown_value(worst.worst_value, worst.unit, units)}, drive {kind.worst_drive}",
        shown_value(worst.limit_value, worst.unit, units),
        worst.caution or worst.remark,
    )


def _lasted(duration_s: float) -> str:
    return "< 1 s" if duration_s < 1.0 else f"{number(duration_s)} s"


def _event_row(drive: int, event: LimitEvent, units: DisplayUnits) -> tuple[str, ...]:
    return (
        channel_words(event.what),
        str(drive),
        clock(event.start_s),
        _lasted(event.duration_s),
        shown_value(event.worst_value, event.unit, units),
        shown_value(event.limit_value, event.unit, units),
        *_context_cells(event.context, units),
    )


def _context_cells(context: Context, units: DisplayUnits) -> tuple[str, ...]:
    speed, power, ambient = context.speed_m_per_s, context.power_w, context.ambient_degc
    return (
        number(None if speed is None else speed / units.metres_per_second),
        number(None if power is None else power / 1000.0),
        percent(context.grade_ratio, 1),
        percent(context.state_of_charge_ratio),
        "–" if ambient is None else f"{units.temperature_of(ambient):.0f} {units.temperature_label}",
    )
