"""One drive: its stops, its pack, its road, and how good its data is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from logan.drive.drive import Drive
from logan.flags import DataFlag, Severity
from logan.metrics.pack import PackSummary
from logan.metrics.regen import RegenSummary
from logan.quality.grades import MetricGrade
from logan.report.names import channel_words
from logan.report.theme import AMBER, NEUTRAL, RED, REFINED, SERIES, TARGET, empty_figure
from logan.report.thinning import thin
from logan.units import DisplayUnits

if TYPE_CHECKING:
    import plotly.graph_objects as go


def stops_figure(regen: RegenSummary, units: DisplayUnits) -> go.Figure:
    """Recovered energy of every stop against the speed it was braked from."""
    stops = [stop for stop in regen.stops if stop.recovery_ratio is not None]
    alt = f"Share of the braking energy recovered in {len(stops)} stops, against the speed braked from."
    figure = empty_figure(
        f"speed braked from [{units.speed_label}]", "recovered share of braking energy [%]", alt=alt, height=360
    )
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
    figure.update_yaxes(range=[0, 110])
    figure.update_xaxes(rangemode="tozero")
    return figure


def usable_energy_figure(pack: PackSummary) -> go.Figure:
    """Energy per percent of charge, against state of charge: is the gauge straight?"""
    alt = "Energy per percent of state of charge, against state of charge."
    figure = empty_figure("state of charge [%]", "energy per percent [Wh]", alt=alt, height=360)
    figure.add_bar(
        x=[50.0 * (band.low_ratio + band.high_ratio) for band in pack.per_percent],
        y=[band.wh_per_percent for band in pack.per_percent],
        width=[90.0 * (band.high_ratio - band.low_ratio) for band in pack.per_percent],
        error_y={"array": [band.sigma_wh_per_percent for band in pack.per_percent]},
        marker={"color": REFINED},
        hovertemplate="%{x:.0f} %: %{y:.0f} ± %{error_y.array:.0f} Wh per %<extra></extra>",
        showlegend=False,
    )
    return figure


def route_figure(
    drive: Drive, energy_wh: tuple[np.ndarray, np.ndarray] | None, units: DisplayUnits
) -> go.Figure | None:
    """Height and energy used against distance: the road without a map. None where there is no distance."""
    if "distance" not in drive and "speed" not in drive:
        return None
    speed = drive.get("speed") or drive.get("gnss_speed")
    if speed is None:
        return None
    step_s = np.diff(speed.time_s, prepend=speed.time_s[0])
    step_s[step_s > speed.max_gap_s] = 0.0
    distance = np.cumsum(np.nan_to_num(speed.value) * step_s) / units.metres
    alt = f"Profile of the road over {distance[-1]:.1f} {units.distance}: height and energy used."
    figure = empty_figure(f"distance [{units.distance}]", "elevation [m]", alt=alt, height=360)
    if "elevation" in drive:
        elevation = drive["elevation"]
        x, y = thin(np.interp(elevation.time_s, speed.time_s, distance), elevation.value, 1200)
        figure.add_scatter(
            x=x,
            y=y,
            mode="lines",
            name="elevation",
            fill="tozeroy",
            line={"color": SERIES[2], "width": 2},
            fillcolor="rgba(0,158,115,0.15)",
            hovertemplate="%{x:.1f} " + units.distance + ": %{y:.0f} m<extra></extra>",
        )
        low, high = float(np.nanmin(elevation.value)), float(np.nanmax(elevation.value))
        figure.update_yaxes(range=[low - 0.1 * (high - low) - 5, high + 0.1 * (high - low) + 5])
    if energy_wh is not None:
        time_s, used = energy_wh
        x, y = thin(np.interp(time_s, speed.time_s, distance), used / 1000.0, 1200)
        figure.add_scatter(
            x=x,
            y=y,
            mode="lines",
            name="energy used (right)",
            yaxis="y2",
            line={"color": SERIES[1], "width": 3, "dash": "dash"},
            hovertemplate="%{x:.1f} " + units.distance + ": %{y:.2f} kWh<extra></extra>",
        )
        figure.update_layout(
            yaxis2={
                "title": {"text": "energy used [kWh]"},
                "overlaying": "y",
                "side": "right",
                "showgrid": False,
                "rangemode": "tozero",
                "automargin": True,
            }
        )
    return figure


def quality_figure(drives: Sequence[tuple[str, Mapping[str, MetricGrade], Sequence[DataFlag]]]) -> go.Figure:
    """Grade of every metric of every drive as one strip, A to D; refused ones are crossed."""
    metrics = sorted({metric for _, grades, _ in drives for metric in grades})
    labels = [label for label, *_ in drives]
    alt = f"Data quality of {len(drives)} drives: grade A to D of each metric."
    figure = empty_figure("", "", alt=alt, height=160 + 40 * len(labels))
    colours = {"A": TARGET, "B": REFINED, "C": AMBER, "D": RED}
    for label, grades, flags in drives:
        counts = {severity: sum(flag.severity is severity for flag in flags) for severity in Severity}
        chosen = [metric for metric in metrics if metric in grades]
        figure.add_scatter(
            x=[channel_words(metric) for metric in chosen],
            y=[label] * len(chosen),
            mode="markers+text",
            text=["✕" if grades[metric].is_refused else grades[metric].grade.value for metric in chosen],
            textfont={"color": "#ffffff", "size": 14},
            marker={
                "symbol": "square",
                "size": 28,
                "color": [
                    NEUTRAL if grades[m].is_refused else colours.get(grades[m].grade.value, NEUTRAL) for m in chosen
                ],
            },
            customdata=["; ".join(grades[metric].reasons) or "nothing against it" for metric in chosen],
            hovertemplate="%{y}, %{x}: %{text}<br>%{customdata}<extra>"
            + f"{counts[Severity.RED]} red, {counts[Severity.AMBER]} amber flags</extra>",
            showlegend=False,
        )
    figure.update_yaxes(type="category", autorange="reversed")
    figure.update_xaxes(type="category", side="top")
    return figure
