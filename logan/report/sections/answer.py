"""The answer first: does it make the target, how sure, and what is the weakest part."""

from __future__ import annotations

from collections.abc import Sequence

from logan.driving_range.prediction import RangePrediction
from logan.flags import Severity
from logan.metrics.limit_events import LimitEvent
from logan.metrics.limits import NO_LIMIT_GIVEN, LimitSummary
from logan.report.document import Block, KeyFigure, KeyFigures, Section, Tone, Verdict, Words
from logan.report.inputs import ReportInputs
from logan.units import DisplayUnits
from logan.wording import (
    channel_words,
    distance,
    number,
    parameter_text,
    parameter_words,
    percent,
    probability,
    shown_value,
    signed,
    spread_text,
)


def answer_section(inputs: ReportInputs) -> Section:
    """What a builder and a customer read first."""
    shown = inputs.fitted.refined if inputs.fitted else inputs.plan
    blocks: list[Block] = [
        _verdict(shown, inputs.units, inputs.build.target.confidence_ratio),
        KeyFigures(figures=_key_figures(inputs, shown)),
        Words(lines=(_what_moved(inputs),)),
        weakest_part([(drive.label, drive.limits) for drive in inputs.drives], inputs.units),
    ]
    notes = [line for line in (shown.note, shown.target.note) if line]
    if notes:
        blocks.append(Words(lines=tuple(notes), tone="amber"))
    return Section(anchor="answer", title="Does it make the target?", blocks=tuple(blocks))


def _verdict(prediction: RangePrediction, units: DisplayUnits, wanted_ratio: float) -> Verdict:
    chance = prediction.target.probability_of_target
    basis = "the plan alone" if prediction.basis == "plan" else f"{_drives(prediction.drive_count)} and the plan"
    return Verdict(
        answer=_answer(chance, wanted_ratio),
        because=(
            f"The chance of {distance(prediction.target_range_m, units)} in '{prediction.target_scenario}' is "
            f"{probability(chance)}, you want {percent(wanted_ratio)}; judged from {basis}. "
            f"Reserve {percent(prediction.reserve_ratio)} and ageing {percent(prediction.ageing_ratio)} are taken off."
        ),
        tone=_tone(chance, wanted_ratio),
    )


def _answer(chance: float, wanted_ratio: float) -> str:
    if chance >= wanted_ratio:
        return "Yes"
    if chance >= 0.5:
        return "Likely, but not surely enough"
    return "Probably not" if chance > 1.0 - wanted_ratio else "No"


def _tone(chance: float, wanted_ratio: float) -> Tone:
    return "good" if chance >= wanted_ratio else ("amber" if chance >= 0.5 else "red")


def _drives(count: int) -> str:
    return "one drive" if count == 1 else f"{count} drives"


def _key_figures(inputs: ReportInputs, shown: RangePrediction) -> tuple[KeyFigure, ...]:
    units, target = inputs.units, shown.target
    wanted_chance = inputs.build.target.confidence_ratio
    sizing = inputs.fitted.sizing if inputs.fitted else inputs.plan_sizing
    wanted = sizing.sizes[-1]
    tone = _tone(target.probability_of_target, wanted_chance)
    return (
        KeyFigure(
            label=f"range, {target.name}",
            value=distance(target.range_m.p50, units),
            detail=f"{spread_text(target.range_m.scaled(1.0 / units.metres, units.distance))} (10 to 90 %)",
            tone=tone,
        ),
        KeyFigure(
            label="chance of the target",
            value=probability(target.probability_of_target),
            detail=f"of {distance(shown.target_range_m, units)}; you want {percent(wanted_chance)}",
            tone=tone,
        ),
        KeyFigure(
            label="consumption there",
            value=f"{units.consumption(target.consumption.p50):.0f} {units.consumption_label}",
            detail=f"{spread_text(target.consumption.scaled(units.metres / 1000.0, ''))} (10 to 90 %), net at the pack",
        ),
        KeyFigure(
            label=f"usable pack for {percent(wanted.confidence_ratio)}",
            value=f"{wanted.usable_energy_wh / 1000:.1f} kWh" if wanted.is_reachable else "no pack",
            detail=f"the build has {sizing.present_usable_energy_wh / 1000:.1f} kWh usable",
        ),
    )


def _what_moved(inputs: ReportInputs) -> str:
    if inputs.fitted is None:
        return f"No drive has refined the plan yet: {inputs.no_fit_because}"
    units, attribution = inputs.units, inputs.fitted.attribution
    change = attribution.range_after_m - attribution.range_before_m
    parts = [
        f"{parameter_words(step.name)} ({parameter_text(step.name, step.before, units)} → "
        f"{parameter_text(step.name, step.after, units)}: "
        f"{signed(step.range_change_m / units.metres)} {units.distance})"
        for step in attribution.steps[:3]
        if abs(step.range_change_m) > 0.005 * attribution.range_before_m
    ]
    step = f"{signed(change / units.metres)} {units.distance}"
    moved = f"Against the plan of {inputs.planned_at[:10]} the range moved by {step}"
    return f"{moved}; most of it by {', '.join(parts)}." if parts else f"{moved}: the plan was right."


def weakest_part(drives: Sequence[tuple[str, LimitSummary]], units: DisplayUnits) -> Words:
    """What passed its limit, or came closest to it, over all drives; what has no limit is named."""
    events = [(label, event) for label, limits in drives for event in limits.events]
    if not drives:
        return Words(lines=("No drive has been imported yet, so nothing is known about limits.",), tone="grey")
    worst = next(
        (found for grave in (Severity.RED, Severity.AMBER) if (found := [e for e in events if e[1].severity is grave])),
        [],
    )
    if worst:
        return _passed(worst, units)
    checks = [
        (check.margin / abs(check.red or check.amber or 1.0), check, label)
        for label, limits in drives
        for check in limits.checks
        if check.margin is not None
    ]
    unlimited = {check.channel for _, limits in drives for check in limits.checks if check.verdict == NO_LIMIT_GIVEN}
    closest: list[str] = []
    if checks:
        _, check, label = min(checks, key=lambda item: item[0])
        closest.append(
            f"Closest to its limit: {channel_words(check.channel)} on drive {label}, "
            f"{shown_value(check.worst_value, check.unit, units)} against "
            f"{shown_value(check.red if check.red is not None else check.amber, check.unit, units)} (estimated)."
        )
    if unlimited:
        closest.append(
            f"No limit given for {len(unlimited)} channels: {', '.join(sorted(map(channel_words, unlimited)))}."
        )
    return Words(lines=tuple(closest) or ("No limit given.",), tone="grey", title="The weakest part")


def _passed(events: list[tuple[str, LimitEvent]], units: DisplayUnits) -> Words:
    """What passed its limit, each channel once: how often, how long, how far, on which drives."""
    lines, cautions = [], []
    for what in list(dict.fromkeys(event.what for _, event in events))[:4]:
        chosen = [(label, event) for label, event in events if event.what == what]
        worst = max((event for _, event in chosen), key=lambda event: abs(event.worst_value - event.limit_value))
        drives = ", ".join(dict.fromkeys(label for label, _ in chosen))
        count = sum(event.times for _, event in chosen)
        often = "once" if count == 1 else f"{count} times"
        seconds = sum(event.duration_s for _, event in chosen)
        lines.append(
            f"{channel_words(what).capitalize()} passed {worst.severity.value} {often} on drive {drives}: "
            f"{shown_value(worst.worst_value, worst.unit, units)} against "
            f"{shown_value(worst.limit_value, worst.unit, units)}, "
            f"{'for less than a second' if seconds < 1.0 else f'for {number(seconds)} s'} in all."
        )
        cautions.append(worst.caution)
    tone: Tone = "red" if events[0][1].severity is Severity.RED else "amber"
    return Words(lines=(*lines, *dict.fromkeys(filter(None, cautions))), tone=tone, title="The weakest part")
