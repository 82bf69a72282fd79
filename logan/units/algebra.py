"""Units as people write them in DBCs, headers, settings and options: the one reader of them.

A unit is a factor and the powers of a few base units. Energy is a base of its own beside force and
length, so that a torque in kilowatt-hours is refused; so is the angle, so that hertz is no shaft
speed. What is not known is never guessed. Factors: NIST SP 811, Appendix B.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from logan.units import FloatArray

    Number = TypeVar("Number", float, FloatArray)

MAX_UNIT_LENGTH: Final = 40


@dataclass(frozen=True, slots=True)
class UnitConversion:
    """Value in the unit asked for = ``factor * x + offset``.

    Parameters
    ----------
    factor : float
        Units asked for in one unit.
    offset : float
        Value at zero.
    guess : str
        The unit as it was read, where its prefix, taken as it is written, would say another; else empty.
    literal : str
        The unit as it is written then, its prefix as a word.
    """

    factor: float = 1.0
    offset: float = 0.0
    guess: str = field(default="", compare=False)
    literal: str = field(default="", compare=False)

    def to_si(self, value: Number) -> Number:
        """Values in SI."""
        return self.factor * value + self.offset

    def from_si(self, value: Number) -> Number:
        """Values in the unit, from SI."""
        return (value - self.offset) / self.factor


_BASES: Final = ("m", "kg", "s", "A", "K", "rad", "mol", "J")
_DEFINITIONS: Final = {
    "g": "0.001 kg", "lb": "0.45359237 kg", "t": "1000 kg", "min": "60 s", "h": "3600 s", "in": "0.0254 m",
    "ft": "0.3048 m", "mi": "1609.344 m", "L": "0.001 m^3", "gal": "0.003785411784 m^3", "N": "kg*m/s^2",
    "lbf": "4.4482216152605 N", "Pa": "N/m^2", "bar": "1e5 Pa", "psi": "lbf/in^2",
    "inHg": "3386.388640341 Pa", "mmHg": "133.322387415 Pa",
    "W": "J/s", "hp": "745.6998715822701 W", "PS": "735.49875 W", "Wh": "3600 J", "V": "W/A", "Ah": "A*h",
    "ohm": "V/A", "Hz": "1/s", "rev": "6.283185307179586 rad", "deg": "0.017453292519943295 rad", "rpm": "rev/min",
    "mph": "mi/h", "kph": "km/h", "gravity": "9.80665 m/s^2", "°C": "K", "°F": "0.5555555555555556 K",
    "%": "0.01 ratio", "‰": "0.001 ratio", "ratio": "1",
}  # fmt: skip
"""Symbol, and what it is in symbols above it and base units; a degree in a product is a difference."""


def _by_spelling(table: dict[str, str]) -> dict[str, str]:
    return {spelling: symbol for symbol, spellings in table.items() for spelling in spellings.split()}


_WORDS: Final = {symbol.lower(): symbol for symbol in (*_BASES, *_DEFINITIONS)} | _by_spelling(
    {
        "m": "meter metre mtr masl mamsl", "g": "gram gramm", "kg": "kilo", "t": "tonne", "lb": "lbm pound",
        "mol": "mole", "s": "sec sek second", "min": "minute", "h": "hr hour std stunde", "in": "inch inche",
        "ft": "foot feet", "mi": "mile", "L": "ltr liter litre", "gal": "gallon", "N": "newton",
        "Pa": "pascal", "W": "watt", "J": "joule", "hp": "bhp horsepower", "PS": "cv", "Wh": "watthour watthr",
        "V": "volt vdc vac vrms",
        "K": "kelvin", "A": "amp ampere adc aac arms", "Ah": "amphour amphr amperehour", "ohm": "ω", "Hz": "hertz",
        "rad": "radian", "mmHg": "torr", "deg": "° degree dd grad arcdegree", "rev": "u r tr turn revolution",
        "rpm": "umin upm", "kph": "kmh kmph", "%": "percent percentage pct prozent perc proz pourcent",
        "‰": "permille promille",
        "°C": "c degc celsius", "°F": "f degf fahrenheit", "N*m": "nm", "lbf*ft": "lbfft ftlbf",
        "L/min": "lpm", "L/h": "lph", "gal/min": "gpm", "m/s": "mps", "rev/s": "rps",
    }
)  # fmt: skip
"""One word in lower case, without the s of a plural, and the expression it stands for."""

_WHOLE: Final = _by_spelling(
    {
        "ratio": "ratio fraction pu perunit 01 1:1 dimensionless", "%": "%soc %rh", "Ah": "amphour amphours",
        "km/h": "km/std kmh1", "m/s": "ms1", "m/s^2": "ms2 mps2", "rad/s": "rads1", "rpm": "1min", "ft^2": "sqft",
        "N*m": "newtonmeter newtonmetre", "psi": "lb/in2 lbs/in2", "kg*m^2": "kgm2", "lbf*ft": "lbft ftlb lbsft ftlbs",
    }
)  # fmt: skip
"""A whole unit, where reading it part by part would be something else; in lower case, without blanks and ``-.*^``."""

_WHOLE_FOR: Final = {
    "rad/s": dict.fromkeys(("1/min", "/min", "min1"), "rpm"),
    "m/s^2": {"g": "gravity", "g0": "gravity", "megag": "1e6 gravity"}
    | dict.fromkeys(("mg", "millig"), "0.001 gravity"),
}
"""The same, where it is so for one dimension only."""

_SCALES: Final = {
    spelling: scale
    for spellings, scale in (
        ("c °c celsius celcius cel centigrade ℃ oc grad ° degree degrees deg gradc grdc gradcelsius", UnitConversion()),
        ("degc degcelsius degreec degreesc degreecelsius degreescelsius", UnitConversion()),
        ("f °f fahrenheit degf degfahrenheit degreef degreesf degreefahrenheit degreesfahrenheit ℉",
         UnitConversion(1.0 / 1.8, -32.0 / 1.8)),
        ("k kelvin degk °k", UnitConversion(1.0, -273.15)),
    )
    for spelling in spellings.split()
}  # fmt: skip
"""Scales of temperature in lower case without blanks, to degrees Celsius."""

_KELVINS: Final = frozenset({"k", "kelvin"})
_LETTERS: Final = {"u": 1e-6, "µ": 1e-6, "m": 1e-3, "c": 1e-2, "d": 0.1, "h": 100.0, "k": 1e3, "M": 1e6}
_PREFIXES: Final = {
    "micro": 1e-6, "milli": 1e-3, "centi": 1e-2, "deci": 0.1, "hecto": 100.0, "kilo": 1e3, "kil": 1e3, "mega": 1e6,
    "meg": 1e6,
}  # fmt: skip
_SCALE_STEP: Final = re.compile("(deci|centi|milli|mega|[dcm])-?")
_PREFIXED: Final = re.compile(r"(?<![^\W\d_])([Mm])((?:[^\W\d_]|[°℃℉])+)")
_TAKES_PREFIX: Final = frozenset(
    ("m", "g", "s", "L", "N", "Pa", "bar", "W", "Wh", "J", "V", "A", "Ah", "ohm", "Hz", "rad", "deg", "rpm", "N*m")
)
_TAKES_MEGA: Final = frozenset(("N", "Pa", "W", "Wh", "J", "ohm", "Hz"))
_CLIPPED: Final = (
    "celsius", "fahrenheit", "kelvin", "degree", "percent", "meter", "metre", "minute",
    "second", "inverse", "square", "cubic", "revolution", "ampere", "newton", "pascal",
    "hertz", "radian", "milli", "litre", "liter", "gravity", "micro", "centi",
)  # fmt: skip
_REWORDED: Final = (
    (r"\bper centi?\b", "percent"), (r"\bforce of gravity\b", "gravity"), (r"\bdegree of arc\b", "arcdegree"),
    (r"\b(micro|milli|centi|deci|kilo|mega) (?=[a-z])", r"\1"), (r"\b(degree) (celsius|fahrenheit)", r"\1\2"),
    (r"(\w+) squared?$", r"\1^2"), (r"\bsquare (\w+)", r"\1^2"), (r"\bcubic (\w+)", r"\1^3"),
    (r"\bminute inverse\b", "rpm"), (r"\bper\b", "/"),
)  # fmt: skip
_SAME: Final = str.maketrans(
    {"μ": "µ", "Ω": "ω", "\u2126": "ω", "º": "°", "˚": "°", "\ufffd": "°", "−": "-", "×": "*", "·": "*", "⋅": "*",
     "²": "^2", "³": "^3", "⁻": "^-", "¹": "1", "\u00a0": " ", "\u2009": " ", "\u202f": " "}
)  # fmt: skip
_MULTIPLIER: Final = re.compile(
    r"[x*]?\s*(\d+(?:[.,]\d+)?(?:e[+-]?\d{1,2})?)(?:/(\d+(?:[.,]\d+)?))?[x*\s]*(?=[^\W\d]|[°%‰])", re.IGNORECASE
)
_TOKEN: Final = re.compile(
    r"\s*(?:(?P<number>\d+(?:\.\d+)?(?:e[+-]?\d{1,2}(?!\d))?)|(?P<word>[^\W\d_]+|[°%‰][^\W\d_]*)|(?P<open>\()|(?P<close>\))"
    r"|(?P<sign>[*/.-]))"
)
_BRACKETED: Final = re.compile(r"[\[({<]+(.*?)[\])}>]+")
_POWER: Final = re.compile(r"(?:\^|\*\*)?([+-]?[1-4])(?![\d.,])")


@dataclass(frozen=True, slots=True)
class _Unit:
    factor: float = 1.0
    powers: tuple[int, ...] = (0,) * len(_BASES)

    def times(self, other: _Unit, power: int) -> _Unit:
        powers = tuple(a + power * b for a, b in zip(self.powers, other.powers, strict=True))
        return _Unit(self.factor * other.factor**power, powers)


@lru_cache(maxsize=4096)
def conversion(unit_text: str, to_unit: str) -> UnitConversion | None:
    """How numbers in a unit become those in another; None where it is unknown or of another dimension.

    Parameters
    ----------
    unit_text : str
        Free text, such as ``"km/h"``, ``"°C"``, ``"0.1V"``, ``"lb-ft"`` or ``"kg m²"``.
    to_unit : str
        Unit asked for, such as ``"N*m"``; ``"degC"`` for a temperature, ``"K"`` for a difference of two,
        empty or ``"ratio"`` for a plain number.

    Returns
    -------
    UnitConversion or None
        With a ``guess`` where ``MV`` was read as millivolts, or ``mPa`` as megapascals, as files that shout mean it.
    """
    text = unit_text.replace("Â°", "°").translate(_SAME).strip()
    text = bracketed[1].strip() if (bracketed := _BRACKETED.fullmatch(text)) else text
    if len(text) > MAX_UNIT_LENGTH or (found := _read(text, to_unit)) is None:
        return None
    literal = _PREFIXED.sub(_spelled_out, text)
    if literal == text or _read(literal, to_unit) in (None, found):
        return found
    return replace(found, guess=_PREFIXED.sub(_as_guessed, text), literal=literal)


def _spelled_out(word: re.Match[str]) -> str:
    """A word that begins with M for mega or m for milli, with that prefix as a word."""
    if _symbol(word[0]) or not (_symbol(word[2]) in _TAKES_PREFIX or word[2].lower() in _SCALES):
        return word[0]
    return ("mega" if word[1] == "M" else "milli") + word[2]


def _as_guessed(word: re.Match[str]) -> str:
    """The same with the prefix that was read, where that is another than the one that stands there."""
    is_literal = _spelled_out(word) == word[0] or _named(word[0]) == _named(_spelled_out(word)) is not None
    return word[0] if is_literal else word[1].swapcase() + word[2]


def _read(text: str, to_unit: str) -> UnitConversion | None:
    texts = [text, _in_words(text)]
    # "0.1V" is a tenth of a volt, "1/10 V" too.
    spelled = [(1.0, one) for one in texts] + [split for one in texts if (split := _multiplier(one)) is not None]
    wanted = _expression(to_unit or "ratio")
    found = (_converted(number, spelling, to_unit, wanted) for number, spelling in spelled if spelling)
    return next((one for one in found if one is not None), None)


def _converted(number: float, text: str, to_unit: str, wanted: _Unit | None) -> UnitConversion | None:
    squashed = re.sub(r"[\s_]+", "", text).lower()
    if to_unit == "degC":
        scale = _SCALES.get(squashed)
        if scale is None and (step := _SCALE_STEP.match(squashed)):
            number, scale = number * (_PREFIXES.get(step[1]) or _LETTERS[step[1]]), _SCALES.get(squashed[step.end() :])
        return None if scale is None else UnitConversion(scale.factor * number, scale.offset)
    if wanted is None:
        raise ValueError(f"'{to_unit}' is no unit")
    if to_unit == "K" and squashed not in _KELVINS:
        return None  # a temperature on a scale, where a difference is asked for
    of_this = next((table for unit, table in _WHOLE_FOR.items() if _powers(unit) == wanted.powers), {})
    bare = re.sub("[-.*^]", "", squashed)
    whole = of_this.get(bare) or _WHOLE.get(bare)
    if not any(wanted.powers) and ("ph" in squashed or squashed.count("/") > 1):
        return None  # one of two speeds, such as "kph/mph", rather than a ratio
    unit = _expression(whole or text, needs_word=not whole)
    if unit is None or unit.powers != wanted.powers or not 0.0 < unit.factor < float("inf"):
        return None
    return UnitConversion(number * unit.factor / wanted.factor)


def _multiplier(text: str) -> tuple[float, str] | None:
    """Split ``0.1V`` into 0.1 and ``V``; None where there is no number before, or it is 0."""
    match = _MULTIPLIER.match(text)
    if match is None:
        return None
    number, divisor = (float((part or "1").replace(",", ".")) for part in match.groups())
    return (number / divisor, text[match.end() :]) if number > 0.0 and divisor > 0.0 else None


def _in_words(text: str) -> str:
    """A unit in words, such as ``Unit_DegreCelsi`` or ``miles per hour``, as an expression; empty where it is none."""
    text = re.sub("^unit_", "", text, flags=re.IGNORECASE)
    if not re.fullmatch("[A-Za-z -]+", text) or not re.search("[A-Za-z]{4}", text):
        return ""
    words = " ".join(_whole_word(piece.lower()) for piece in re.findall("[A-Z]?[a-z]+|[A-Z]", text))
    for pattern, becomes in _REWORDED:
        words = re.sub(pattern, becomes, words)
    return words


def _whole_word(clipped: str) -> str:
    """The unit's word that a clipped one is the beginning of; what is shorter than four letters is left alone."""
    return next((word for word in _CLIPPED if len(clipped) > 3 and word.startswith(clipped)), clipped)


@cache
def _powers(expression: str) -> tuple[int, ...]:
    unit = _expression(expression)
    assert unit is not None
    return unit.powers


def _expression(text: str, *, needs_word: bool = False) -> _Unit | None:
    """A product of powers; what stands side by side belongs together, as in ``kWh/100 km``."""
    tokens: list[tuple[str, str, int]] = []
    end = 0
    while end < len(text):
        token = _TOKEN.match(text, end)
        if token is None:
            return None
        end, kind = token.end(), str(token.lastgroup)
        power = _POWER.match(text, end) if kind in {"word", "close"} else None
        end = power.end() if power else end
        tokens.append((kind, token[kind], int(power[1]) if power else 1))
    if needs_word and not any(kind == "word" for kind, _, _ in tokens):
        return None
    return _product(iter(tokens), is_inside=False)


def _product(tokens: Iterator[tuple[str, str, int]], *, is_inside: bool) -> _Unit | None:
    unit, sign, is_sign = _Unit(), 1, False
    for kind, text, power in tokens:
        if kind == "sign":
            if is_sign:
                return None
            sign, is_sign = -1 if text == "/" else 1, True
            continue
        is_sign = False
        if kind == "close":
            return _Unit().times(unit, power) if is_inside and unit.factor > 0.0 else None
        if kind == "open":
            part = _product(tokens, is_inside=True)
        else:
            part = _Unit(float(text)) if kind == "number" else _named(text)
        if part is None or part.factor == 0.0:
            return None
        unit = unit.times(part, sign * power)
    return None if is_inside else unit


@cache
def _of_symbol(symbol: str) -> _Unit:
    if symbol in _BASES:
        return _Unit(1.0, tuple(int(base == symbol) for base in _BASES))
    unit = _expression(_DEFINITIONS.get(symbol, symbol))
    assert unit is not None
    return unit


def _symbol(word: str) -> str:
    """The symbol, or expression, that a word without prefix stands for; empty where there is none."""
    if word in _BASES or word in _DEFINITIONS:
        return word
    lower = word.lower()
    return _WORDS.get(lower) or (_WORDS.get(lower.removesuffix("s"), "") if len(lower) > 2 else "")


def _named(word: str) -> _Unit | None:
    """One word: a symbol, a spelling of one, or one with a prefix."""
    if symbol := _symbol(word):
        return _of_symbol(symbol)
    for prefix, factor in _PREFIXES.items():
        if word.lower().startswith(prefix) and (symbol := _symbol(word[len(prefix) :])) in _TAKES_PREFIX:
            return _Unit(factor).times(_of_symbol(symbol), 1)
    letter, symbol = word[:1], _symbol(word[1:])
    if symbol not in _TAKES_PREFIX:
        return None
    if symbol == "Pa" and letter == "m":
        letter = "M"  # nobody brakes with thousandths of a pascal
    elif letter == "M" and symbol not in _TAKES_MEGA:
        letter = "m" if word.isupper() else ""
    known = _LETTERS.get(letter.lower() if letter in "KDC" else letter)
    return None if known is None else _Unit(known).times(_of_symbol(symbol), 1)
