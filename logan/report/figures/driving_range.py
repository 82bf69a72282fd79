"""How far: range by scenario, why it moved, and what makes it unsure."""

from __future__ import annotations

from typing import Final

from logan.driving_range.attribution import Attribution
from logan.driving_range.prediction import RangePrediction
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.report.figure import Axis, Bars, Dots, Figure, Limit, Panel, rows
from logan.report.figures.waterfall import Part, told, waterfall
from logan.units import DisplayUnits
from logan.wording import capital, number, parameter_text, parameter_words, probability

MOST_STEPS: Final = 6
"""Causes of a change that are drawn by themselves; the rest is one bar."""
SAME_RATIO: Final = 0.01
"""A change of range below this is called none."""


_FAMILIES: Final = {"driveline_drag_n": "driveline drag", "driveline_n_s_per_m": "driveline drag"}
"""Parts of one cause are told as one."""


def cause_words(name: str) -> str:
    """A planning value's name; parts of one cause have the same."""
    return _FAMILIES.get(name, parameter_words(name))


def range_figure(
    plan: RangePrediction, refined: RangePrediction | None, units: DisplayUnits, *, is_short: bool = False
) -> Figure:
    """Range of every scenario, or of the target's alone, planned and refined, with the target drawn."""
    newest = refined or plan
    chosen = [newest.target] if is_short else list(newest.scenarios)
    series = [("plan", plan, "plan", "diamond", 0.2 if refined else 0.0)]
    if refined is not None:
        series.append(("drives", refined, "refined", "circle", -0.2))
    marks: list[Dots | Limit] = []
    for label, prediction, ink, symbol, shift in series:
        ranges = [prediction.scenario(scenario.name) for scenario in chosen]
        points = [one.range_m.scaled(1.0 / units.metres, units.distance) for one in ranges]
        texts = [f"{point.p50:.0f} ({point.p10:.0f} to {point.p90:.0f})" for point in points]
        marks.append(
            Dots(
                x=[point.p50 for point in points],
                y=[row + shift for row in range(len(points))],
                low=[point.p10 for point in points],
                high=[point.p90 for point in points],
                ink=ink,
                symbol=symbol,
                size=11.0,
                is_flat=True,
                labels=tuple(f"{label} {text}" if is_short or row == 0 else text for row, text in enumerate(texts)),
                words=tuple(
                    f"{one.name}, {label}: {text} {units.distance}, chance of the target "
                    f"{probability(one.probability_of_target)}{'; ' + one.note if one.note else ''}"
                    for one, text in zip(ranges, texts, strict=True)
                ),
            )
        )
    target = newest.target_range_m / units.metres
    marks.append(Limit(value=target, label=f"target {target:.0f} {units.distance}", ink="good", is_upright=True))
    return Figure(
        finding=_range_finding(newest, units),
        x=Axis(title=f"range [{units.distance}]", low=0.0),
        panels=(
            Panel(
                y=Axis(names=tuple(scenario.name for scenario in chosen)),
                marks=tuple(marks),
                height=rows(len(chosen), 40.0 if refined else 28.0),
            ),
        ),
        detail="Marks are the middle of the prediction, lines hold the truth eight times in ten.",
    )


def _range_finding(prediction: RangePrediction, units: DisplayUnits) -> str:
    middle, target = prediction.target.range_m.p50 / units.metres, prediction.target_range_m / units.metres
    gap = middle - target
    how = f"{number(abs(gap))} {units.distance} {'beyond' if gap >= 0 else 'short of'} the target"
    return f"{number(middle)} {units.distance} in '{prediction.target_scenario}': {how}."


def grouped_steps(attribution: Attribution, units: DisplayUnits) -> list[Part]:
    """What moved the range, assumptions of one name together. In display units of distance."""
    found: dict[str, Part] = {}
    for step in attribution.steps:
        name, change = cause_words(step.name), step.range_change_m / units.metres
        known = found.get(name)
        before, after = (parameter_text(step.name, value, units, step.unit) for value in (step.before, step.after))
        words = f"{name}: {before} to {after}" if before else name
        found[name] = Part(name=name, change=change + (known.change if known else 0.0), words=words)
    return list(found.values())


def attribution_figure(attribution: Attribution, units: DisplayUnits, *, most: int = MOST_STEPS) -> Figure:
    """Why the prediction moved: from the planned range to the refined one, cause by cause."""
    before, after = attribution.range_before_m / units.metres, attribution.range_after_m / units.metres
    parts = told(grouped_steps(attribution, units), most, 0.004 * before)
    return waterfall(
        attribution_finding(attribution, units),
        f"range in '{attribution.scenario}' [{units.distance}]",
        parts,
        before=("plan", before),
        after=("with the drives", after),
        inks=("good", "amber"),
        digits=1 if abs(after - before) < 20.0 else 0,
    )


def attribution_finding(attribution: Attribution, units: DisplayUnits) -> str:
    """What moved the range most, in one sentence."""
    before, after = attribution.range_before_m / units.metres, attribution.range_after_m / units.metres
    change = after - before
    if abs(change) < SAME_RATIO * before:
        return f"The drives bear the plan out: {number(before)} {units.distance} planned, {number(after)} now."
    largest = max(
        (part for part in grouped_steps(attribution, units) if part.change * change > 0), key=lambda p: abs(p.change)
    )
    verb, way = ("took", "lost") if change < 0 else ("brought", "gained")
    digits = 0 if abs(largest.change) >= 9.5 else 1
    own, whole = number(abs(largest.change), digits), number(abs(change), digits)
    if abs(largest.change) > abs(change):
        whole = f"{whole} {units.distance} {way} in all"
        return f"{capital(largest.name)} {verb} {own} {units.distance}; {whole}."
    return f"{capital(largest.name)} {verb} {own} of the {whole} {units.distance} {way}."


def unsure_figure(budget: UncertaintyBudget, units: DisplayUnits, *, most: int = 7) -> Figure:
    """What makes the range unsure, source by source."""
    found = [(parameter_words(row.source), row.contribution / units.metres) for row in budget.rows]
    whole = f" of ± {number(budget.combined / units.metres, 1)} in all (one standard uncertainty)"
    shown = [(name, value) for name, value in found if value >= 0.05][:most] or found[:1]
    name, value = shown[0] if shown else ("nothing", 0.0)
    return Figure(
        finding=f"{capital(name)} is the biggest unknown: ± {number(value, 1)} {units.distance}{whole}.",
        x=Axis(title=f"± range [{units.distance}]", low=0.0),
        panels=(
            Panel(
                y=Axis(names=tuple(name for name, _ in shown)),
                marks=(
                    Bars(
                        at=list(range(len(shown))),
                        start=[0.0] * len(shown),
                        end=[value for _, value in shown],
                        inks=("refined",) * len(shown),
                        labels=tuple(f"± {number(value, 1)}" for _, value in shown),
                    ),
                ),
                height=rows(len(shown), 23.0),
            ),
        ),
    )
