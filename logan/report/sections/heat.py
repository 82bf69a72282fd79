"""What a road that was not driven yet would make of every part: for the report, the page and the terminal."""

from typing import Final

import numpy as np

from logan.heat.forecast import PartForecast
from logan.heat.road import RoadHeat
from logan.heat.series import BLOCK_S
from logan.report.figure import SERIES, Axis, Band, Figure, Limit, Line, Mark, Panel
from logan.report.inputs import Block, FigureBlock, ReportInputs, Section, TableBlock, Tone, Words
from logan.results import Estimate, Refusal
from logan.units import DisplayUnits
from logan.wording import number, percent, probability

MOST_PARTS: Final = 4


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
    marks: list[Mark] = [Band(x=minutes, low=low, high=high, ink=ink)]
    if isinstance(part.peak_degc, Estimate):
        marks.append(Line(x=minutes, y=middle, ink=ink))
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
    reach, stay = ("reach", "stay") if part.part == "cells" else ("reaches", "stays")
    if isinstance(part.to_red_s, Estimate):
        return f"The {part.part} {reach} the limit after {part.to_red_s.value / 60.0:.0f} minutes."
    left = units.temperature_step(part.red_degc - float(part.high_degc.max()))
    if left < 0.0:
        return f"The {part.part} may come to the limit: the band does."
    return f"The {part.part} {stay} {left:.0f} {units.temperature_label} below the limit, nine times in ten."


_MOMENTS: Final = 7


def heat_section(inputs: ReportInputs) -> tuple[Section, ...]:
    """The answer for every road that was worked out; parts and curves of the first that comes near a limit."""
    near = next((one for one in inputs.roads if one.comes_near), None)
    shown = heat_blocks(near, inputs.units) if near else ()
    blocks = [block for block in shown if not (isinstance(block, TableBlock) and block.caption)]
    others = tuple(" ".join((*_answer(one, inputs.units), *_next(one))) for one in inputs.roads if one is not near)
    blocks += [Words(lines=others)] if others else []
    return (Section(anchor="heat", title="Heat on the road", blocks=tuple(blocks)),) if blocks else ()


def heat_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Every part on every road, and minute by minute, with its notes."""
    whole = (block for one in inputs.roads for block in heat_blocks(one, inputs.units))
    blocks = tuple(block for block in whole if not isinstance(block, FigureBlock))
    return (Section(anchor="heat-tables", title="Heat, every part", blocks=blocks, length=3),) if blocks else ()


def heat_blocks(found: RoadHeat, units: DisplayUnits) -> tuple[Block, ...]:
    """Chances in three lines, parts with their peaks and times or why there is none, curves with bands, and advice."""
    curves: tuple[Block, ...] = ()
    if found.forecast.parts:
        curves = (FigureBlock(figure=road_figure(found, units)), _moments(found, units))
    notes = (*(f"Note: {note}." for note in found.notes), *_next(found))
    return (Words(lines=_answer(found, units)), _parts(found, units), *curves, Words(lines=notes))


def _next(found: RoadHeat) -> tuple[str, ...]:
    return (f"Next: {found.advice}.",) if found.advice else ()


def _answer(found: RoadHeat, units: DisplayUnits) -> tuple[str, ...]:
    length, minutes = found.distance_m / units.metres, found.duration_s / 60.0
    drives = f"{found.drive_count} drive{'s' if found.drive_count != 1 else ''}"
    return (
        f"Heat on '{found.name}': {length:.1f} {units.distance} in {minutes:.0f} min, from {drives} (estimated).",
        _chance(found),
        f"{_held(found, units)} {_arrival(found)}",
    )


def _parts(found: RoadHeat, units: DisplayUnits) -> TableBlock:
    parts, degree = found.forecast.parts, units.temperature_label
    # Gear oil and rotor are not missed where they are not logged: few have the sensor.
    refused = [
        (name, f"refused: {why.reason}", "", "", "", "")
        for name, why in found.forecast.refused.items()
        if name not in ("oil", "rotor")
    ]
    return TableBlock(
        headings=(f"part [{degree}]", "peak, 90 % band", "red", "min to amber", "to derating", "to red"),
        rows=(*(_row(part, units) for part in parts), *refused),
        tones=tuple(_tone(part) for part in parts),
    )


def _tone(part: PartForecast) -> Tone:
    """Red where the upper edge of the band is, grey where no limit is given."""
    if part.red_degc is None:
        return "grey"
    return "red" if part.may_reach_red else "plain"


def _chance(found: RoadHeat) -> str:
    hottest = found.forecast.parts[0] if found.forecast.parts else None
    over = found.forecast.over_ratio
    chance = f"Chance of getting {'through' if found.is_all_out else 'over'}"
    if hottest is None or over is None:
        why = found.held_share.reason if isinstance(found.held_share, Refusal) else "nothing is known"
        return f"{chance}: refused, {why}."
    words = f"{chance}: {probability(over)}"
    if found.empty_after_s is not None:
        words += ", the pack is empty before"
    elif found.forecast.short_ratio > 0.02 and found.held_speed_m_per_s is not None:
        words += ", motor or pack cannot give what it asks"
    words += f"; hottest against its limit: {hottest.part}"
    if isinstance(hottest.to_red_s, Estimate):
        sigma = hottest.to_red_s.spread
        words += f", red after {hottest.to_red_s.value / 60.0:.0f} ± {sigma / 60.0:.0f} min"
    return f"{words}."


def _held(found: RoadHeat, units: DisplayUnits) -> str:
    if isinstance(found.held_share, Refusal):
        what = "Share of full torque" if found.is_all_out else "Speed"
        return f"{what} that holds: refused, {found.held_share.reason}."
    if found.held_speed_m_per_s is None:
        share = "as hard as asked" if found.held_share.value == 1.0 else f"at {percent(found.held_share.value)} of that"
        return f"Holds {share} (9 chances in 10)."
    speed = found.held_speed_m_per_s / units.metres_per_second
    return f"Speed that holds (9 chances in 10): {speed:.0f} {units.speed_label}."


def _arrival(found: RoadHeat) -> str:
    charge = found.arrival_charge
    if found.empty_after_s is not None:
        return f"The pack is at the end of its window after {found.empty_after_s / 60.0:.0f} min."
    middle, low, high = (f"{100.0 * value:.0f}" for value in (charge.p50, charge.p05, charge.p95))
    words = f"{'Ends' if found.is_all_out else 'Arrives'} with {middle} % SOC ({low} to {high})"
    if found.regenerated_wh > 20.0:
        words += f", {found.regenerated_wh / 1000.0:.1f} kWh regen"
    if found.regen_lost_wh > 20.0:
        words += f"; {found.regen_lost_wh / 1000.0:.1f} kWh go to the friction brakes, because the pack takes no more"
    return f"{words}."


def _row(part: PartForecast, units: DisplayUnits) -> tuple[str, ...]:
    point, at = part.peak_degc, int(part.middle_degc.argmax())
    why = f", no one figure: {point.reason}" if isinstance(point, Refusal) else ""
    peak = _banded(part, at, units, point.value if isinstance(point, Estimate) else None, " to ") + why
    red = "no limit given" if part.red_degc is None else f"{units.temperature_of(part.red_degc):.0f}"
    times = (part.to_amber_s, part.to_derate_s, part.to_red_s)
    return (part.part, peak, red, *(_minutes(time) for time in times))


def _banded(part: PartForecast, at: int, units: DisplayUnits, point_degc: float | None, to: str = "-") -> str:
    """A temperature with its 90 % band at a moment; the band alone where no one figure may be said."""
    low, high = (f"{units.temperature_of(float(value[at])):.0f}" for value in (part.low_degc, part.high_degc))
    band = f"{low}{to}{high}"
    return band if point_degc is None else f"{units.temperature_of(point_degc):.0f} ({band})"


def _minutes(time: Estimate | Refusal) -> str:
    if isinstance(time, Estimate):
        return f"{time.value / 60.0:.0f} ± {time.spread / 60.0:.0f}"
    return "no limit" if "no limit" in time.reason else "not reached" if "not reached" in time.reason else "refused"


def _moments(found: RoadHeat, units: DisplayUnits) -> TableBlock:
    parts = found.forecast.parts
    last = parts[0].middle_degc.size - 1
    digits = 1 if BLOCK_S * last < 60.0 * 2 * _MOMENTS else 0
    at = sorted({round(last * k / (_MOMENTS - 1)) for k in range(_MOMENTS)})

    def shown(part: PartForecast, index: int) -> str:
        middle = float(part.middle_degc[index]) if isinstance(part.peak_degc, Estimate) else None
        return _banded(part, index, units, middle)

    return TableBlock(
        headings=("min", *(part.part for part in parts)),
        rows=tuple((number(BLOCK_S * index / 60.0, digits), *(shown(part, index) for part in parts)) for index in at),
        caption="Over the road, with 90 % bands",
        is_long=True,
    )
