"""How far: range by scenario, why it moved, and what it hangs on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from logan.driving_range.attribution import Attribution
from logan.driving_range.prediction import RangePrediction
from logan.driving_range.sensitivity import Tornado
from logan.report.theme import AMBER, PLAN, REFINED, TARGET, empty_figure, hatched, limit_line, shown
from logan.units import DisplayUnits
from logan.wording import parameter_text, parameter_words, probability, signed

if TYPE_CHECKING:
    import plotly.graph_objects as go

MOST_STEPS: Final = 6
"""Causes of a change that are drawn by themselves; the rest is one bar."""


def range_figure(plan: RangePrediction, refined: RangePrediction | None, units: DisplayUnits) -> go.Figure:
    """Range of every scenario, planned and refined, with the target drawn."""
    newest = refined or plan
    names = [scenario.name for scenario in newest.scenarios]
    middle = newest.target.range_m.p50 / units.metres
    alt = (
        f"Driving range by scenario. In the target scenario '{newest.target_scenario}' the middle of the prediction is "
        f"{middle:.0f} {units.distance}; the target is {newest.target_range_m / units.metres:.0f} {units.distance}."
    )
    figure = empty_figure(f"range [{units.distance}]", "", alt=alt, height=170 + 58 * len(names))
    series = [("plan", plan, PLAN, "diamond-open", 0.16)]
    if refined is not None:
        series.append(("refined by the drives", refined, REFINED, "circle", -0.16))
    for label, prediction, colour, symbol, shift in series:
        scenarios = [prediction.scenario(name) for name in names]
        middles = [scenario.range_m.p50 / units.metres for scenario in scenarios]
        figure.add_scatter(
            x=middles,
            y=[index + shift for index in range(len(names))],
            mode="markers",
            name=label,
            marker={"color": colour, "size": 13, "symbol": symbol, "line": {"width": 2, "color": colour}},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [
                    scenario.range_m.p90 / units.metres - mid for scenario, mid in zip(scenarios, middles, strict=True)
                ],
                "arrayminus": [
                    mid - scenario.range_m.p10 / units.metres for scenario, mid in zip(scenarios, middles, strict=True)
                ],
                "color": colour,
                "thickness": 3,
                "width": 7,
            },
            text=[
                f"{shown(scenario.name)}, {label}<br>{mid:.0f} {units.distance} "
                f"({scenario.range_m.p10 / units.metres:.0f} to {scenario.range_m.p90 / units.metres:.0f})<br>"
                f"{units.consumption(scenario.consumption.p50):.0f} {units.consumption_label}<br>"
                f"chance of the target {probability(scenario.probability_of_target)}"
                + ("<br>extrapolated" if scenario.is_extrapolated else "")
                for scenario, mid in zip(scenarios, middles, strict=True)
            ],
            hovertemplate="%{text}<extra></extra>",
        )
    figure.update_yaxes(
        tickvals=list(range(len(names))),
        ticktext=[_scenario_label(name, newest) for name in names],
        autorange="reversed",
        zeroline=False,
    )
    figure.update_xaxes(rangemode="tozero")
    target = newest.target_range_m / units.metres
    limit_line(figure, target, f"target {target:.0f} {units.distance}", TARGET, axis="x")
    return figure


def _scenario_label(name: str, prediction: RangePrediction) -> str:
    scenario = prediction.scenario(name)
    mark = " *" if scenario.is_extrapolated else ""
    return f"<b>{shown(name)}</b>{mark}" if name == prediction.target_scenario else f"{shown(name)}{mark}"


def attribution_figure(attribution: Attribution, units: DisplayUnits) -> go.Figure:
    """Why the prediction moved: from the planned range to the refined one, assumption by assumption."""
    steps = sorted(attribution.steps, key=lambda step: -abs(step.range_change_m))
    told = [step for step in steps if abs(step.range_change_m) >= 0.002 * attribution.range_before_m][:MOST_STEPS]
    rest_m = sum(step.range_change_m for step in steps) - sum(step.range_change_m for step in told)
    rows = [
        (
            parameter_words(step.name),
            step.range_change_m / units.metres,
            f"{parameter_text(step.name, step.before, units)} → {parameter_text(step.name, step.after, units)}",
        )
        for step in told
    ]
    if len(steps) > len(told):
        rows.append(("all others", rest_m / units.metres, ""))
    before, after = attribution.range_before_m / units.metres, attribution.range_after_m / units.metres
    largest = rows[0][0] if told else "nothing"
    alt = (
        f"Why the range of '{attribution.scenario}' moved by {after - before:+.0f} {units.distance}, from {before:.0f} "
        f"to {after:.0f}: the largest part is due to {largest}."
    )
    figure = empty_figure(f"range [{units.distance}]", "", alt=alt, height=150 + 44 * (len(rows) + 2))
    starts, at = [], before
    for _, change, _ in rows:
        starts.append(at)
        at += change
    for is_gain, label, colour in ((False, "takes away", AMBER), (True, "adds", TARGET)):
        chosen = [(row, start) for row, start in zip(rows, starts, strict=True) if (row[1] >= 0.0) is is_gain]
        figure.add_bar(
            x=[row[1] for row, _ in chosen],
            base=[start for _, start in chosen],
            y=[row[0] for row, _ in chosen],
            orientation="h",
            name=label,
            text=[signed(row[1], 1) for row, _ in chosen],
            customdata=[row[2] for row, _ in chosen],
            textposition="outside",
            cliponaxis=False,
            marker={"color": colour, "pattern": hatched("" if is_gain else "/")},
            hovertemplate="%{y}: %{text} " + units.distance + "<br>%{customdata}<extra></extra>",
        )
    for label, value, colour, symbol in (("plan", before, PLAN, "diamond"), ("refined", after, REFINED, "circle")):
        figure.add_scatter(
            x=[value],
            y=[label],
            mode="markers",
            name=f"{label}: {value:.0f} {units.distance}",
            marker={"color": colour, "size": 15, "symbol": symbol},
            hovertemplate="%{y}: %{x:.0f} " + units.distance + "<extra></extra>",
        )
    low, high = min([before, after, *starts]), max([before, after, *starts])
    room = max(high - low, 0.05 * high)
    figure.update_xaxes(range=[low - 0.4 * room, high + 0.4 * room])
    figure.update_yaxes(categoryorder="array", categoryarray=["refined", *(row[0] for row in rows[::-1]), "plan"])
    figure.update_layout(barmode="overlay")
    return figure


def tornado_figure(tornado: Tornado, units: DisplayUnits) -> go.Figure:
    """What one standard uncertainty of each assumption does to the range."""
    items = [item for item in tornado.sensitivities if item.swing_m > 1.0][::-1]
    alt = "What the answer hangs on: " + ", ".join(
        f"{parameter_words(item.name)} ±{item.swing_m / 2 / units.metres:.0f} {units.distance}"
        for item in items[::-1][:3]
    )
    figure = empty_figure(f"change of range [{units.distance}]", "", alt=alt, height=140 + 42 * len(items))
    for label, pick, colour in (("one σ lower", "range_low_m", REFINED), ("one σ higher", "range_high_m", AMBER)):
        figure.add_bar(
            x=[(getattr(item, pick) - tornado.range_m) / units.metres for item in items],
            y=[parameter_words(item.name) for item in items],
            orientation="h",
            name=label,
            marker={"color": colour, "pattern": hatched("/" if colour == AMBER else "")},
            text=[parameter_text(item.name, item.low if pick == "range_low_m" else item.high, units) for item in items],
            textposition="outside",
            cliponaxis=False,
            hovertemplate="%{y}: %{text}<br>%{x:+.1f} " + units.distance + "<extra></extra>",
        )
    widest = max((item.swing_m for item in items), default=1.0) / units.metres
    figure.update_xaxes(range=[-0.95 * widest, 0.95 * widest])
    figure.update_layout(barmode="overlay")
    return figure
