"""Quantities as people write them: ``"3640 lb"``, ``"1650 kg ± 20 kg"``, ``"65 mph"``, ``"20 °F"``, ``"10 %"``."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from logan.units import celsius

if TYPE_CHECKING:
    import pint

_NUMBER = r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_QUANTITY = re.compile(
    rf"^\s*(?P<value>{_NUMBER})\s*(?P<unit>[^±+\-\d][^±]*?|)\s*"
    rf"(?:(?:±|\+/?-)\s*(?P<sigma>{_NUMBER})\s*(?P<sigma_unit>[^±\d][^±]*?|))?\s*$"
)
_SPELLINGS = {
    "mph": "mile/hour",
    "km/h": "kilometer/hour",
    "kph": "kilometer/hour",
    "°c": "degC",
    "c": "degC",
    "degc": "degC",
    "°f": "degF",
    "f": "degF",
    "degf": "degF",
    "%": "percent",
    "kg": "kilogram",
    "m": "meter",
    "nm": "newton*meter",
    "n m": "newton*meter",
    "n*m": "newton*meter",
    "ohm": "ohm",
    "mohm": "milliohm",
    "mω": "milliohm",
    "ω": "ohm",
    "m2": "meter**2",
    "m²": "meter**2",
    "ft2": "foot**2",
    "ft²": "foot**2",
    "mm2": "millimeter**2",
    "mm²": "millimeter**2",
    "kg*m2": "kilogram*meter**2",
    "kgm2": "kilogram*meter**2",
    "kg m2": "kilogram*meter**2",
    "kg m²": "kilogram*meter**2",
    "ah": "ampere*hour",
    "wh": "watt*hour",
    "kwh": "kilowatt*hour",
    "wh/kg": "watt*hour/kilogram",
    "w/k": "watt/kelvin",
    "j/mol": "joule/mole",
    "%/k": "percent/kelvin",
    "1/k": "1/kelvin",
    "hp": "mechanical_horsepower",
    "kw": "kilowatt",
    "w": "watt",
    "kpa": "kilopascal",
    "hpa": "hectopascal",
    "a": "ampere",
    "v": "volt",
    "mv": "millivolt",
    "mi": "mile",
    "km": "kilometer",
    "lb": "pound",
    "lbs": "pound",
    "in": "inch",
    "min": "minute",
    "s": "second",
    "h": "hour",
    "rpm": "revolution/minute",
}


USUAL_FACTORS: Final = {
    ("percent", ""): 0.01,
    ("pound", "kilogram"): 0.45359237,
    ("mile", "meter"): 1609.344,
    ("kilometer", "meter"): 1000.0,
    ("mile/hour", "meter/second"): 0.44704,
    ("kilometer/hour", "meter/second"): 1.0 / 3.6,
    ("kilowatt", "watt"): 1000.0,
    ("kilowatt*hour", "watt*hour"): 1000.0,
    ("milliohm", "ohm"): 0.001,
    ("millivolt", "volt"): 0.001,
    ("volt", "V"): 1.0,
    ("minute", "second"): 60.0,
    ("hour", "second"): 3600.0,
    ("hectopascal", "pascal"): 100.0,
    ("kilopascal", "pascal"): 1000.0,
}
"""What settings mostly hold, so that reading them does not load pint, which takes half a second; pint agrees."""


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    return pint.UnitRegistry(cache_folder=None)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard uncertainty, both in the SI unit asked for; sigma None where not given."""

    value: float
    sigma: float | None = None


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _convert(value: float, unit: str, to_unit: str) -> float:
    spelled = _SPELLINGS.get(unit.strip().lower(), unit.strip())
    if spelled == to_unit:
        return value
    if (spelled, to_unit) == ("degF", "degC"):
        return celsius(value)
    factor = USUAL_FACTORS.get((spelled, to_unit))
    return value * factor if factor is not None else _through_pint(value, spelled, to_unit)


def _through_pint(value: float, unit: str, to_unit: str) -> float:
    return float(_registry().Quantity(value, unit).to(to_unit).magnitude)


def parse_quantity(raw: object, to_unit: str, example: str) -> Measured:
    """Read a quantity into ``to_unit`` (a unit of ``pint``; empty for a plain ratio).

    Raises
    ------
    ValueError
        In the words shown to the user: no number, no unit, or a unit of another kind.
    """
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise ValueError(f'expected a quantity such as "{example}"')
    if not isinstance(raw, str):
        if to_unit == "":
            return Measured(float(raw))
        raise ValueError(f'say the unit, such as "{example}"')
    match = _QUANTITY.match(raw)
    if match is None:
        raise ValueError(f'cannot read "{raw}"; write a number and a unit, such as "{example}"')
    value, unit, sigma = _number(match["value"]), match["unit"].strip(), match["sigma"]
    sigma_unit = (match["sigma_unit"] or "").strip()
    if not unit and sigma_unit and sigma_unit != "%":
        unit = sigma_unit
    if not unit and to_unit:
        raise ValueError(f'say the unit, such as "{example}"')
    try:
        converted = _convert(value, unit, to_unit) if unit else value
        if sigma is None:
            return Measured(converted)
        if sigma_unit == "%" and unit != "%":
            return Measured(converted, abs(converted) * _number(sigma) / 100.0)
        upper = _convert(value + _number(sigma), sigma_unit or unit, to_unit) if unit else value + _number(sigma)
        lower = _convert(value, sigma_unit or unit, to_unit) if unit else value
        return Measured(converted, abs(upper - lower))
    except Exception as error:
        if type(error).__module__.startswith("pint") or isinstance(error, ValueError | TypeError | AttributeError):
            wanted = to_unit or "a plain number"
            raise ValueError(f'"{raw}" is not in a unit of {wanted}; write for example "{example}"') from None
        raise


@dataclass(frozen=True, slots=True)
class Quantity:
    """Marks a field as a quantity of one kind within a range; held as ``Measured`` in ``to_unit``.

    Parameters
    ----------
    to_unit : str
        Unit that it is held in.
    low, high : float
        Allowed range, in that unit.
    example : str
        Shown when the user's text cannot be read.
    shown : str
        Unit as printed in messages.
    """

    to_unit: str
    low: float
    high: float
    example: str
    shown: str

    def read(self, raw: object) -> Measured:
        """Read and check one value.

        Raises
        ------
        ValueError
            In the words shown to the user.
        """
        if isinstance(raw, Measured):
            return raw
        measured = parse_quantity(raw, self.to_unit, self.example)
        unit = f" {self.shown}" if self.shown else ""
        if not self.low <= measured.value <= self.high:
            raise ValueError(f"expected {self.low:g} to {self.high:g}{unit}, got {measured.value:g}{unit}")
        return measured

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(self, core: Any, handler: Any) -> dict[str, Any]:
        # Forms and API descriptions show a quantity as text with its range.
        unit = f" {self.shown}" if self.shown else ""
        return {
            "type": "string",
            "examples": [self.example],
            "description": f"{self.low:g} to {self.high:g}{unit}",
        }
