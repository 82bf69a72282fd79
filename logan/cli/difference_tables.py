"""Two drives side by side: why one took more than the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logan.cli.rendering import print_lines, print_table
from logan.results import Refusal
from logan.units import QUANTITY_OF_UNIT
from logan.wording import number, signed, with_sigma

if TYPE_CHECKING:
    from logan.driving_range.difference import DifferenceFact, DriveDifference
    from logan.results import Figure
    from logan.units import DisplayUnits


def show_difference(found: DriveDifference, units: DisplayUnits) -> None:
    """Print a difference: the answer first, then the two drives side by side."""
    label = units.consumption_label
    print_lines(_answer(found, units), "")
    rows: list[tuple[str, str, str]] = [
        (f"drive {found.first}", _consumption(found.first_wh_per_km, units), "measured"),
        (f"drive {found.second}", _consumption(found.second_wh_per_km, units), "measured"),
        ("difference", _consumption(found.difference_wh_per_km, units, is_change=True), ""),
    ]
    parts = sorted(found.parts, key=lambda part: -abs(part.effect_wh_per_km.value))
    rows += [
        (f"  {part.name}", _consumption(part.effect_wh_per_km, units, is_change=True), part.meaning) for part in parts
    ]
    rows.append(
        (
            "  not explained",
            _consumption(found.unexplained_wh_per_km, units, is_change=True),
            "the vehicle itself, wind not recorded, errors",
        )
    )
    print_table(("", label, ""), rows, left=(0, 2))
    facts = [_fact_row(fact, units) for fact in found.facts]
    print_table(("", f"drive {found.first}", f"drive {found.second}", ""), facts, left=(0, 3))
    if found.assumed:
        print_lines(*(f"assumed for drive {text}" for text in found.assumed))


def _answer(found: DriveDifference, units: DisplayUnits) -> str:
    """Which drive took more, and the three things that explain most of it."""
    change = found.difference_wh_per_km
    if isinstance(change, Refusal):
        return f"Not compared: {change.reason}."
    parts = sorted(found.parts, key=lambda part: -abs(part.effect_wh_per_km.value))[:3]
    told = [
        f"{part.name} {text}"
        for part in parts
        if (text := signed(units.consumption(part.effect_wh_per_km.value))) != "0"
    ]
    return (
        f"Drive {found.second} took {_consumption(change, units, is_change=True)} {units.consumption_label} against "
        f"drive {found.first}: {', '.join(told)}, not explained "
        f"{_consumption(found.unexplained_wh_per_km, units, is_change=True)}."
    )


def _consumption(figure: Figure, units: DisplayUnits, *, is_change: bool = False) -> str:
    if isinstance(figure, Refusal):
        return f"refused: {figure.reason}"
    value = units.consumption(figure.value)
    sigma = None if figure.sigma is None else units.consumption(figure.sigma)
    if is_change and round(value):
        return f"{signed(value)}{with_sigma(0.0, sigma).removeprefix('0')}"
    return with_sigma(value, sigma)


def _fact_row(fact: DifferenceFact, units: DisplayUnits) -> tuple[str, str, str, str]:
    quantity, scale, digits = QUANTITY_OF_UNIT.get(fact.unit, ""), 1.0, 1
    unit = units.unit_of(quantity) if quantity else fact.unit
    if fact.name == "distance":
        quantity, unit = "distance", units.distance
    elif fact.unit == "m":
        quantity, unit = "height", units.height_label
    elif fact.unit == "m/km":
        quantity, scale, unit = "slope", 0.001, units.unit_of("slope")
    elif fact.unit == "1/km":
        scale, unit = units.metres / 1000.0, f"per {units.distance}"
    if quantity in ("density", "weight", "height", "electric_power"):
        digits = units.digits_of(quantity)
    first, second = (
        "not recorded"
        if value != value
        else number(units.to_shown(value * scale, quantity) if quantity else value * scale, digits)
        for value in (fact.first, fact.second)
    )
    return fact.name, first, second, unit
