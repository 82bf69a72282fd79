"""Figures of the driving range, and waterfalls: bars that lead from one figure to another."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logan.driving_range.attribution import Attribution
from logan.driving_range.prediction import RangePrediction
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.report.figure import Axis, Bars, Dots, Figure, Limit, by_rows
from logan.units import DisplayUnits
from logan.wording import capital, number, parameter_text, parameter_words, probability, signed, step_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One step: its name, how much it adds, and words said when it is pointed at."""

    name: str
    change: float
    words: str = ""
    sigma: float | None = None
    is_residual: bool = False


def told(parts: Sequence[Part], most: int, least: float) -> list[Part]:
    """The largest parts first, at most so many and none below ``least``; the others as one."""
    order = sorted(parts, key=lambda part: -abs(part.change))
    kept = [part for part in order if abs(part.change) >= least][:most]
    if len(kept) == len(order):
        return kept
    rest = sum(part.change for part in order if part not in kept)
    return [*kept, Part(name="all others", change=rest)] if abs(rest) >= 0.05 * least else kept


def waterfall(
    finding: str,
    axis: str,
    parts: Sequence[Part],
    *,
    before: tuple[str, float] | None,
    after: tuple[str, float],
    inks: tuple[str, str] = ("amber", "good"),
    digits: int = 0,
) -> Figure:
    """Draw parts one after the other.

    Parameters
    ----------
    finding, axis : str
        Caption; what is counted, with its unit.
    parts : sequence of Part
        In the order drawn.
    before, after : (str, float)
        What it starts from, left out where that is zero, and what it comes to.
    inks : (str, str)
        Roles of parts that add and of parts that take away.
    digits : int
        Of the labels.
    """
    start = 0.0 if before is None else before[1]
    starts, at = [], start
    for part in parts:
        starts.append(at)
        at += part.change
    is_absolute = before is None
    names = [*([] if before is None else [before[0]]), *(part.name for part in parts), after[0]]
    first = 0 if before is None else 1
    labels = tuple(
        (number(part.change, digits) if is_absolute and part.change >= 0 else signed(part.change, digits))
        + ("" if part.sigma is None else f" ± {number(part.sigma, digits)}")
        for part in parts
    )
    bars = Bars(
        at=[first + k for k in range(len(parts))],
        start=starts,
        end=[begin + part.change for begin, part in zip(starts, parts, strict=True)],
        inks=tuple("neutral" if part.is_residual else inks[0 if part.change >= 0 else 1] for part in parts),
        labels=labels,
        words=tuple(part.words or f"{part.name}: {label}" for part, label in zip(parts, labels, strict=True)),
    )
    ends = [] if before is None else [("plan", "diamond", 0, before)]
    ends.append(("refined", "circle", len(names) - 1, after))
    marks = [
        Dots(x=[value], y=[row], ink=ink, symbol=symbol, labels=(number(value, digits),), size=13.0)
        for ink, symbol, row, (_, value) in ends
    ]
    values = [start, after[1], *bars.start, *bars.end]
    low, high = min(values), max(values)
    room = 0.08 * (high - low)
    x = Axis(title=axis, low=min(low, 0.0) if is_absolute else low - room, high=high + 0.5 * room)
    return by_rows(finding, x, names, bars, *marks)


MOST_STEPS: Final = 6
"""Causes of a change that are drawn by themselves; the rest is one bar."""
SAME_RATIO: Final = 0.01
"""A change of range below this is called none."""


_FAMILIES: Final = {"driveline_drag_n": "driveline drag", "driveline_n_s_per_m": "driveline drag"}
"""Parts of one cause are told as one."""


def cause_words(name: str) -> str:
    """A planning value's name; parts of one cause have the same."""
    return _FAMILIES.get(name, step_words(name))


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
    return by_rows(
        _range_finding(newest, units),
        Axis(title=f"range [{units.distance}]", low=0.0),
        [scenario.name for scenario in chosen],
        *marks,
        row_height=40.0 if refined else 28.0,
        detail="Marks are the middle of the prediction, lines hold the truth eight times in ten.",
    )


def _range_finding(prediction: RangePrediction, units: DisplayUnits) -> str:
    middle, target = prediction.target.range_m.p50 / units.metres, prediction.target_range_m / units.metres
    gap = round(middle) - round(target)  # as they are shown
    how = f"{number(abs(gap))} {units.distance} {'beyond' if gap >= 0 else 'short of'} the target"
    how = how if gap else "right at the target"
    return f"{number(middle)} {units.distance} in '{prediction.target_scenario}': {how}."


def grouped_steps(attribution: Attribution, units: DisplayUnits) -> list[Part]:
    """What moved the range, assumptions of one name together. In display units of distance."""
    found: dict[str, Part] = {}
    for step in attribution.steps:
        name, change = cause_words(step.name), step.range_change_m / units.metres
        known = found.get(name)
        before, after = (parameter_text(step.name, value, units, step.unit) for value in (step.before, step.after))
        words = f"{step_words(step.name)}: {before} to {after}" if before else name
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
    bars = Bars(
        at=list(range(len(shown))),
        start=[0.0] * len(shown),
        end=[value for _, value in shown],
        inks=("refined",) * len(shown),
        labels=tuple(f"± {number(value, 1)}" for _, value in shown),
    )
    return by_rows(
        f"{capital(name)} is the biggest unknown: ± {number(value, 1)} {units.distance}{whole}.",
        Axis(title=f"± range [{units.distance}]", low=0.0),
        [name for name, _ in shown],
        bars,
    )
