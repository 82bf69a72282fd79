"""The answer first: does it make the target, how sure, and what is the weakest part."""

from __future__ import annotations

from logan.driving_range.prediction import RangePrediction
from logan.flags import Severity
from logan.metrics.limits import LimitEvent
from logan.report.document import Block, KeyFigure, KeyFigures, Section, Tone, Words
from logan.report.inputs import ReportInputs
from logan.report.names import PARAMETER_WORDS, channel_words, parameter_text
from logan.report.wording import consumption_text, distance, number, percent, range_text, shown_value
from logan.units import DisplayUnits


def answer_section(inputs: ReportInputs) -> Section:
    """What a builder and a customer read first."""
    shown = inputs.fitted.refined if inputs.fitted else inputs.plan
    blocks: list[Block] = [
        Words(lines=(_verdict(shown, inputs.units, inputs.build.target.confidence_ratio),), title=""),
        KeyFigures(figures=_key_figures(inputs, shown)),
        Words(lines=(_what_moved(inputs),)),
        _weakest(inputs),
    ]
    notes = [line for line in (shown.note, shown.target.note) if line]
    if notes:
        blocks.append(Words(lines=tuple(notes), tone="amber"))
    return Section(anchor="answer", title="Does it make the target?", blocks=tuple(blocks))


def _verdict(prediction: RangePrediction, units: DisplayUnits, wanted_ratio: float) -> str:
    chance = prediction.target.probability_of_target
    if chance >= wanted_ratio:
        word = "Yes, by this prediction"
    elif chance <= 1.0 - wanted_ratio:
        word = "No, by this prediction"
    else:
        word = "Not surely enough"
    basis = "the plan alone" if prediction.basis == "plan" else f"{prediction.drive_count} drives and the plan"
    return (
        f"{word}: the chance of {distance(prediction.target_range_m, units)} in '{prediction.target_scenario}' is "
        f"{percent(chance)} (wanted: {percent(wanted_ratio)}), judged from {basis}. "
        f"Reserve {percent(prediction.reserve_ratio)} and ageing {percent(prediction.ageing_ratio)} are taken off."
    )


def _key_figures(inputs: ReportInputs, shown: RangePrediction) -> tuple[KeyFigure, ...]:
    units, target = inputs.units, shown.target
    sizing = inputs.fitted.sizing if inputs.fitted else inputs.plan_sizing
    wanted = sizing.sizes[-1]
    tone: Tone = (
        "good"
        if target.probability_of_target >= inputs.build.target.confidence_ratio
        else ("amber" if target.probability_of_target >= 0.5 else "red")
    )
    return (
        KeyFigure(
            label=f"range, {target.name}",
            value=distance(target.range_m.p50, units),
            detail=f"{range_text(target.range_m, units)} {units.distance}: 50 % point (10 to 90 %)",
            tone=tone,
        ),
        KeyFigure(
            label="chance of the target",
            value=percent(target.probability_of_target),
            detail=f"of {distance(shown.target_range_m, units)}; basis: {shown.basis}",
            tone=tone,
        ),
        KeyFigure(
            label="consumption there",
            value=f"{units.consumption(target.consumption.p50):.0f} {units.consumption_label}",
            detail=f"{consumption_text(target.consumption, units)} {units.consumption_label}, net at the pack",
        ),
        KeyFigure(
            label=f"usable pack for {percent(wanted.confidence_ratio)}",
            value="no pack" if wanted.cells_in_parallel is None else f"{wanted.usable_energy_wh / 1000:.1f} kWh",
            detail=f"the build has {sizing.present_usable_energy_wh / 1000:.1f} kWh usable",
        ),
    )


def _what_moved(inputs: ReportInputs) -> str:
    if inputs.fitted is None:
        return f"No drive has refined the plan yet: {inputs.no_fit_because}"
    units, attribution = inputs.units, inputs.fitted.attribution
    change = attribution.range_after_m - attribution.range_before_m
    parts = [
        f"{PARAMETER_WORDS.get(step.name, step.name)} ({parameter_text(step.name, step.before)} → "
        f"{parameter_text(step.name, step.after)}: {step.range_change_m / units.metres:+.0f} {units.distance})"
        for step in attribution.steps[:3]
        if abs(step.range_change_m) > 0.005 * attribution.range_before_m
    ]
    moved = (
        f"Against the plan of {inputs.planned_at[:10]} the range moved by {change / units.metres:+.0f} {units.distance}"
    )
    return f"{moved}; most of it by {', '.join(parts)}." if parts else f"{moved}: the plan was right."


def _weakest(inputs: ReportInputs) -> Words:
    units = inputs.units
    events: list[tuple[str, LimitEvent]] = [
        (drive.label, event) for drive in inputs.drives for event in drive.limits.events
    ]
    if not inputs.drives:
        return Words(lines=("No drive has been imported yet, so nothing is known about limits.",), tone="grey")
    worst = [pair for pair in events if pair[1].severity is Severity.RED] or events
    if worst:
        lines = tuple(
            f"{channel_words(event.what)} passed {event.severity.value} on drive {label}: "
            f"{shown_value(event.worst_value, event.unit, units)} against "
            f"{shown_value(event.limit_value, event.unit, units)}, "
            f"for {number(event.duration_s)} s. {event.caution}".strip()
            for label, event in worst[:4]
        )
        is_red = worst[0][1].severity is Severity.RED
        return Words(lines=lines, tone="red" if is_red else "amber", title="The weakest part")
    checks = [
        (check.margin / abs(check.red or check.amber or 1.0), check, drive.label)
        for drive in inputs.drives
        for check in drive.limits.checks
        if check.margin is not None
    ]
    unlimited = {check.channel for drive in inputs.drives for check in drive.limits.checks if check.side is None}
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
