"""Temperatures over a road that was not driven yet, each part with its band and its limits."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.heat.forecast import PartForecast
from logan.heat.road import RoadHeat
from logan.heat.series import BLOCK_S
from logan.report.figure import Axis, Band, Figure, Limit, Line, Mark, Panel
from logan.report.theme import SERIES
from logan.results import Estimate, Refusal
from logan.units import DisplayUnits

MOST_PARTS: Final = 3


def road_figure(found: RoadHeat, units: DisplayUnits) -> Figure:
    """The parts nearest to their limits over the road, the hottest first."""
    parts = found.forecast.parts
    return Figure(
        finding=_finding(parts[0], units),
        x=Axis(title="time on the road [min]"),
        panels=tuple(_panel(part, SERIES[k], units) for k, part in enumerate(parts[:MOST_PARTS])),
        detail="Bands hold the sensor's reading nine times in ten, on this road, in this load and weather.",
    )


def _panel(part: PartForecast, ink: str, units: DisplayUnits) -> Panel:
    minutes = [BLOCK_S / 60.0 * (block + 0.5) for block in range(part.middle_degc.size)]
    low, middle, high = (
        np.array([units.temperature_of(value) for value in one.tolist()])
        for one in (part.low_degc, part.middle_degc, part.high_degc)
    )
    marks: list[Mark] = [Band(x=minutes, low=low, high=high, ink=ink), Line(x=minutes, y=middle, ink=ink)]
    for level, label in ((part.amber_degc, "amber"), (part.derate_degc, "derating"), (part.red_degc, "red")):
        if level is not None:
            marks.append(
                Limit(value=units.temperature_of(level), label=label, ink="red" if label == "red" else "amber")
            )
    return Panel(y=Axis(title=f"{part.part} [{units.temperature_label}]"), marks=tuple(marks))


def _finding(part: PartForecast, units: DisplayUnits) -> str:
    if part.red_degc is None:
        return f"No red limit is given for the {part.part}: what the road makes of it is shown alone."
    if isinstance(part.peak_degc, Refusal):
        return f"Of the {part.part} no more than a band may be said: {part.peak_degc.reason}."
    if isinstance(part.to_red_s, Estimate):
        return f"The {part.part} reaches its limit after {part.to_red_s.value / 60.0:.0f} minutes."
    left = units.temperature_step(part.red_degc - float(part.high_degc.max()))
    if left < 0.0:
        return f"The {part.part} may reach its limit: its band does."
    return f"The {part.part} stays {left:.0f} {units.temperature_label} below its limit, nine times in ten."
