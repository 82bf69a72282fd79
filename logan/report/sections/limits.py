"""Limits: current, heat and cells against the limit sheet; what has no limit says so."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from logan.drive.context import Context
from logan.metrics.limit_events import EventKind, LimitEvent, event_kinds
from logan.metrics.limits import NO_LIMIT_GIVEN, LimitCheck, LimitSummary
from logan.report.figures.drive import timeline_figure
from logan.report.figures.limits import approaches, bullet_figure, duration_figure, margin_text
from logan.report.inputs import Block, DriveInputs, FigureBlock, ReportInputs, Section, TableBlock, Tone, Words
from logan.results import Severity
from logan.settings import LimitSide
from logan.units import DisplayUnits
from logan.wording import channel_words, clock, number, percent, sentences, told_apart, tone_of


def limits_section(inputs: ReportInputs) -> Section:
    """How close everything came to its limit, what passed one, and the drive where it was worst."""
    if not inputs.drives:
        return Section(anchor="limits", title="Limits", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    units, summaries = inputs.units, [(drive.label, drive.limits) for drive in inputs.drives]
    found = approaches(summaries, inputs.build)
    bullets = bullet_figure(found, units, inputs.build.limits.design_ambient_degc)
    blocks: list[Block] = [] if bullets is None else [FigureBlock(figure=bullets, note=bullets.detail)]
    bare = [unlimited_words(drive.limits for drive in inputs.drives)]
    if not inputs.build.limits.curves:
        bare.append("Fuse, contactor, cable and cells: no limit given.")
    if any(bare):
        blocks.append(Words(lines=tuple(filter(None, bare)), tone="grey"))
    blocks += event_kind_tables(inputs)
    hardest = max(
        inputs.drives, key=lambda drive: max((one.used_ratio for one in drive.current.approaches), default=0.0)
    )
    curve = duration_figure(hardest.current, inputs.build.limits)
    if curve is not None:
        blocks.append(FigureBlock(figure=curve, note=sentences((f"Drive {hardest.label}", *hardest.current.notes))))
    cautions = tuple(dict.fromkeys(caution for drive in inputs.drives for caution in drive.limits.cautions))
    if cautions:
        blocks.append(Words(lines=cautions, tone="red", title="Cautions about these limits"))
    drawn = [drive for drive in inputs.drives if drive.drive is not None]
    if drawn:
        worst = max(drawn, key=lambda drive: sum(event.severity is not Severity.NOTE for event in drive.limits.events))
        blocks.append(timeline_block(worst, units))
    return Section(anchor="limits", title="Limits", blocks=tuple(blocks))


def unlimited_words(summaries: Iterable[LimitSummary]) -> str:
    """Channels that nothing is known to limit; nothing is said to be safe."""
    checks = [check for summary in summaries for check in summary.checks if check.verdict == NO_LIMIT_GIVEN]
    names = sorted({channel_words(check.channel) for check in checks})
    return f"No limit given: {', '.join(names)}." if names else ""


def timeline_block(drive: DriveInputs, units: DisplayUnits) -> FigureBlock:
    """A drive over time; the channels must have been given."""
    assert drive.drive is not None
    return FigureBlock(figure=timeline_figure(drive.drive, drive.limits, drive.flags, units, label=drive.label))


def limits_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Every limit, every curve and every event."""
    if not inputs.drives:
        return ()
    blocks = (approach_table(inputs.drives, inputs.units), *event_tables(inputs))
    return (Section(anchor="limit-tables", title="Limits in figures", blocks=blocks, length=3),)


def approach_table(drives: tuple[DriveInputs, ...], units: DisplayUnits) -> TableBlock:
    """Worst approach of every channel, on either side, over the drives given."""
    worst: dict[tuple[str, LimitSide], tuple[float, LimitCheck, DriveInputs]] = {}
    for drive in drives:
        for check in drive.limits.checks:
            margin = float("inf") if check.margin is None else check.margin
            if check.margin is None and check.worst_value is not None:
                margin = 1e9 + (check.worst_value if check.side is LimitSide.BELOW else -check.worst_value)
            known = worst.get((check.channel, check.side))
            is_first_value = known is not None and known[1].worst_value is None and check.worst_value is not None
            if known is None or margin < known[0] or is_first_value:
                worst[check.channel, check.side] = (margin, check, drive)
    names = [channel for channel, _ in worst]
    rows, tones = [], []
    for (channel, side), (_, check, drive) in worst.items():
        rows.append(
            (
                channel_words(channel) + (f", {side.value}" if names.count(channel) > 1 else ""),
                *told_apart(check.worst_value, check.amber, check.red, unit=check.unit, units=units),
                margin_text(check, units),
                check.verdict,
                _moment(drive, check.context, units) if check.worst_value is not None else "–",
                check.source,
            )
        )
        tones.append(_tone(check.severity, check.verdict))
    return TableBlock(
        headings=("channel", "worst", "amber", "red", "margin (est.)", "verdict", "when", "source"),
        rows=tuple(rows),
        tones=tuple(tones),
        caption="Closest approach to every limit",
        explanations=(
            "",
            "over all drives shown",
            "",
            "",
            "to red, or to amber where there is no red; negative is beyond; red where the bound is",
            "",
            "moment of the worst value, with speed and pack power",
        ),
    )


def _moment(drive: DriveInputs, context: Context | None, units: DisplayUnits) -> str:
    """On which drive, when, and at what speed and pack power."""
    if context is None:
        return f"drive {drive.number}"
    parts = [f"drive {drive.number} at {clock(context.at_s)}"]
    if context.speed_m_per_s is not None:
        parts.append(f"{number(context.speed_m_per_s / units.metres_per_second)} {units.speed_label}")
    if context.power_w is not None:
        parts.append(f"{number(context.power_w / 1000.0)} kW")
    return ", ".join(parts)


def _tone(severity: Severity | None, verdict: str) -> Tone:
    return (
        "grey"
        if severity is None and verdict in ("no limit given", "not logged", "data refused")
        else tone_of(severity)
    )


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
    reached, limit = told_apart(worst.worst_value, worst.limit_value, unit=worst.unit, units=units)
    return (
        channel_words(kind.what),
        ", ".join(map(str, kind.drives)),
        str(kind.count),
        _lasted(kind.duration_s),
        f"{reached}, drive {kind.worst_drive}",
        limit,
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
        *told_apart(event.worst_value, event.limit_value, unit=event.unit, units=units),
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
