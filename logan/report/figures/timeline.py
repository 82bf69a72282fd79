"""One drive over time: speed, elevation, power, current, temperatures, with flags as spans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.pack_power import pack_power
from logan.flags import DataFlag, Severity
from logan.report.names import channel_words
from logan.report.theme import AMBER, DASHES, NEUTRAL, RED, SERIES, empty_figure
from logan.report.thinning import thin
from logan.units import DisplayUnits, FloatArray

if TYPE_CHECKING:
    import plotly.graph_objects as go

_TEMPERATURES: Final = (
    "motor_temperature",
    "inverter_temperature",
    "coolant_temperature",
    "cell_temperature_max",
    "ambient_temperature",
)
_SPAN_COLOURS: Final = {Severity.RED: RED, Severity.AMBER: AMBER, Severity.NOTE: NEUTRAL}


def timeline_figure(drive: Drive, flags: Sequence[DataFlag], units: DisplayUnits, *, points: int = 1500) -> go.Figure:
    """Linked rows over one time axis; each line is thinned without losing its peaks."""
    from plotly.subplots import make_subplots

    rows = _rows(drive, units)
    alt = f"Timeline of the drive: {', '.join(title for title, _ in rows)}; {len(flags)} flags."
    frame = empty_figure("time [min]", "", alt=alt, height=90 + 165 * len(rows))
    figure = make_subplots(rows=max(len(rows), 1), cols=1, shared_xaxes=True, vertical_spacing=0.03)
    figure.update_layout(frame.layout.to_plotly_json())
    colour = 0
    for row, (title, lines) in enumerate(rows, start=1):
        for index, (name, time_s, value) in enumerate(lines):
            kept_s, kept = thin(time_s, value, points)
            figure.add_scatter(
                x=_compact(kept_s / 60.0),
                y=_compact(kept),
                mode="lines",
                name=name,
                line={
                    "color": SERIES[(colour + index) % len(SERIES)],
                    "width": 1.6,
                    "dash": DASHES[index % len(DASHES)],
                },
                hovertemplate="%{x:.2f} min: %{y:.4~g}<extra>" + name + "</extra>",
                row=row,
                col=1,
            )
        colour += len(lines)
        figure.update_yaxes(title_text=title, row=row, col=1, gridcolor="rgba(128,128,128,0.25)", automargin=True)
        figure.update_xaxes(title_text="time [min]" if row == len(rows) else "", row=row, col=1)
    for flag in [flag for flag in flags if flag.spans][:40]:
        for span in flag.spans[:20]:
            figure.add_vrect(
                x0=span.start_s / 60.0,
                x1=max(span.end_s, span.start_s + 1.0) / 60.0,
                fillcolor=_SPAN_COLOURS[flag.severity],
                opacity=0.16,
                line_width=0,
            )
    return figure


def _compact(value: FloatArray) -> np.ndarray[Any, np.dtype[np.float32]]:
    """Seven digits are enough to draw, and halve the page."""
    return value.astype(np.float32)


def _rows(drive: Drive, units: DisplayUnits) -> list[tuple[str, list[tuple[str, FloatArray, FloatArray]]]]:
    rows = []
    speed = drive.get("speed") or drive.get("gnss_speed")
    if speed is not None:
        value = speed.value / units.metres_per_second
        rows.append((f"speed [{units.speed_label}]", [("speed", speed.time_s, value)]))
    if "elevation" in drive:
        channel = drive["elevation"]
        rows.append(("elevation [m]", [("elevation", channel.time_s, channel.value)]))
    power = pack_power(drive)
    if power is not None:
        rows.append(("pack power [kW]", [("pack power", power.time_s, power.power_w / 1000.0)]))
    if "pack_current" in drive:
        channel = drive["pack_current"]
        rows.append(("current [A]", [("pack current", channel.time_s, channel.value)]))
    temperatures = [
        (channel_words(name), drive[name].time_s, _shown(drive[name].value, units))
        for name in _TEMPERATURES
        if name in drive
    ]
    if temperatures:
        rows.append((f"temperature [{units.temperature_label}]", temperatures))
    return rows


def _shown(value: FloatArray, units: DisplayUnits) -> FloatArray:
    return value * 1.8 + 32.0 if units.temperature == "degF" else value
