"""What the current asks of fuse, cable and cells."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from logan.metrics.current import CurrentSummary
from logan.metrics.resistance import ResistanceBand, ResistanceSummary
from logan.report.theme import DASHES, RED, SERIES, SYMBOLS, empty_figure, on_row, shown, stacked_figure
from logan.results import Estimate
from logan.settings import LimitSheet
from logan.wording import channel_words

if TYPE_CHECKING:
    import plotly.graph_objects as go


_WINDOWS: Final = {
    0.1: "0.1 s",
    1.0: "1 s",
    5.0: "5 s",
    10.0: "10 s",
    30.0: "30 s",
    60.0: "1 min",
    300.0: "5 min",
    1800.0: "30 min",
}


def duration_figure(current: CurrentSummary, limits: LimitSheet) -> go.Figure:
    """Highest RMS current over windows of every length, against the curves from the datasheets."""
    alt = "Highest RMS current over windows from 0.1 s to 30 min"
    alt += ", with the limits given." if limits.curves else "; no limit given."
    figure = empty_figure("window [s, min]", "highest RMS current [A]", alt=alt)
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
            name=f"limit: {shown(curve.component)} ({shown(curve.source)})",
            line={"color": RED, "width": 2, "dash": "dash", "shape": "linear"},
            hovertemplate="%{x:g} s: %{y:.0f} A allowed<extra></extra>",
        )
    figure.update_xaxes(type="log", tickvals=list(_WINDOWS), ticktext=list(_WINDOWS.values()))
    figure.update_yaxes(rangemode="tozero")
    return figure


def resistance_figure(resistance: ResistanceSummary) -> go.Figure:
    """Pulse resistance by state of charge and pulse length; pack and cells have a row each."""
    bands = [band for band in resistance.bands if isinstance(band.resistance_ohm, Estimate)]
    subjects = sorted({band.subject for band in bands}, key=lambda subject: (subject != "pack", subject))
    alt = f"Pulse resistance of {', '.join(subjects)} by state of charge, from {len(resistance.pulses)} pulses."
    titles = [f"{subject} [mΩ]" for subject in subjects]
    figure = stacked_figure(titles, "state of charge [%]", alt=alt, row_height=170)
    durations = sorted({band.duration_s for band in bands})
    for row, subject in enumerate(subjects, start=1):
        for index, duration_s in enumerate(durations):
            chosen = [band for band in bands if (band.subject, band.duration_s) == (subject, duration_s)]
            estimates = [band.resistance_ohm for band in chosen if isinstance(band.resistance_ohm, Estimate)]
            figure.add_scatter(
                x=[_middle_percent(band) + 0.8 * (index - 0.5 * (len(durations) - 1)) for band in chosen],
                y=[1000.0 * estimate.value for estimate in estimates],
                error_y={
                    "array": [1000.0 * (estimate.sigma or 0.0) for estimate in estimates],
                    "color": SERIES[index % len(SERIES)],
                },
                mode="markers",
                name=f"after {duration_s:g} s",
                showlegend=row == 1,
                marker={"color": SERIES[index % len(SERIES)], "symbol": SYMBOLS[index % len(SYMBOLS)], "size": 11},
                hovertemplate="%{x:.0f} %: %{y:.1f} ± %{error_y.array:.1f} mΩ<extra>" + subject + "</extra>",
                **on_row(row),
            )
    figure.update_yaxes(rangemode="tozero")
    figure.update_xaxes(range=[0, 100])
    return figure


def _middle_percent(band: ResistanceBand) -> float:
    low, high = band.state_of_charge_low_ratio, band.state_of_charge_high_ratio
    return 50.0 * ((low or 0.0) + (1.0 if high is None else high))
