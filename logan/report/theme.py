"""Colours, fonts and frame of every figure: colour-blind safe, and told apart by shape and dash in grey print.

The colours are the qualitative set of Okabe and Ito (Color Universal Design, 2008).
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import plotly.graph_objects as go

PLAN: Final = "#8a8f98"
REFINED: Final = "#0072b2"
MEASURED: Final = "#d55e00"
TARGET: Final = "#009e73"
AMBER: Final = "#e69f00"
RED: Final = "#c4302b"
NEUTRAL: Final = "#7a7f87"
SERIES: Final = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00", "#56b4e9")
DASHES: Final = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
SYMBOLS: Final = ("circle", "diamond", "square", "triangle-up", "x", "star")

CAUSE_COLOURS: Final = {
    "rolling": "#0072b2",
    "air": "#56b4e9",
    "hills": "#009e73",
    "speed left at the end": "#cc79a7",
    "friction brakes": "#d55e00",
    "drivetrain": "#e69f00",
    "regen losses": "#b8860b",
    "auxiliaries": "#7a7f87",
    "heating and cooling": "#f0c200",
}


def hatched(shape: str) -> dict[str, Any]:
    """A bar's strokes over its own colour, so that it is told apart in grey print too."""
    return {"shape": shape, "fillmode": "overlay", "fgcolor": "#ffffff", "fgopacity": 0.75, "size": 8, "solidity": 0.2}


def shown(name: str) -> str:
    """A user's own name as plotly text: plotly reads markup, so its signs are written as entities."""
    return html.escape(name, quote=False)


_ROW_GAP: Final = 0.03
_AXIS: Final = {
    "gridcolor": "rgba(128,128,128,0.25)",
    "zerolinecolor": "rgba(128,128,128,0.6)",
    "linecolor": "rgba(128,128,128,0.6)",
    "automargin": True,
    "title_standoff": 10,
}


def empty_figure(x_title: str, y_title: str, *, alt: str, height: int = 420) -> go.Figure:
    """A figure with logan's frame; titles carry their unit, ``alt`` says in words what is drawn."""
    import plotly.graph_objects as go

    return go.Figure(
        layout={
            # No template: it would add 7 kB to every figure of a page.
            "template": "none",
            "height": height,
            "margin": {"l": 60, "r": 20, "t": 30, "b": 55},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": "system-ui, sans-serif", "size": 15, "color": "#22262b"},
            "xaxis": {**_AXIS, "title": {"text": x_title}},
            "yaxis": {**_AXIS, "title": {"text": y_title}},
            "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0, "title": {"text": ""}},
            "hoverlabel": {"font": {"size": 14}},
            "meta": {"alt": alt},
        }
    )


def stacked_figure(y_titles: Sequence[str], x_title: str, *, alt: str, row_height: int = 165) -> go.Figure:
    """Rows one below the other over one x axis, linked when zoomed; ``on_row`` places a trace on one of them."""
    import plotly.graph_objects as go

    count = max(len(y_titles), 1)
    height = (1.0 - _ROW_GAP * (count - 1)) / count
    layout = empty_figure(x_title, "", alt=alt, height=90 + row_height * count).layout.to_plotly_json()
    for row, title in enumerate(y_titles or ("",), start=1):
        x, y = on_row(row).values()
        top = 1.0 - (row - 1) * (height + _ROW_GAP)
        is_last = row == count
        below = (
            {"title": {"text": x_title}} if is_last else {"showticklabels": False, "matches": on_row(count)["xaxis"]}
        )
        layout[x.replace("x", "xaxis")] = {**_AXIS, "anchor": y, **below}
        domain = [max(0.0, top - height), top]
        layout[y.replace("y", "yaxis")] = {**_AXIS, "anchor": x, "title": {"text": title}, "domain": domain}
    return go.Figure(layout=layout)


def on_row(row: int) -> dict[str, str]:
    """Axes of a row of ``stacked_figure``, counted from 1, as arguments of a trace."""
    number = "" if row == 1 else str(row)
    return {"xaxis": f"x{number}", "yaxis": f"y{number}"}


def limit_line(
    figure: go.Figure, value: float, label: str, colour: str, *, dash: str = "dash", axis: str = "y"
) -> None:
    """Draw a limit across the figure with its name on it."""
    if axis == "y":
        figure.add_hline(y=value, line={"color": colour, "width": 2, "dash": dash}, annotation_text=label)
    else:
        figure.add_vline(
            x=value,
            line={"color": colour, "width": 2, "dash": dash},
            annotation_text=label,
            annotation_position="top left",
        )


def alt_text(figure: go.Figure) -> str:
    """What the figure shows, in words."""
    meta = figure.layout.meta
    return str(meta["alt"]) if meta else ""
