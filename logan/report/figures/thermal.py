"""What runs hot: every temperature against its limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logan.metrics.limits import LimitSummary
from logan.report.theme import AMBER, NEUTRAL, RED, TARGET, empty_figure
from logan.units import DisplayUnits
from logan.wording import channel_words

if TYPE_CHECKING:
    import plotly.graph_objects as go


def temperature_figure(drives: Sequence[tuple[str, LimitSummary]], units: DisplayUnits) -> go.Figure:
    """Highest value of every temperature on every drive, with amber and red drawn; grey where no limit is given."""
    rows: dict[str, list[tuple[str, float]]] = {}
    limits: dict[str, tuple[float | None, float | None]] = {}
    for label, summary in drives:
        for check in summary.checks:
            if check.unit == "degC" and check.worst_value is not None:
                rows.setdefault(check.channel, []).append((label, check.worst_value))
                limits[check.channel] = (check.amber, check.red)
    names = list(rows)
    without = sum(limit == (None, None) for limit in limits.values())
    alt = f"Highest temperatures of {len(drives)} drives against their limits; {without} channels have no limit given."
    figure = empty_figure(f"temperature [{units.temperature_label}]", "", alt=alt, height=150 + 52 * len(names))
    for index, name in enumerate(names):
        amber, red = limits[name]
        for value, colour, word in ((amber, AMBER, "amber"), (red, RED, "red")):
            if value is not None:
                figure.add_scatter(
                    x=[units.temperature_of(value)] * 2,
                    y=[index - 0.35, index + 0.35],
                    mode="lines",
                    line={"color": colour, "width": 5, "dash": "solid" if word == "red" else "dot"},
                    showlegend=False,
                    hovertemplate=f"{channel_words(name)}: {word} %{{x:.0f}} {units.temperature_label}<extra></extra>",
                )
        points = rows[name]
        figure.add_scatter(
            x=[units.temperature_of(value) for _, value in points],
            y=[index] * len(points),
            mode="markers",
            text=[label for label, _ in points],
            marker={
                "size": 12,
                "symbol": "circle-open" if limits[name] == (None, None) else "circle",
                "line": {"width": 2},
                "color": [_colour(value, amber, red) for _, value in points],
            },
            showlegend=False,
            hovertemplate=f"{channel_words(name)}, %{{text}}: %{{x:.0f}} {units.temperature_label}<extra></extra>",
        )
    figure.update_yaxes(
        tickvals=list(range(len(names))),
        ticktext=[
            channel_words(name) + ("" if limits[name] != (None, None) else "<br>(no limit given)") for name in names
        ],
        autorange="reversed",
        zeroline=False,
    )
    return figure


def _colour(value: float, amber: float | None, red: float | None) -> str:
    if amber is None and red is None:
        return NEUTRAL
    if red is not None and value > red:
        return RED
    return AMBER if amber is not None and value > amber else TARGET
