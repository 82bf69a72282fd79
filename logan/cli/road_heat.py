"""What ``logan range`` shows of heat on a road: the answer in three lines, then parts, curves and advice."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logan.cli.rendering import print_cautions, print_json, print_lines, print_table, working
from logan.results import Estimate, Figure, Refusal

if TYPE_CHECKING:
    from logan.pipeline.heat import PartForecast, RoadHeat
    from logan.units import DisplayUnits

_MOMENTS = 7


@dataclass(frozen=True, slots=True)
class RoadAsked:
    """A road as typed: a scenario's keys, length of a climb, number of launches, charge at the start."""

    scenario: dict[str, object]
    length: str
    launches: int
    charge: str


def show_heat(build: Path, units: DisplayUnits, road: RoadAsked, *, seed: int, as_json: bool) -> None:
    """Show temperatures and chances on the road asked for; where no drive teaches them, say why."""
    import numpy as np

    from logan.errors import NotEnoughDataError
    from logan.pipeline.builds import find_build
    from logan.pipeline.heat import heat_on_road

    folder, rng = find_build(build), np.random.default_rng(seed)
    try:
        with working("learning the heat") as told:
            found = heat_on_road(
                folder, road.scenario, rng, length=road.length, launches=road.launches, charge=road.charge, told=told
            )
    except NotEnoughDataError as reason:
        print_lines(f"Heat: refused, {reason.problem}. {reason.remedy}.", "")
        return
    if as_json:
        print_json(found)
        return
    show_road_heat(found, units)
    print_lines("")


def show_road_heat(found: RoadHeat, units: DisplayUnits) -> None:
    """Print chances and temperatures over a road."""
    from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST

    length, minutes = found.distance_m / units.metres, found.duration_s / 60.0
    drives = f"{found.drive_count} drive{'s' if found.drive_count != 1 else ''}"
    print_lines(
        f"Heat on '{found.name}': {length:.1f} {units.distance} in {minutes:.0f} min, from {drives} (estimated).",
        _chance(found),
        f"{_held(found, units)} {_arrival(found)}",
        "",
    )
    rows = [_row(part, units) for part in found.forecast.parts]
    rows += [
        (name, f"refused: {why.reason}", "", "", "", "")
        for name, why in found.forecast.refused.items()
        if _is_told(name)
    ]
    degree = units.temperature_label
    headings = (f"part [{degree}]", "peak, 90 % band", "red", "min to amber", "to derating", "to red")
    print_table(headings, rows, left=(0, 1))
    _print_curves(found, units)
    reasons = [
        f"{part.part}: no point is given, {part.peak_degc.reason}"
        for part in found.forecast.parts
        if isinstance(part.peak_degc, Refusal)
    ]
    print_lines("", *(f"Note: {note}." for note in (*reasons, *found.notes)))
    if found.advice:
        print_lines(f"Next: {found.advice}.")
    print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)


def _is_told(part: str) -> bool:
    return part != "oil"


def _chance(found: RoadHeat) -> str:
    hottest = found.forecast.parts[0] if found.forecast.parts else None
    over = found.forecast.over_ratio
    if hottest is None or over is None:
        why = found.held_share.reason if isinstance(found.held_share, Refusal) else "nothing is known"
        return f"Chance of getting over: refused, {why}."
    words = f"Chance of getting over: {100.0 * over:.0f} %"
    if found.empty_after_s is not None:
        words += ", the charge does not last"
    elif found.forecast.short_ratio > 0.02:
        words += ", motor or pack cannot give what it asks"
    words += f"; hottest against its limit: {hottest.part}"
    if isinstance(hottest.to_red_s, Estimate):
        sigma = hottest.to_red_s.sigma or 0.0
        words += f", red after {hottest.to_red_s.value / 60.0:.0f} ± {sigma / 60.0:.0f} min"
    return f"{words}."


def _held(found: RoadHeat, units: DisplayUnits) -> str:
    if isinstance(found.held_share, Refusal):
        return f"Speed that holds: refused, {found.held_share.reason}."
    speed = (found.held_speed_m_per_s or 0.0) / units.metres_per_second
    return f"Speed that holds (9 chances in 10): {speed:.0f} {units.speed_label}."


def _arrival(found: RoadHeat) -> str:
    charge = found.arrival_charge
    if found.empty_after_s is not None:
        return f"The pack is at the end of its window after {found.empty_after_s / 60.0:.0f} min."
    words = f"Arrives with {100.0 * charge.p50:.0f} % charge ({100.0 * charge.p05:.0f} to {100.0 * charge.p95:.0f})"
    if found.regenerated_wh > 20.0:
        words += f", {found.regenerated_wh / 1000.0:.1f} kWh put back"
    if found.regen_lost_wh > 20.0:
        words += f"; {found.regen_lost_wh / 1000.0:.1f} kWh go to the friction brakes, because the pack takes no more"
    return f"{words}."


def _row(part: PartForecast, units: DisplayUnits) -> tuple[str, ...]:
    at = int(part.middle_degc.argmax())
    low, high = (f"{units.temperature_of(float(value[at])):.0f}" for value in (part.low_degc, part.high_degc))
    point = f"{units.temperature_of(part.peak_degc.value):.0f}" if isinstance(part.peak_degc, Estimate) else "?"
    red = "no limit given" if part.red_degc is None else f"{units.temperature_of(part.red_degc):.0f}"
    times = (part.to_amber_s, part.to_derate_s, part.to_red_s)
    return (part.part, f"{point} ({low} to {high})", red, *(_minutes(time) for time in times))


def _minutes(time: Figure) -> str:
    if isinstance(time, Estimate):
        return f"{time.value / 60.0:.0f} ± {(time.sigma or 0.0) / 60.0:.0f}"
    return "no limit" if "no limit" in time.reason else "not reached" if "not reached" in time.reason else "refused"


def _print_curves(found: RoadHeat, units: DisplayUnits) -> None:
    parts = found.forecast.parts
    if not parts:
        return
    last = parts[0].middle_degc.size - 1
    moments = sorted({round(last * k / (_MOMENTS - 1)) for k in range(_MOMENTS)})
    rows = [
        (
            f"{4.0 * index / 60.0:.0f}",
            *(
                f"{units.temperature_of(float(part.middle_degc[index])):.0f} "
                f"({units.temperature_of(float(part.low_degc[index])):.0f}-"
                f"{units.temperature_of(float(part.high_degc[index])):.0f})"
                for part in parts
            ),
        )
        for index in moments
    ]
    print_lines("")
    print_table(("min", *(part.part for part in parts)), rows, title="Over the road, with 90 % bands", left=())
