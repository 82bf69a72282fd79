"""Units of channels: which a kind may be in, and what to say where one is missing or foreign.

The texts are read by ``logan.units.algebra``; the dimension is checked against the channel, so that a
"C" on a current is refused rather than read as coulomb or Celsius.
"""

from __future__ import annotations

import re
from typing import Final

from logan.channels.vocabulary import CHANNEL_KINDS, ChannelKind
from logan.errors import ChannelError
from logan.units.algebra import UnitConversion, conversion

_UNITLESS: Final = frozenset(
    {"contactor_closed", "charging", "brake_switch", "gear", "marker", "cell_number_min", "cell_number_max"}
)
_UNITLESS_WORDS: Final = frozenset(
    {"", "-", "--", "1", "0/1", "bool", "boolean", "bit", "flag", "on/off", "state", "status", "enum", "none", "n/a",
     "ratio"}
)  # fmt: skip
_ONE_OF_EACH_UNIT: Final = tuple({kind.unit: kind for kind in CHANNEL_KINDS if kind.name not in _UNITLESS}.values())


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
    found = _lookup(unit_text, kind)
    if found is not None:
        return found
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
    if is_switch(kind):
        # As a bare number it counts itself.
        text = re.sub(r"[\s_\[\](){}<>]+", "", unit_text).lower()
        return UnitConversion() if text.removeprefix("unit") in _UNITLESS_WORDS else None
    return conversion(unit_text, kind.unit)
