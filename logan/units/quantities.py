"""Quantities as people write them: ``"3640 lb"``, ``"1,650 kg ± 20 kg"``, ``"65 mph"``, ``"20 °F"``, ``"10 %"``.

A comma before three digits may group thousands or stand for a decimal point: the range that is
allowed decides: thousands where a decimal point would be out of it, else the text is refused with both
readings named.
"""

from __future__ import annotations

import math
import re
import sys
from dataclasses import dataclass, field
from typing import Final

from logan.units.algebra import UnitConversion, conversion

_DIGITS: Final = r"(?:\d[\d.,'’_]*(?:[ \u00a0\u2009\u202f]\d{3}(?!\d)[\d.,]*)*|[.,]\d+)"
_NUMBER: Final = rf"[-+]?{_DIGITS}(?:[eE][-+]?\d+)?"
_QUANTITY: Final = re.compile(
    rf"^\s*(?P<value>{_NUMBER})\s*(?P<unit>[^±+\-\d\s][^±]*?|)\s*"
    rf"(?:(?:±|\+/?-)\s*(?P<sigma>{_NUMBER})\s*(?P<sigma_unit>[^±\d\s][^±]*?|))?\s*$"
)
_GROUPED: Final = re.compile(
    r"[-+]?[1-9]\d{0,2}(?P<mark>[,.' ’_])\d{3}(?:(?P=mark)\d{3})*(?P<rest>(?!(?P=mark))[.,]\d*)?"
)
_DECIMAL: Final = re.compile(r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d+)?")
_GAUGE: Final = re.compile(r"\s*(?:(\d)/0|(\d{1,2}))\s*(?:awg|gauge|ga)\.?\s*", re.IGNORECASE)
_MINUS: Final = str.maketrans({"−": "-", "–": "-", "\u00a0": " ", "\u2009": " ", "\u202f": " "})


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard uncertainty, both in the unit asked for.

    Parameters
    ----------
    value : float
        In the unit asked for.
    sigma : float or None
        Standard uncertainty; None where not given.
    text : str
        As the user typed it, so that it can be shown so again; empty for a default.
    unit : str
        Unit that was typed; empty for a default and for a plain number.
    """

    value: float
    sigma: float | None = None
    text: str = field(default="", compare=False)
    unit: str = field(default="", compare=False)


class TypedNumber(float):
    """A number of the settings that knows the words in which it was typed, so that they can be shown again."""

    __slots__ = ("text",)

    text: str

    def __new__(cls, value: float, text: str) -> TypedNumber:
        """A number in SI, and what stood in the settings."""
        made = super().__new__(cls, value)
        made.text = text
        return made

    def __reduce__(self) -> tuple[type, tuple[float, str]]:
        """It goes to another process with its words."""
        return TypedNumber, (float(self), self.text)


def read_number(text: str) -> tuple[float, ...]:
    """What a number may be: one value, two where its comma can be read in two ways, none where it is no number.

    Parameters
    ----------
    text : str
        Such as ``"1250"``, ``"1,250.5"``, ``"1 250"``, ``"0,8"`` or ``"−5"``; ``"1,250"`` is 1250 or 1.25.
    """
    text = text.translate(_MINUS).strip()
    readings = []
    grouped = _GROUPED.fullmatch(text)
    # A point before three digits, alone, is a decimal point; two points are none.
    if grouped and (grouped["mark"] != "." or grouped["rest"] or text.count(".") > 1):
        whole = text[: grouped.start("rest")] if grouped["rest"] else text
        rest = (grouped["rest"] or "").replace(",", ".")
        readings.append(float(whole.replace(grouped["mark"], "") + rest))
    if _DECIMAL.fullmatch(text):
        readings.append(float(text.replace(",", ".")))
    return tuple(readings)


def with_unit(text: str, unit: str) -> str:
    """A quantity as somebody types it; a bare number is taken in the reader's own unit."""
    return f"{text.strip()} {unit}" if read_number(text) else text


def parse_quantity(
    raw: object, to_unit: str, example: str, *, low: float = float("-inf"), high: float = float("inf")
) -> Measured:
    """Read a quantity into ``to_unit`` (empty for a plain ratio).

    Parameters
    ----------
    raw : object
        Text with a number and a unit; a bare number where ``to_unit`` is empty.
    to_unit : str
        As ``logan.units.algebra.conversion`` takes it.
    example : str
        Shown when the text cannot be read.
    low, high : float
        What decides between two readings of a comma, in ``to_unit``; not checked otherwise.

    Raises
    ------
    ValueError
        In the words shown to the user: no number, no unit, a unit of another kind, or two readings.
    """
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise ValueError(f'expected a quantity such as "{example}"')
    if not isinstance(raw, str):
        if to_unit == "" and abs(raw) <= sys.float_info.max:
            return Measured(float(raw), text=str(raw))
        raise ValueError(f'{"say the unit" if to_unit else "expected a number"}, such as "{example}"')
    if (gauge := _GAUGE.fullmatch(raw)) and (from_mm2 := conversion("mm2", to_unit)):
        return Measured(
            from_mm2.to_si(wire_area_mm2(1 - int(gauge[1]) if gauge[1] else int(gauge[2]))), text=raw.strip()
        )
    match = _QUANTITY.match(raw.translate(_MINUS))
    values = read_number(match["value"]) if match else ()
    if match is None or not values:
        raise ValueError(f'cannot read "{raw}"; write a number and a unit, such as "{example}"')
    unit, sigma_unit = match["unit"], match["sigma_unit"] or ""
    if not unit and sigma_unit != "%":
        unit = sigma_unit
    if not unit and to_unit:
        raise ValueError(f'say the unit, such as "{example}"')
    to_si = conversion(unit, to_unit) if unit else UnitConversion()
    spread = conversion(sigma_unit, to_unit) if sigma_unit and sigma_unit != unit and sigma_unit != "%" else to_si
    if to_si is None or spread is None:
        raise ValueError(f'"{raw}" is not in a unit of {to_unit or "a plain number"}; write for example "{example}"')
    if guessed := next((one for one in (to_si, spread) if one.guess), None):
        both = f'"{guessed.guess}" or "{guessed.literal}"'
        raise ValueError(f'the capital or small m of "{raw.strip()}" can be read in two ways; write {both}')
    value = to_si.to_si(_the_one(values, to_si, low, high, unit))
    sigmas = read_number(match["sigma"] or "0")
    if not sigmas or not 0.0 <= sigmas[0] < math.inf or not math.isfinite(value):
        raise ValueError(f'cannot read "{raw}"; write a number and a unit, such as "{example}"')
    if match["sigma"] is None:
        return Measured(value, text=raw.strip(), unit=unit)
    # A comma means the same in both numbers.
    sigma = sigmas[0] if len(values) > 1 or len(sigmas) == 1 else _nearer(sigmas, raw)
    is_share = sigma_unit == "%" and unit != "%"
    return Measured(value, abs(value) * sigma / 100.0 if is_share else spread.factor * sigma, raw.strip(), unit)


def wire_area_mm2(gauge: int) -> float:
    """Area of a wire of this American gauge; 0 is 1/0 and -3 is 4/0. [mm2]

    References
    ----------
    .. [1] ASTM B258: 39 steps from 0.005 inch (36) to 0.46 inch (4/0), each by the same factor; from memory.
    """
    diameter_mm: float = 0.127 * 92.0 ** ((36 - gauge) / 39.0)
    return math.pi / 4.0 * diameter_mm * diameter_mm


def wire_gauge(area_mm2: float) -> str:
    """The gauge that comes nearest to an area [mm2], such as ``"1/0 AWG"``; empty beyond 4/0."""
    gauge = min(range(-3, 37), key=lambda number: abs(math.log(wire_area_mm2(number) / area_mm2)))
    if not 0.8 < wire_area_mm2(gauge) / area_mm2 < 1.25:
        return ""
    return f"{1 - gauge}/0 AWG" if gauge <= 0 else f"{gauge} AWG"


def _the_one(values: tuple[float, ...], to_si: UnitConversion, low: float, high: float, unit: str) -> float:
    """The reading that is meant: grouped thousands, unless the decimal comma would be allowed too."""
    if len(values) < 2 or not low <= to_si.to_si(values[1]) <= high:
        return values[0]
    both = " or ".join(f'"{f"{value:.12g} {unit}".strip()}"' for value in values)
    raise ValueError(f"the comma can be read in two ways; write {both}")


def _nearer(sigmas: tuple[float, ...], raw: str) -> float:
    both = " or ".join(f"{sigma:.12g}" for sigma in sigmas)
    raise ValueError(f'the comma of the uncertainty in "{raw}" can be read in two ways; write {both}')
