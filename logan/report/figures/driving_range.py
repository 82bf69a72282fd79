"""How far: range by scenario, why it moved, and what it hangs on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from logan.driving_range.attribution import Attribution
from logan.driving_range.prediction import RangePrediction
from logan.driving_range.sensitivity import Tornado
from logan.report.names import PARAMETER_WORDS, parameter_text
from logan.report.theme import AMBER, PLAN, REFINED, TARGET, empty_figure, limit_line
from logan.units import DisplayUnits

if TYPE_CHECKING:
    import plotly.graph_objects as go

_LEVELS: Final = "line: 10 to 90 %, mark: 50 %"


def range_figure(plan: RangePrediction, refined: RangePrediction | None, units: DisplayUnits) -> go.Figure:
    """Range of every scenario, planned and refined, with the target drawn."""
    shown = refined or plan
    names = [scenario.name for scenario in shown.scenarios]
    middle = shown.target.range_m.p50 / units.metres
    alt = (
        f"Driving range by scenario. In the target scenario '{shown.target_scenario}' the middle of the prediction is "
        f"{middle:.0f} {units.distance}; the target is {shown.target_range_m / units.metres:.0f} {units.distance}."
    )
    figure = empty_figure(f"range [{units.distance}], {_LEVELS}", "", alt=alt, height=170 + 58 * len(names))
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
                f"{scenario.name}, {label}<br>{mid:.0f} {units.distance} "
                f"({scenario.range_m.p10 / units.metres:.0f} to {scenario.range_m.p90 / units.metres:.0f})<br>"
                f"{units.consumption(scenario.consumption.p50):.0f} {units.consumption_label}<br>"
                f"chance of the target {scenario.probability_of_target:.0%}"
                + ("<br>extrapolated" if scenario.is_extrapolated else "")
                for scenario, mid in zip(scenarios, middles, strict=True)
            ],
            hovertemplate="%{text}<extra></extra>",
        )
    figure.update_yaxes(
        tickvals=list(range(len(names))),
        ticktext=[_scenario_label(name, shown) for name in names],
        autorange="reversed",
        zeroline=False,
    )
    figure.update_xaxes(rangemode="tozero")
    target = shown.target_range_m / units.metres
    limit_line(figure, target, f"target {target:.0f} {units.distance}", TARGET, axis="x")
    return figure


def _scenario_label(name: str, prediction: RangePrediction) -> str:
    scenario = prediction.scenario(name)
    mark = " *" if scenario.is_extrapolated else ""
    return f"<b>{name}</b>{mark}" if name == prediction.target_scenario else f"{name}{mark}"


def attribution_figure(attribution: Attribution, units: DisplayUnits) -> go.Figure:
    """Why the prediction moved: from the planned range to the refined one, assumption by assumption."""
    import plotly.graph_objects as go

    steps = [step for step in attribution.steps if abs(step.range_change_m) > 1.0]
    change = (attribution.range_after_m - attribution.range_before_m) / units.metres
    largest = PARAMETER_WORDS.get(steps[0].name, steps[0].name) if steps else "nothing"
    alt = (
        f"Why the range of '{attribution.scenario}' moved by {change:+.0f} {units.distance}: "
        f"the largest part is due to {largest}."
    )
    figure = empty_figure("", f"range [{units.distance}]", alt=alt)
    labels = ["plan", *(PARAMETER_WORDS.get(step.name, step.name) for step in steps), "refined"]
    values = [
        attribution.range_before_m / units.metres,
        *(step.range_change_m / units.metres for step in steps),
        attribution.range_after_m / units.metres,
    ]
    texts = [
        f"{values[0]:.0f}",
        *(
            f"{step.range_change_m / units.metres:+.1f}<br>{parameter_text(step.name, step.before)} → "
            f"{parameter_text(step.name, step.after)}"
            for step in steps
        ),
        f"{values[-1]:.0f}",
    ]
    figure.add_trace(
        go.Waterfall(
            x=labels,
            y=values,
            measure=["absolute", *("relative" for _ in steps), "total"],
            text=texts,
            textposition="outside",
            cliponaxis=False,
            increasing={"marker": {"color": TARGET}},
            decreasing={"marker": {"color": AMBER}},
            totals={"marker": {"color": REFINED}},
            connector={"line": {"color": PLAN, "width": 1}},
            hovertemplate="%{x}: %{text}<extra></extra>",
            showlegend=False,
        )
    )
    return figure


def tornado_figure(tornado: Tornado, units: DisplayUnits) -> go.Figure:
    """What one standard uncertainty of each assumption does to the range."""
    shown = [item for item in tornado.sensitivities if item.swing_m > 1.0][::-1]
    alt = "What the answer hangs on: " + ", ".join(
        f"{PARAMETER_WORDS.get(item.name, item.name)} ±{item.swing_m / 2 / units.metres:.0f} {units.distance}"
        for item in shown[::-1][:3]
    )
    figure = empty_figure(f"change of range [{units.distance}]", "", alt=alt, height=140 + 42 * len(shown))
    for label, pick, colour in (("one σ lower", "range_low_m", REFINED), ("one σ higher", "range_high_m", AMBER)):
        figure.add_bar(
            x=[(getattr(item, pick) - tornado.range_m) / units.metres for item in shown],
            y=[PARAMETER_WORDS.get(item.name, item.name) for item in shown],
            orientation="h",
            name=label,
            marker={"color": colour, "pattern": {"shape": "/" if colour == AMBER else ""}},
            text=[parameter_text(item.name, item.low if pick == "range_low_m" else item.high) for item in shown],
            hovertemplate="%{y}: %{text}<br>%{x:+.1f} " + units.distance + "<extra></extra>",
        )
    figure.update_layout(barmode="overlay")
    return figure
