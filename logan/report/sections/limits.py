"""Limits: current, heat and cells against the limit sheet; what has no limit says so."""

from collections.abc import Callable, Iterable, Sequence
from typing import Final

from logan.drive.context import Context
from logan.metrics.limit_events import EventKind, LimitEvent, event_kinds
from logan.metrics.limit_lines import LimitLine, closest_lines
from logan.metrics.limits import (
    BEYOND_AMBER,
    BEYOND_RED,
    MAY_BE_RED,
    NO_LIMIT_GIVEN,
    NOT_LOGGED,
    REFUSED,
    WITHIN,
)
from logan.report.figures.drive import timeline_figure
from logan.report.figures.limits import approaches, bullet_figure, duration_figure, margin_text
from logan.report.inputs import Block, DriveInputs, FigureBlock, ReportInputs, Section, TableBlock, Words, table
from logan.results import Severity
from logan.units import DisplayUnits
from logan.wording import (
    NONE,
    channel_words,
    clock,
    limit_name,
    number,
    percent,
    runs,
    sentences,
    shown_value,
    told_apart,
    tone_of,
)


def limits_section(inputs: ReportInputs) -> Section:
    """How close everything came to its limit, what passed one, and the drive where it was worst."""
    if not inputs.drives:
        return Section(anchor="limits", title="Limits", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    units = inputs.units
    bullets = bullet_figure(approaches(inputs.drives), units, inputs.build.limits.design_ambient_degc)
    blocks: list[Block] = [] if bullets is None else [FigureBlock(figure=bullets, note=bullets.detail)]
    bare = [unlimited_words(inputs.drives)]
    if not inputs.build.limits.curves:
        bare.append("Fuse, contactor, cable and cells: no limit given.")
    if any(bare):
        blocks.append(Words(lines=tuple(filter(None, bare)), tone="grey"))
    kinds = event_kinds(_events(inputs))
    grave, is_one = [kind for kind in kinds if kind.severity is not Severity.NOTE], len(inputs.drives) == 1
    blocks += event_kind_table(grave, units, is_one=is_one)
    blocks += _curve_blocks(inputs, is_close=True)
    drawn = [drive for drive in inputs.drives if drive.drive is not None]
    if drawn:
        worst = max(drawn, key=lambda drive: sum(event.severity is not Severity.NOTE for event in drive.limits.events))
        blocks.append(timeline_block(worst, units))
    return Section(anchor="limits", title="Limits", blocks=tuple(blocks))


_CLOSE: Final = 0.8
"""Share of a curve from which it is drawn in the argument; below, its figure stands in the appendix."""


def _curve_blocks(inputs: ReportInputs, *, is_close: bool) -> list[Block]:
    """Current of the hardest drive against the curves given, where it came close to them, or where not."""

    def used(drive: DriveInputs) -> float:
        return max((one.used_ratio for one in drive.current.approaches), default=0.0)

    hardest = max(inputs.drives, key=used)
    curve = duration_figure(hardest.current, inputs.build.limits) if (used(hardest) >= _CLOSE) == is_close else None
    if curve is None:
        return []
    return [FigureBlock(figure=curve, note=sentences((f"Drive {hardest.label}", *hardest.current.notes)))]


BARE_WORDS: Final = {
    NO_LIMIT_GIVEN: "No limit given",
    NOT_LOGGED: "Limit given, not logged",
    REFUSED: "Limit given, data refused",
}
"""Verdicts of what has no margin, as they are told; nothing is said to be safe."""


def unlimited_words(drives: Iterable[DriveInputs]) -> str:
    """What nothing is known to limit, and what has a limit and no data on any drive."""
    checks = [line.check for line in closest_lines((drive.number, drive.limits) for drive in drives)]
    told = {words: sorted({limit_name(check) for check in checks if check.verdict == verdict})
            for verdict, words in BARE_WORDS.items()}  # fmt: skip
    return " ".join(f"{words}: {', '.join(names)}." for words, names in told.items() if names)


def timeline_block(drive: DriveInputs, units: DisplayUnits) -> FigureBlock:
    """A drive over time; the channels must have been given."""
    assert drive.drive is not None
    return FigureBlock(figure=timeline_figure(drive.drive, drive.limits, drive.flags, units, label=drive.label))


def limits_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Every limit, every curve and every event."""
    if not inputs.drives:
        return ()
    lines = closest_lines((drive.number, drive.limits) for drive in inputs.drives)
    blocks = (
        *limit_table(lines, inputs.units),
        *_curve_blocks(inputs, is_close=False),
        *event_table(_events(inputs)[:MOST_EVENTS], inputs.units),
    )
    return (Section(anchor="limit-tables", title="Limits in figures", blocks=blocks, length=3),)


def limit_table(
    lines: Iterable[LimitLine], units: DisplayUnits, *, is_one: bool = False, is_brief: bool = False
) -> list[TableBlock]:
    """Closest approach to every limit over the drives, the gravest first; the terminal shows its first columns."""

    def value(place: int) -> Callable[[LimitLine], str]:
        return lambda line: told_apart(
            line.check.worst_value, line.check.amber, line.check.red, unit=line.check.unit, units=units
        )[place]

    return table(
        lines,
        ("part", lambda line: limit_name(line.check).replace("temperature", "temp.")),
        ("closest", value(0)),
        ("amber", lambda line: value(1)(line).split(" ")[0]),
        ("red", lambda line: value(2)(line).split(" ")[0]),
        ("margin", lambda line: margin_text(line.check, units)),
        ("" if is_one else "drive", lambda line: str(line.drive)),
        ("verdict", lambda line: VERDICT_WORDS.get(line.check.verdict, line.check.verdict)),
        ("" if is_brief else "when", lambda line: _moment(line.check.context, units)),
        ("limit from", lambda line: line.check.source),
        tone=lambda line: "grey" if line.check.verdict in UNJUDGED else tone_of(line.check.severity),
        caption="Closest approach to every limit",
        meaning={
            "closest": "over all drives shown",
            "margin": "estimated; to red, or to amber where there is no red; negative is beyond",
            "when": "moment of the worst value, with speed and pack power",
        },
    )


def _moment(context: Context | None, units: DisplayUnits) -> str:
    """When, and at what speed and pack power."""
    if context is None:
        return NONE
    speed, power = context.speed_m_per_s, context.power_w
    parts = (
        clock(context.at_s),
        "" if speed is None else shown_value(speed, "m/s", units),
        "" if power is None else shown_value(power, "W", units),
    )
    return ", ".join(filter(None, parts))


VERDICT_WORDS: Final = {
    WITHIN: "within",
    MAY_BE_RED: "RED within ±",
    BEYOND_RED: "BEYOND RED",
    BEYOND_AMBER: "AMBER",
}
"""Short words of verdicts; others stand as they are."""
UNJUDGED: Final = (NO_LIMIT_GIVEN, NOT_LOGGED, REFUSED)
MOST_EVENTS: Final = 200


def _events(inputs: ReportInputs) -> list[tuple[int, LimitEvent]]:
    return [(drive.number, event) for drive in inputs.drives for event in drive.limits.events]


def event_kind_table(kinds: Iterable[EventKind], units: DisplayUnits, *, is_one: bool = False) -> list[TableBlock]:
    """Kinds of event over the drives, or of one drive, red first; nothing where nothing passed a limit."""
    return table(
        kinds,
        ("event", lambda kind: channel_words(kind.what)),
        ("" if is_one else "drives", lambda kind: _few(kind.drives)),
        ("times", lambda kind: str(kind.count)),
        ("in all", lambda kind: _lasted(kind.duration_s)),
        ("worst", lambda kind: _reached(kind.worst, units)[0]),
        ("limit", lambda kind: _reached(kind.worst, units)[1]),
        ("" if is_one else "drive", lambda kind: str(kind.worst_drive)),
        ("what to do", lambda kind: kind.worst.caution or kind.worst.remark),
        tone=lambda kind: tone_of(kind.severity),
        caption=f"What passed a limit{'' if is_one else ', over all drives'}",
    )


def _few(drives: Sequence[int]) -> str:
    """Which drives, or how many where they are too many to name."""
    return words if len(words := runs(drives)) <= _LONGEST_RUNS else f"{len(drives)} drives"


_LONGEST_RUNS: Final = 12


def event_table(events: Sequence[tuple[int, LimitEvent]], units: DisplayUnits) -> list[TableBlock]:
    """Every event with what else was true."""

    def context(unit: str, of: Callable[[Context], float | None]) -> Callable[[tuple[int, LimitEvent]], str]:
        return lambda row: shown_value(of(row[1].context), unit, units)

    return table(
        events,
        ("what", lambda row: channel_words(row[1].what)),
        ("drive", lambda row: str(row[0])),
        ("from", lambda row: clock(row[1].start_s)),
        ("for", lambda row: _lasted(row[1].duration_s)),
        ("worst", lambda row: _reached(row[1], units)[0]),
        ("limit", lambda row: _reached(row[1], units)[1]),
        ("speed", context("m/s", lambda found: found.speed_m_per_s)),
        ("power", context("W", lambda found: found.power_w)),
        ("SOC", lambda row: percent(row[1].context.state_of_charge_ratio)),
        ("slope", context("ratio", lambda found: found.grade_ratio)),
        ("outside", context("degC", lambda found: found.ambient_degc)),
        tone=lambda row: tone_of(row[1].severity),
        caption=f"Events beyond a limit ({len(events)}), one by one",
    )


def _reached(event: LimitEvent, units: DisplayUnits) -> tuple[str, ...]:
    return told_apart(event.worst_value, event.limit_value, unit=event.unit, units=units)


def _lasted(duration_s: float) -> str:
    return "< 1 s" if duration_s < 1.0 else f"{number(duration_s)} s"
