"""Units as people write them in DBCs and headers, turned into SI through pint.

An alias table turns loose spellings into pint's; what it does not know is asked for,
never assumed. The dimension is checked against the channel, so that a "C" on a current
is refused rather than read as coulomb or Celsius.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from tokenize import TokenError
from typing import TYPE_CHECKING, Any, Final

from logan.channels.vocabulary import CHANNEL_KINDS, ChannelKind, channel_kind
from logan.errors import ChannelError
from logan.units import FloatArray

if TYPE_CHECKING:
    import pint

MAX_UNIT_LENGTH: Final = 40


@dataclass(frozen=True, slots=True)
class UnitConversion:
    """SI value = ``factor * x + offset``.

    Parameters
    ----------
    factor : float
        SI units in one unit.
    offset : float
        SI value at zero.
    """

    factor: float = 1.0
    offset: float = 0.0

    def to_si(self, value: FloatArray) -> FloatArray:
        """Values in SI."""
        return self.factor * value + self.offset

    def from_si(self, value: FloatArray) -> FloatArray:
        """Values in the unit, from SI."""
        return (value - self.offset) / self.factor


_UNITLESS: Final = frozenset(
    {"contactor_closed", "charging", "brake_switch", "gear", "marker", "cell_number_min", "cell_number_max"}
)
_UNITLESS_WORDS: Final = frozenset(
    {"", "-", "--", "1", "0/1", "bool", "boolean", "bit", "flag", "on/off", "state", "status", "enum", "none", "n/a"}
)

# Spelling in lower case, without spaces and brackets -> pint expression.
_ALIASES: Final[dict[str, str]] = {
    **dict.fromkeys(
        (
            "kph",
            "kmh",
            "kmph",
            "km/h",
            "km/hr",
            "km/hour",
            "km.h-1",
            "kmh-1",
            "km/std",
            "kilometerperhour",
            "kilometreperhour",
        ),
        "km/hour",
    ),
    **dict.fromkeys(("mph", "mi/h", "miles/h", "mi/hr", "milesperhour", "mile/h"), "mile/hour"),
    **dict.fromkeys(("m/s", "mps", "ms-1", "m.s-1", "m*s-1", "meter/s"), "m/s"),
    **dict.fromkeys(
        ("m/s2", "m/s^2", "m/s²", "m/s/s", "ms-2", "m.s-2", "mps2", "meterpersecondsquared", "meterperseconsquar"),
        "m/s**2",
    ),
    **dict.fromkeys(("%", "percent", "pct", "prozent", "perc", "%soc", "%rh", "proz", "pourcent"), "percent"),
    **dict.fromkeys(("‰", "permille", "promille"), "0.001 dimensionless"),
    **dict.fromkeys(("ratio", "fraction", "p.u.", "pu", "perunit", "0..1", "0-1"), "dimensionless"),
    **dict.fromkeys(
        (
            "rpm",
            "1/min",
            "/min",
            "u/min",
            "umin",
            "minuteinverse",
            "revolutionperminute",
            "min-1",
            "min^-1",
            "r/min",
            "rev/min",
            "tr/min",
            "upm",
            "1min",
        ),
        "revolution/minute",
    ),
    **dict.fromkeys(("krpm",), "1000 revolution/minute"),
    **dict.fromkeys(("rps", "rev/s", "r/s", "u/s"), "revolution/second"),
    **dict.fromkeys(("rad/s", "rads-1", "rad/sec"), "radian/second"),
    **dict.fromkeys(("nm", "n.m", "n-m", "n*m", "n·m", "newtonmeter", "newtonmetre", "newton-meter"), "newton*meter"),
    **dict.fromkeys(
        ("lbft", "lb-ft", "lb.ft", "lb*ft", "ftlb", "ft-lb", "ft.lb", "ftlbs", "lbfft", "lbf.ft"), "pound_force*foot"
    ),
    **dict.fromkeys(("kw", "kilowatt", "kilowatts"), "kilowatt"),
    **dict.fromkeys(("w", "watt", "watts"), "watt"),
    **dict.fromkeys(("hp", "bhp"), "horsepower"),
    **dict.fromkeys(("ps", "cv"), "metric_horsepower"),
    **dict.fromkeys(("v", "volt", "volts", "vdc", "vac", "vrms"), "volt"),
    **dict.fromkeys(("mv", "millivolt", "millivolts"), "millivolt"),
    **dict.fromkeys(("kv",), "kilovolt"),
    **dict.fromkeys(("a", "amp", "amps", "ampere", "amperes", "adc", "aac", "arms"), "ampere"),
    **dict.fromkeys(("ma", "milliamp", "milliamps"), "milliampere"),
    **dict.fromkeys(("ka",), "kiloampere"),
    **dict.fromkeys(("ah", "a.h", "a*h", "amphour", "amphours", "amp-hours", "amperehours"), "ampere*hour"),
    **dict.fromkeys(("mah",), "milliampere*hour"),
    **dict.fromkeys(("ohm", "ohms", "ω", "r"), "ohm"),
    **dict.fromkeys(("kohm", "kohms", "kω", "kiloohm"), "kiloohm"),
    **dict.fromkeys(("mohm", "mω", "megaohm"), "megaohm"),
    **dict.fromkeys(("ohm/v", "ω/v"), "ohm/volt"),
    **dict.fromkeys(("bar", "bars"), "bar"),
    **dict.fromkeys(("mbar", "hpa"), "hectopascal"),
    **dict.fromkeys(("kpa",), "kilopascal"),
    **dict.fromkeys(("pa", "pascal"), "pascal"),
    **dict.fromkeys(("mpa",), "megapascal"),
    **dict.fromkeys(("psi", "lbs/in2", "lb/in2"), "psi"),
    **dict.fromkeys(("inhg",), "inHg"),
    **dict.fromkeys(("mmhg", "torr"), "mmHg"),
    **dict.fromkeys(("km", "kilometer", "kilometre", "kilometers", "kilometres"), "kilometer"),
    **dict.fromkeys(("mi", "mile", "miles"), "mile"),
    **dict.fromkeys(("m", "meter", "metre", "meters", "metres", "mtr", "masl", "mamsl"), "meter"),
    **dict.fromkeys(("ft", "feet", "foot"), "foot"),
    **dict.fromkeys(("l/min", "lpm", "ltr/min", "liter/min"), "liter/minute"),
    **dict.fromkeys(("l/h", "lph", "l/hr", "ltr/h"), "liter/hour"),
    **dict.fromkeys(("gpm", "gal/min"), "gallon/minute"),
    **dict.fromkeys(("deg", "degree", "degrees", "°", "dd"), "degree"),
    **dict.fromkeys(("udeg", "µdeg", "microdeg"), "1e-6 degree"),
}
_TEMPERATURES: Final[dict[str, str]] = {
    **dict.fromkeys(
        ("c", "degc", "°c", "celsius", "degcelsius", "degreecelsius", "degreescelsius", "degreec", "degreesc", "deg",
         "°", "gradc", "grad", "grdc", "centigrade", "℃", "oc", "degrees", "degree", "celcius"),
        "degC",
    ),
    **dict.fromkeys(("f", "degf", "°f", "fahrenheit", "degfahrenheit", "degreesfahrenheit", "degreef", "℉"), "degF"),
    **dict.fromkeys(("k", "kelvin", "degk", "°k"), "kelvin"),
}  # fmt: skip
_ACCELERATIONS: Final = {"g": "standard_gravity", "g0": "standard_gravity", "mg": "0.001 standard_gravity"}
_PREFIXES: Final = {"deci": 0.1, "centi": 0.01, "milli": 0.001, "kilo": 1000.0}
_DECIMAL_LETTERS: Final = {"d": 0.1, "c": 0.01, "m": 0.001, "M": 1e6, "D": 0.1, "C": 0.01}
_MULTIPLIER: Final = re.compile(
    r"^[x*×]?(?P<number>\d+(?:[.,]\d+)?(?:e[+-]?\d{1,2})?)(?:/(?P<divisor>\d+(?:[.,]\d+)?))?[x*×]?(?P<rest>[^\d].*)$"
)
_PIECE: Final = re.compile(r"[A-Z][a-z]+")
_WORDS_ONLY: Final = re.compile(r"^(?:[A-Z][a-z]{2,}){1,6}$")
_UNIT_WORDS: Final = (
    "celsius", "fahrenheit", "kelvin", "degree", "percent", "kilometer", "kilo", "meter", "metre", "mile", "per",
    "hour", "minute", "second", "inverse", "squared", "revolution", "volt", "ampere", "watt", "newton", "bar",
    "pascal", "hertz", "radian", "ohm", "milli", "litre", "liter",
)  # fmt: skip
_ONE_OF_EACH_UNIT: Final = tuple({kind.unit: kind for kind in CHANNEL_KINDS if kind.name not in _UNITLESS}.values())
_SAFE: Final = re.compile(r"^[a-zA-Z_µμ0-9 ./*^()-]+$")
_UNIT_POWER: Final = re.compile(r"(?<=[a-zA-Zµμ])(\*\*|\^)-?\d(?!\d)")


def is_switch(kind: ChannelKind) -> bool:
    """True for a kind that counts or switches and therefore needs no unit."""
    return kind.name in _UNITLESS


def conversion_to_si(unit_text: str, kind: ChannelKind, *, place: str = "") -> UnitConversion:
    """Find how numbers in a unit, as somebody wrote it, become the SI unit of a kind of channel.

    Parameters
    ----------
    unit_text : str
        Free text, such as ``"km/h"``, ``"°C"``, ``"0.1V"`` or ``"%"``.
    kind : ChannelKind
        What the numbers are.
    place : str
        What to call it in the error; the kind's name where empty.

    Raises
    ------
    ChannelError
        If the unit is missing, unknown, or of another dimension.
    """
    where = place or kind.name
    conversion = _lookup(unit_text, kind)
    if conversion is not None:
        return conversion
    example = unit_examples(kind)
    if not unit_text.strip():
        raise ChannelError(f"{where}: no unit is declared", f'Give it in the map, such as unit = "{example[0]}"')
    raise ChannelError(
        f"{where}: '{unit_text}' is no known unit of {kind.meaning}",
        "Give one in the map, such as " + " or ".join(f'unit = "{text}"' for text in example),
    )


def is_unit_of(unit_text: str, kind: ChannelKind) -> bool:
    """True when the text is a unit that fits the kind (an empty one fits a switch only)."""
    return _lookup(unit_text, kind) is not None


def is_known_unit(unit_text: str) -> bool:
    """True when the text is a unit of any kind of channel; False for what nobody can read, such as ``km^h``."""
    return any(is_unit_of(unit_text, kind) for kind in _ONE_OF_EACH_UNIT)


def unit_examples(kind: ChannelKind) -> tuple[str, ...]:
    """Units that a user may write for a kind, the commonest first."""
    examples = {
        "ratio": ("%", "ratio"), "degC": ("degC", "degF"), "m/s": ("km/h", "mph"), "rad/s": ("rpm", "rad/s"),
        "Pa": ("kPa", "bar", "psi"), "W": ("kW", "W"), "m": ("km", "mi", "m"), "m^3/s": ("l/min", "l/h"),
        "m/s^2": ("m/s^2", "g"), "N*m": ("Nm", "lb-ft"), "ohm": ("kOhm", "ohm"), "A*h": ("Ah",), "V": ("V", "mV"),
        "A": ("A", "mA"), "deg": ("deg",),
    }  # fmt: skip
    return examples.get(kind.unit, (kind.unit,))


def _lookup(unit_text: str, kind: ChannelKind) -> UnitConversion | None:
    return _lookup_by_name(unit_text, kind.name)


@lru_cache(maxsize=4096)
def _lookup_by_name(unit_text: str, kind_name: str) -> UnitConversion | None:
    kind = channel_kind(kind_name)
    if kind is None:
        return None
    text = _plain(unit_text)
    if is_switch(kind):
        # A switch in percent is a duty; as a bare number it counts itself.
        return UnitConversion() if text in _UNITLESS_WORDS or text == "ratio" else None
    if not text or len(text) > MAX_UNIT_LENGTH:
        return None
    multiplier, text = _split_multiplier(text)
    for spelling, written in ((text, unit_text.strip()), (_whole_words(unit_text),) * 2):
        found = _expression(spelling, written, kind) if spelling else None
        conversion = found and _through_pint(found[1], "dimensionless" if kind.unit == "ratio" else kind.unit)
        if found and conversion:
            return UnitConversion(conversion.factor * multiplier * found[0], conversion.offset)
    return None


def _plain(unit_text: str) -> str:
    """Lower case, without spaces, brackets and broken degree signs."""
    text = unit_text.strip().strip("[](){}<>").replace("\ufffd", "°").replace("º", "°").replace("μ", "µ")
    text = text.replace("Â°", "°").replace("Ω", "ω").replace("Ω", "ω")
    return re.sub(r"[\s_]+", "", text).lower().removeprefix("unit")


def _whole_words(unit_text: str) -> str:
    """A unit written in clipped words, such as ``Unit_DegreCelsi``, with the words whole and in lower case."""
    text = unit_text.strip().removeprefix("Unit_")
    return "".join(_whole_word(piece.lower()) for piece in _PIECE.findall(text)) if _WORDS_ONLY.match(text) else ""


def _whole_word(clipped: str) -> str:
    """The unit's word that a clipped one is the beginning of; what is shorter than four letters is left alone."""
    if len(clipped) < 4:
        return clipped
    return next((word for word in _UNIT_WORDS if word.startswith(clipped)), clipped)


def _split_multiplier(text: str) -> tuple[float, str]:
    """Split ``0.1v`` into 0.1 and ``v``; a spelling such as ``1/min`` stays whole."""
    if text in _ALIASES:
        return 1.0, text
    match = _MULTIPLIER.match(text)
    if match is None:
        return 1.0, text
    number = float(match["number"].replace(",", "."))
    divisor = float(match["divisor"].replace(",", ".")) if match["divisor"] else 1.0
    if number <= 0.0 or divisor <= 0.0:
        return 1.0, text
    return number / divisor, match["rest"]


def _expression(text: str, written: str, kind: ChannelKind) -> tuple[float, str] | None:
    """Factor and pint expression of a spelling, or None."""
    table = {"degC": _TEMPERATURES, "m/s^2": {**_ALIASES, **_ACCELERATIONS}}.get(kind.unit, _ALIASES)
    if text == "mohm" or text == "mω":
        # Case decides between milli and mega.
        return (1.0, "milliohm") if written.lstrip("[(").startswith("m") else (1.0, "megaohm")
    if text in table:
        return 1.0, table[text]
    for prefix, factor in _PREFIXES.items():
        rest = text.removeprefix(prefix).lstrip("-")
        if rest != text and rest in table:
            return factor, table[rest]
    letter = written.lstrip("[({<0123456789.*x /")[:1]
    if letter in _DECIMAL_LETTERS and letter.lower() == text[:1] and text[1:] in table:
        return _DECIMAL_LETTERS[letter], table[text[1:]]
    if kind.unit in {"degC", "ratio"}:
        return None
    return (1.0, written.strip("[]{}<>")) if _is_harmless(written) else None


def _is_harmless(expression: str) -> bool:
    """True when pint may see it: known characters, and no power but a unit's by one digit."""
    without_powers = _UNIT_POWER.sub("", expression)
    return bool(_SAFE.match(expression)) and "**" not in without_powers and "^" not in without_powers


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True, cache_folder=None)
    return registry


@lru_cache(maxsize=512)
def _through_pint(expression: str, si_unit: str) -> UnitConversion | None:
    """Ask pint; None where it does not know the expression or the dimension differs."""
    import pint

    registry = _registry()
    try:
        if expression in {"degC", "degF", "kelvin"}:
            zero = registry.Quantity(0.0, expression).to(si_unit).magnitude
            step = registry.Quantity(1.0, f"delta_{expression}" if expression != "kelvin" else expression)
            return UnitConversion(float(step.to("kelvin").magnitude), float(zero))
        quantity = registry.parse_expression(expression)
        # pint takes hertz and radian per second for one dimension; an electrical frequency is not a shaft speed.
        if si_unit == "rad/s" and not re.search("rad|rev|turn|deg|cycle", expression):
            return None
        return UnitConversion(float(quantity.to(si_unit).magnitude))
    except (
        pint.PintError,
        TokenError,
        TypeError,
        ValueError,
        AttributeError,
        SyntaxError,
        ArithmeticError,
        AssertionError,
    ):
        return None
