"""What runs hot: every temperature against its limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from logan.metrics.limits import LimitSummary
from logan.metrics.thermal_model import ThermalModel
from logan.report.names import channel_words
from logan.report.theme import AMBER, DASHES, NEUTRAL, RED, SERIES, TARGET, empty_figure
from logan.results import Estimate
from logan.units import DisplayUnits

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


def time_to_limit_figure(
    models: Sequence[tuple[str, ThermalModel, float]], units: DisplayUnits, *, span_min: float = 60.0
) -> go.Figure:
    """Where each temperature is heading at the load of the drive's last ten minutes, against its own limit.

    Parameters
    ----------
    models : sequence of (label, ThermalModel, float)
        Drive, its model, and the last value logged. [-, -, degC]
    units : DisplayUnits
        Of the temperatures.
    span_min : float
        How far it looks ahead. [min]
    """
    minutes = np.linspace(0.0, span_min, 61)
    words = [f"{channel_words(model.channel)} {_reach(model)}" for _, model, _ in models]
    alt = f"Temperatures heading for their plateau: {'; '.join(words)}." if words else "No thermal model."
    figure = empty_figure(
        "time from the end of the drive [min]", f"temperature [{units.temperature_label}]", alt=alt, height=400
    )
    for index, (label, model, start_degc) in enumerate(models):
        plateau, time_constant_s = model.plateau_degc, model.time_constant_s
        if not (isinstance(plateau, Estimate) and isinstance(time_constant_s, Estimate)):
            continue
        colour, name = SERIES[index % len(SERIES)], channel_words(model.channel)
        heading = plateau.value + (start_degc - plateau.value) * np.exp(-minutes * 60.0 / time_constant_s.value)
        figure.add_scatter(
            x=minutes,
            y=[units.temperature_of(float(value)) for value in heading],
            mode="lines",
            name=f"{name} (drive {label})",
            line={"color": colour, "width": 3, "dash": DASHES[index % len(DASHES)]},
            hovertemplate=f"%{{x:.0f}} min: {name} %{{y:.0f}} {units.temperature_label}<extra></extra>",
        )
        if model.limit_degc is not None:
            figure.add_scatter(
                x=[0.0, span_min],
                y=[units.temperature_of(model.limit_degc)] * 2,
                mode="lines",
                name=f"red limit of {name}",
                line={"color": RED, "width": 2, "dash": DASHES[index % len(DASHES)]},
                hovertemplate=f"red limit of {name}: %{{y:.0f}} {units.temperature_label}<extra></extra>",
            )
    return figure


def _reach(model: ThermalModel) -> str:
    reached = model.time_to_limit_s
    if isinstance(reached, Estimate):
        return f"reaches its limit in {reached.value / 60.0:.0f} min"
    return "has no limit given" if model.limit_degc is None else "settles below its limit"
