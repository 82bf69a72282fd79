"""Two drives side by side: why one took more than the other."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logan.driving_range.difference import DifferenceFact, DriveDifference
    from logan.results import Figure
    from logan.units import DisplayUnits


def show_difference(found: DriveDifference, units: DisplayUnits) -> None:
    """Print a difference: the answer first, then the two drives side by side."""
    from logan.cli.rendering import print_lines, print_table

    label = units.consumption_label
    rows: list[tuple[str, str, str]] = [
        (f"drive {found.first}", _consumption(found.first_wh_per_km, units), "measured"),
        (f"drive {found.second}", _consumption(found.second_wh_per_km, units), "measured"),
        ("difference", _consumption(found.difference_wh_per_km, units, signed=True), ""),
    ]
    parts = sorted(found.parts, key=lambda part: -abs(part.effect_wh_per_km.value))
    rows += [
        (f"  {part.name}", _consumption(part.effect_wh_per_km, units, signed=True), part.meaning) for part in parts
    ]
    rows.append(
        (
            "  not explained",
            _consumption(found.unexplained_wh_per_km, units, signed=True),
            "the vehicle itself, wind not recorded, errors",
        )
    )
    print_table(("", label, ""), rows, left=(0, 2))
    facts = [_fact_row(fact, units) for fact in found.facts]
    print_table(("", f"drive {found.first}", f"drive {found.second}", ""), facts, left=(0, 3))
    if found.assumed:
        print_lines(*(f"assumed for drive {text}" for text in found.assumed))


def _consumption(figure: Figure, units: DisplayUnits, *, signed: bool = False) -> str:
    from logan.results import Refusal

    if isinstance(figure, Refusal):
        return f"refused: {figure.reason}"
    value = units.consumption(figure.value)
    # Adding zero turns a rounded -0 into 0.
    whole = round(value) + 0
    text = f"{whole:+d}" if signed and whole else f"{whole:d}"
    return text if figure.sigma is None else f"{text} ± {units.consumption(figure.sigma):.0f}"


def _fact_row(fact: DifferenceFact, units: DisplayUnits) -> tuple[str, str, str, str]:
    scale, offset, unit = {
        "m/s": (1.0 / units.metres_per_second, 0.0, units.speed_label),
        "degC": (units.temperature_step(1.0), units.temperature_of(0.0), units.temperature_label),
        "1/km": (units.metres / 1000.0, 0.0, f"per {units.distance}"),
        "m/km": (1.0, 0.0, "m/km"),
    }.get(fact.unit, (1.0, 0.0, fact.unit))
    if fact.name == "distance":
        scale, unit = 1.0 / units.metres, units.distance
    digits = 3 if fact.unit == "kg/m3" else 1
    first, second = (
        "not recorded" if value != value else f"{value * scale + offset:,.{digits}f}"
        for value in (fact.first, fact.second)
    )
    return fact.name, first, second, unit
