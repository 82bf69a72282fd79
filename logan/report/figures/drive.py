"""One drive: its stops, its pack, its road, and how good its data is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from logan.drive.clock_alignment import ClockAlignment
from logan.drive.drive import Channel, Drive
from logan.flags import DataFlag, Severity
from logan.metrics.pack import PackSummary
from logan.metrics.regen import RegenSummary
from logan.quality.grades import MetricGrade
from logan.report.route import RouteProfile
from logan.report.theme import AMBER, NEUTRAL, RED, REFINED, SERIES, TARGET, empty_figure, on_row, stacked_figure
from logan.report.thinning import thin
from logan.units import DisplayUnits, FloatArray
from logan.wording import channel_words

if TYPE_CHECKING:
    import plotly.graph_objects as go

MOST_CHANNELS: Final = 24
_STRIP_COLOURS: Final = {Severity.RED: RED, Severity.AMBER: AMBER}


def stops_figure(regen: RegenSummary, units: DisplayUnits) -> go.Figure:
    """Recovered energy of every stop against the speed it was braked from."""
    stops = [stop for stop in regen.stops if stop.recovery_ratio is not None]
    alt = f"Share of the braking energy recovered in {len(stops)} stops, against the speed braked from."
    figure = empty_figure(f"speed braked from [{units.speed_label}]", "recovered [%]", alt=alt, height=360)
    for limited, label, colour, symbol in (
        (False, "not limited", REFINED, "circle"),
        (True, "limited (cap, cold or full pack)", AMBER, "diamond"),
    ):
        chosen = [stop for stop in stops if bool(stop.limited_by) is limited]
        if chosen:
            figure.add_scatter(
                x=[stop.start_speed_m_per_s / units.metres_per_second for stop in chosen],
                y=[100.0 * (stop.recovery_ratio or 0.0) for stop in chosen],
                mode="markers",
                name=label,
                marker={"color": colour, "symbol": symbol, "size": 11},
                text=[
                    f"at {stop.start_s / 60:.1f} min, {stop.recovered_wh:.0f} Wh {stop.limited_by}" for stop in chosen
                ],
                hovertemplate="%{x:.0f} " + units.speed_label + ": %{y:.0f} %<br>%{text}<extra></extra>",
            )
    highest = max((100.0 * (stop.recovery_ratio or 0.0) for stop in stops), default=0.0)
    figure.update_yaxes(range=[0, max(110.0, 1.05 * highest)])
    figure.update_xaxes(rangemode="tozero")
    return figure


def usable_energy_figure(pack: PackSummary) -> go.Figure:
    """Energy per percent of charge, against state of charge: is the gauge straight?"""
    values = [band.wh_per_percent for band in pack.per_percent]
    alt = (
        f"Energy per percent of state of charge: {min(values):.0f} to {max(values):.0f} Wh." if values else "No energy."
    )
    figure = empty_figure("state of charge [%]", "energy per percent [Wh]", alt=alt, height=340)
    figure.add_bar(
        x=[50.0 * (band.low_ratio + band.high_ratio) for band in pack.per_percent],
        y=values,
        width=[90.0 * (band.high_ratio - band.low_ratio) for band in pack.per_percent],
        error_y={"array": [band.sigma_wh_per_percent for band in pack.per_percent], "color": NEUTRAL},
        marker={"color": REFINED},
        hovertemplate="%{x:.0f} %: %{y:.0f} ± %{error_y.array:.0f} Wh per %<extra></extra>",
        showlegend=False,
    )
    figure.update_xaxes(range=[0, 100])
    return figure


def route_figure(route: RouteProfile, units: DisplayUnits) -> go.Figure:
    """Height and consumption along the distance: the road without a map."""
    length = route.length_m / units.metres
    has_height, has_energy = route.height_m.size > 0, bool(np.isfinite(route.wh_per_km).any())
    titles = [f"elevation [{units.height_label}]"] * has_height + [f"[{units.consumption_label}]"] * has_energy
    words = ["height"] * has_height + ["consumption of each stretch"] * has_energy
    alt = f"The road over {length:.1f} {units.distance}: {' and '.join(words)} along the distance."
    figure = stacked_figure(titles, f"distance [{units.distance}]", alt=alt, row_height=150)
    if has_height:
        x, y = thin(route.distance_m / units.metres, route.height_m / units.metres_of_height, 1200)
        low, high = float(np.nanmin(y)), float(np.nanmax(y))
        figure.add_scatter(
            x=x,
            y=y,
            mode="lines",
            name="elevation",
            fill="tozeroy",
            line={"color": SERIES[2], "width": 2},
            fillcolor="rgba(0,158,115,0.15)",
            hovertemplate="%{x:.1f} " + units.distance + ": %{y:.0f} " + units.height_label + "<extra></extra>",
        )
        figure.update_layout(yaxis_range=[low - 0.1 * (high - low) - 5, high + 0.1 * (high - low) + 5])
    if has_energy:
        value = units.metres / 1000.0 * route.wh_per_km
        known = np.isfinite(value)
        middle, width = 0.5 * (route.edge_m[1:] + route.edge_m[:-1]), np.diff(route.edge_m)
        figure.add_bar(
            x=middle[known] / units.metres,
            y=value[known],
            width=0.92 * width[known] / units.metres,
            name="net consumption of each stretch",
            marker={"color": SERIES[0]},
            hovertemplate="%{x:.1f} " + units.distance + ": %{y:.0f} " + units.consumption_label + "<extra></extra>",
            **on_row(len(titles)),
        )
    figure.update_layout(showlegend=False)
    figure.update_xaxes(range=[0, length])
    return figure


def clock_figure(found: ClockAlignment, names: tuple[str, str]) -> go.Figure:
    """Agreement of two loggers at every lag: one clear peak at zero says that their clocks are aligned."""
    first, second = (channel_words(name) for name in names)
    best_s = float(found.lags_s[int(np.nanargmax(found.correlations))])
    alt = (
        f"Agreement of {first} and {second} at every lag; best at {best_s:+.1f} s, correlation {found.correlation:.2f}."
    )
    figure = empty_figure("second clock moved by [s]", "correlation [1]", alt=alt, height=320)
    near = np.abs(found.lags_s - found.lag_s) <= 300.0
    x, y = thin(found.lags_s[near], found.correlations[near], 600)
    figure.add_scatter(
        x=x,
        y=y,
        mode="lines",
        name=f"{first} against {second}",
        line={"color": REFINED, "width": 2},
        hovertemplate="%{x:+.1f} s: %{y:.3f}<extra></extra>",
        showlegend=False,
    )
    figure.add_scatter(
        x=[found.lag_s],
        y=[found.correlation],
        mode="markers",
        name="best",
        marker={"color": TARGET, "size": 12, "symbol": "diamond"},
        hovertemplate=f"best at %{{x:+.2f}} s (90 %: {found.low_s:+.2f} to {found.high_s:+.2f} s)<extra></extra>",
        showlegend=False,
    )
    return figure


def quality_figure(drives: Sequence[tuple[str, Mapping[str, MetricGrade], Sequence[DataFlag]]]) -> go.Figure:
    """Grade of every figure of every drive, A to D; refused ones are crossed."""
    metrics = sorted({metric for _, grades, _ in drives for metric in grades})
    refused = sum(grade.is_refused for _, grades, _ in drives for grade in grades.values())
    alt = f"Data quality of {len(drives)} drives: grade A to D of {len(metrics)} figures each; {refused} are refused."
    figure = empty_figure("", "", alt=alt, height=120 + 34 * len(metrics))
    colours = {"A": TARGET, "B": REFINED, "C": AMBER, "D": RED}
    for label, grades, flags in drives:
        counts = {severity: sum(flag.severity is severity for flag in flags) for severity in Severity}
        chosen = [metric for metric in metrics if metric in grades]
        figure.add_scatter(
            x=[label] * len(chosen),
            y=[channel_words(metric) for metric in chosen],
            mode="markers+text",
            text=["✕" if grades[metric].is_refused else grades[metric].grade.value for metric in chosen],
            textfont={"color": "#ffffff", "size": 14},
            marker={
                "symbol": "square",
                "size": 26,
                "color": [
                    NEUTRAL if grades[metric].is_refused else colours[grades[metric].grade.value] for metric in chosen
                ],
            },
            customdata=["; ".join(grades[metric].reasons) or "nothing against it" for metric in chosen],
            hovertemplate="%{y}, %{x}: %{text}<br>%{customdata}<extra>"
            + f"{counts[Severity.RED]} red, {counts[Severity.AMBER]} amber flags</extra>",
            showlegend=False,
        )
    figure.update_yaxes(
        type="category", categoryorder="array", categoryarray=[channel_words(m) for m in metrics[::-1]], showgrid=False
    )
    figure.update_xaxes(type="category", side="top")
    return figure


def strip_figure(drive: Drive, flags: Sequence[DataFlag]) -> go.Figure:
    """When each channel was really sampled, and where something was found: gaps are gaps."""
    names = [name for name, channel in drive.channels.items() if not channel.is_derived and channel.time_s.size > 1]
    names = names[:MOST_CHANNELS]
    found = [flag for flag in flags if flag.severity is not Severity.NOTE and flag.spans]
    alt = f"Data quality along the drive: when each of {len(names)} channels was sampled; {len(found)} findings."
    figure = empty_figure("time [min]", "", alt=alt, height=130 + 22 * len(names))
    sampled = [_spans(drive[name]) for name in names]
    figure.add_scatter(
        x=np.concatenate([spans.ravel() for spans in sampled]) / 60.0 if names else [],
        y=[channel_words(name) for name, spans in zip(names, sampled, strict=True) for _ in range(spans.size)],
        mode="lines",
        name="sampled",
        line={"color": NEUTRAL, "width": 9},
        hovertemplate="%{y}: sampled at %{x:.1f} min<extra></extra>",
    )
    for severity, colour in _STRIP_COLOURS.items():
        rows = [
            (channel_words(name), flag.title, span)
            for flag in found
            if flag.severity is severity
            for name in flag.channels
            if name in names
            for span in flag.spans[:50]
        ]
        figure.add_scatter(
            x=[
                moment / 60.0
                for *_, span in rows
                for moment in (span.start_s, max(span.end_s, span.start_s + 2), np.nan)
            ],
            y=[name for name, *_ in rows for _ in range(3)],
            text=[title for _, title, _ in rows for _ in range(3)],
            mode="lines",
            name=f"{severity.value} finding",
            line={"color": colour, "width": 5},
            hovertemplate="%{y}, %{x:.1f} min: %{text}<extra></extra>",
        )
    words = [channel_words(name) for name in names[::-1]]
    figure.update_yaxes(type="category", categoryorder="array", categoryarray=words, showgrid=False)
    return figure


def _spans(channel: Channel) -> FloatArray:
    """Starts and ends of what was sampled without a gap, a NaN after each, shape (k, 3). [s]"""
    time_s = channel.time_s[np.isfinite(channel.value)]
    if time_s.size == 0:
        return np.empty((0, 3))
    gaps = np.flatnonzero(np.diff(time_s) > channel.max_gap_s)
    starts, ends = time_s[np.concatenate(([0], gaps + 1))], time_s[np.concatenate((gaps, [time_s.size - 1]))]
    return np.column_stack((starts, ends, np.full(starts.size, np.nan)))
