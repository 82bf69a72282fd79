"""What the current asks of fuse, cable and cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logan.metrics.current import CurrentSummary
from logan.metrics.resistance import ResistanceSummary
from logan.report.names import channel_words
from logan.report.theme import DASHES, RED, SERIES, SYMBOLS, empty_figure
from logan.results import Estimate
from logan.settings import LimitSheet

if TYPE_CHECKING:
    import plotly.graph_objects as go


def duration_figure(current: CurrentSummary, limits: LimitSheet) -> go.Figure:
    """Highest RMS current over windows of every length, against the curves from the datasheets."""
    alt = "Highest RMS current over windows from 0.1 s to 30 min"
    alt += ", with the limits given." if limits.curves else "; no limit given."
    figure = empty_figure("window [s]", "highest RMS current [A]", alt=alt)
    for index, duration in enumerate(entry for entry in current.durations if entry.direction != "both"):
        label = f"{channel_words(duration.channel)}, {duration.direction}"
        figure.add_scatter(
            x=[point.window_s for point in duration.points],
            y=[point.rms_a for point in duration.points],
            mode="lines+markers",
            name=label,
            line={"color": SERIES[index % len(SERIES)], "width": 3, "dash": DASHES[index % len(DASHES)]},
            marker={"symbol": SYMBOLS[index % len(SYMBOLS)], "size": 8},
            hovertemplate="%{x:g} s: %{y:.0f} A RMS<extra>" + label + "</extra>",
        )
    for curve in limits.curves:
        longest = max([*curve.duration_s, 1800.0])
        figure.add_scatter(
            x=[*curve.duration_s, longest],
            y=[*curve.current_a, curve.current_a[-1]],
            mode="lines",
            name=f"limit: {curve.component} ({curve.source})",
            line={"color": RED, "width": 2, "dash": "dash", "shape": "linear"},
            hovertemplate="%{x:g} s: %{y:.0f} A allowed<extra></extra>",
        )
    figure.update_xaxes(type="log")
    figure.update_yaxes(rangemode="tozero")
    return figure


def resistance_figure(resistance: ResistanceSummary) -> go.Figure:
    """Pulse resistance of the pack by state of charge and pulse length."""
    bands = [band for band in resistance.bands if isinstance(band.resistance_ohm, Estimate)]
    alt = f"Pulse resistance by state of charge, from {len(resistance.pulses)} pulses."
    figure = empty_figure("state of charge [%]", "pulse resistance [mΩ]", alt=alt, height=360)
    durations = sorted({(band.subject, band.duration_s) for band in bands})
    for index, (subject, duration_s) in enumerate(durations):
        chosen = [band for band in bands if (band.subject, band.duration_s) == (subject, duration_s)]
        estimates = [band.resistance_ohm for band in chosen if isinstance(band.resistance_ohm, Estimate)]
        figure.add_scatter(
            x=[
                50.0 * ((band.state_of_charge_low_ratio or 0.0) + (band.state_of_charge_high_ratio or 1.0))
                for band in chosen
            ],
            y=[1000.0 * estimate.value for estimate in estimates],
            error_y={"array": [1000.0 * (estimate.sigma or 0.0) for estimate in estimates]},
            mode="markers",
            name=f"{subject}, {duration_s:g} s",
            marker={"color": SERIES[index % len(SERIES)], "symbol": SYMBOLS[index % len(SYMBOLS)], "size": 11},
            hovertemplate="%{x:.0f} %: %{y:.1f} ± %{error_y.array:.1f} mΩ<extra></extra>",
        )
    figure.update_yaxes(rangemode="tozero")
    return figure
