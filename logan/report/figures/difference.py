"""Two drives: from the consumption of the first to that of the second, cause by cause."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from logan.report.theme import AMBER, MEASURED, NEUTRAL, TARGET, empty_figure, hatched
from logan.results import Estimate
from logan.units import DisplayUnits
from logan.wording import signed

if TYPE_CHECKING:
    import plotly.graph_objects as go


def difference_figure(
    first: tuple[str, Estimate],
    second: tuple[str, Estimate],
    parts: Sequence[tuple[str, Estimate]],
    units: DisplayUnits,
) -> go.Figure:
    """Draw why two drives differ.

    Parameters
    ----------
    first, second : (str, Estimate)
        Names of the drives and what each used. [Wh/km]
    parts : sequence of (str, Estimate)
        Causes, and what each adds; together they lead from the first to the second. [Wh/km]
    units : DisplayUnits
        Of the consumption.
    """
    before, after = units.consumption(first[1].value), units.consumption(second[1].value)
    changes = [units.consumption(estimate.value) for _, estimate in parts]
    sigmas = [units.consumption(estimate.sigma or 0.0) for _, estimate in parts]
    starts = [before + sum(changes[:index]) for index in range(len(changes))]
    largest = max(
        zip(changes, (name for name, _ in parts), strict=True), key=lambda pair: abs(pair[0]), default=(0, "-")
    )
    alt = (
        f"From drive {first[0]} with {before:.0f} to drive {second[0]} with {after:.0f} {units.consumption_label}: "
        f"the largest part is {largest[1]}, {signed(largest[0])}."
    )
    figure = empty_figure(
        f"net consumption [{units.consumption_label}]", "", alt=alt, height=150 + 40 * (len(parts) + 2)
    )
    for is_more, label, colour in ((True, "takes more", AMBER), (False, "takes less", TARGET)):
        rows = [index for index, change in enumerate(changes) if (change >= 0.0) is is_more]
        figure.add_bar(
            x=[changes[index] for index in rows],
            base=[starts[index] for index in rows],
            y=[parts[index][0] for index in rows],
            orientation="h",
            name=label,
            text=[f"{signed(changes[index], 1)} ± {sigmas[index]:.1f}" for index in rows],
            textposition="outside",
            cliponaxis=False,
            marker={"color": colour, "pattern": hatched("/" if is_more else "")},
            hovertemplate="%{y}: %{text} " + units.consumption_label + "<extra></extra>",
        )
    names = [f"drive {first[0]}", f"drive {second[0]}"]
    for name, value, colour, symbol in (
        (names[0], before, NEUTRAL, "diamond"),
        (names[1], after, MEASURED, "circle"),
    ):
        figure.add_scatter(
            x=[value],
            y=[name],
            mode="markers",
            name=f"{name}: {value:.0f}",
            marker={"color": colour, "size": 14, "symbol": symbol},
            hovertemplate="%{y}: %{x:.0f} " + units.consumption_label + "<extra></extra>",
        )
    ends = [before, after, *starts]
    room = max(max(ends) - min(ends), 0.05 * max(ends))
    figure.update_xaxes(range=[min(ends) - 0.5 * room, max(ends) + 0.5 * room])
    rows_down = [names[1], *(name for name, _ in parts[::-1]), names[0]]
    figure.update_yaxes(categoryorder="array", categoryarray=rows_down)
    figure.update_layout(barmode="overlay")
    return figure
