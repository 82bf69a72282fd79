"""A drive's channels as one page to zoom into: drawn by plotly, which the page carries along, so it works offline."""

from collections.abc import Sequence
from typing import Final

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import Drive
from logan.report.figures.drive import thin
from logan.wording import channel_words

MOST_POINTS: Final = 20_000
"""Of a channel; beyond, the extremes are kept and what lies between them is thinned."""

_ROW_PX: Final = 220


def explorable(drive: Drive, channels: Sequence[str]) -> str:
    """HTML of the channels over one axis of time, a row for each unit; drag to zoom, double-click to go back.

    Parameters
    ----------
    drive : Drive
        The drive.
    channels : sequence of str
        Canonical names, which cannot hold markup.

    Returns
    -------
    str
        A whole page; values in SI, with the unit at each row.
    """
    from plotly.graph_objects import Figure, Scattergl
    from plotly.subplots import make_subplots

    by_unit: dict[str, list[str]] = {}
    for name in channels:
        kind = channel_kind(name)
        by_unit.setdefault(kind.unit if kind else "", []).append(name)
    rows: Figure = make_subplots(rows=len(by_unit), shared_xaxes=True, vertical_spacing=0.2 / max(6, len(by_unit)))
    for row, (unit, names) in enumerate(by_unit.items(), start=1):
        for name in names:
            time_s, value = thin(drive[name].time_s, drive[name].value.astype(float), MOST_POINTS)
            trace = Scattergl(x=time_s, y=value, mode="lines", name=channel_words(name), connectgaps=False)
            rows.add_trace(trace, row=row, col=1)
        rows.update_yaxes(title_text=unit, row=row, col=1)
    rows.update_xaxes(title_text="time from the drive's start [s]", row=len(by_unit), col=1)
    rows.update_layout(height=120 + _ROW_PX * len(by_unit), hovermode="x", template="plotly_white")
    return str(rows.to_html(include_plotlyjs=True, full_html=True, config={"displaylogo": False}))
