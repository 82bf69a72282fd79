"""One drive over time: speed, elevation, power, current, temperatures, with flags as spans."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.pack_power import pack_power
from logan.flags import DataFlag, Severity
from logan.report.theme import AMBER, DASHES, NEUTRAL, RED, SERIES, on_row, stacked_figure
from logan.report.thinning import thin
from logan.units import DisplayUnits, FloatArray, fahrenheit
from logan.wording import channel_words

if TYPE_CHECKING:
    import plotly.graph_objects as go

_TEMPERATURES: Final = (
    "motor_temperature",
    "inverter_temperature",
    "coolant_temperature",
    "cell_temperature_max",
    "ambient_temperature",
)
MOST_SHADES: Final = 200
_SPAN_COLOURS: Final = {Severity.RED: RED, Severity.AMBER: AMBER, Severity.NOTE: NEUTRAL}


def timeline_figure(drive: Drive, flags: Sequence[DataFlag], units: DisplayUnits, *, points: int = 1500) -> go.Figure:
    """Linked rows over one time axis; each line is thinned without losing its peaks, flags are spans."""
    rows = _rows(drive, units)
    alt = f"Timeline of the drive: {', '.join(title for title, _ in rows)}; {len(flags)} findings."
    figure = stacked_figure([title for title, _ in rows], "time [min]", alt=alt)
    colour = 0
    for row, (_, lines) in enumerate(rows, start=1):
        for index, (name, time_s, value) in enumerate(lines):
            kept_s, kept = thin(time_s, value, points)
            figure.add_scatter(
                x=_compact(kept_s / 60.0),
                y=_compact(kept),
                mode="lines",
                name=name,
                # A row with one line is named by its axis.
                showlegend=len(lines) > 1,
                line={
                    "color": SERIES[(colour + index) % len(SERIES)],
                    "width": 1.6,
                    "dash": DASHES[index % len(DASHES)],
                },
                hovertemplate="%{x:.2f} min: %{y:.4~g}<extra>" + name + "</extra>",
                **on_row(row),
            )
        colour += len(lines)
    figure.update_layout(shapes=[*_shades(flags)])
    return figure


def _shades(flags: Sequence[DataFlag]) -> list[dict[str, Any]]:
    """One shade over all rows for each span that was flagged, the gravest last and so on top."""
    order = [Severity.NOTE, Severity.AMBER, Severity.RED]
    spans = [(flag.severity, span) for flag in flags for span in flag.spans[:20]]
    spans.sort(key=lambda pair: order.index(pair[0]))
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": span.start_s / 60.0,
            "x1": max(span.end_s, span.start_s + 1.0) / 60.0,
            "y0": 0,
            "y1": 1,
            "fillcolor": _SPAN_COLOURS[severity],
            "opacity": 0.18,
            "line": {"width": 0},
        }
        for severity, span in spans[-MOST_SHADES:]
    ]


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
        height = channel.value / units.metres_of_height
        rows.append((f"elevation [{units.height_label}]", [("elevation", channel.time_s, height)]))
    power = pack_power(drive)
    if power is not None:
        rows.append(("power [kW]", [("pack power", power.time_s, power.power_w / 1000.0)]))
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
    return fahrenheit(value) if units.temperature == "degF" else value
