"""The channels logan knows: one canonical name, one SI unit and one meaning each, and the units each may be in.

A vehicle may have several of a kind: the second motor's temperature is
``motor_temperature_2``. ``channel_kind`` strips the number.
"""

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

from logan.errors import ChannelError
from logan.units.algebra import UnitConversion, conversion


class Interpolation(StrEnum):
    """How a channel behaves between two samples."""

    LINEAR = "linear"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class ChannelKind:
    """One kind of channel.

    Parameters
    ----------
    name : str
        Canonical name.
    unit : str
        SI unit that values are held in, as ``logan.units.algebra`` reads it.
    meaning : str
        One line, with the sign where there is one.
    interpolation : Interpolation
        Linear for what moves smoothly, hold for states and commands.
    low, high : float
        Values beyond these are impossible for a road vehicle and are flagged.
    group : str
        Where it belongs: pack, motor, cooling, auxiliary, driver, motion, place, ambient, limit.
    """

    name: str
    unit: str
    meaning: str
    interpolation: Interpolation
    low: float
    high: float
    group: str


def rows_of(table: str) -> list[dict[str, str]]:
    """Rows of a table beside this file, by the names of its columns."""
    lines = Path(__file__).with_name(table).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(lines))


def _kind(row: Mapping[str, str]) -> ChannelKind:
    return ChannelKind(
        row["name"], row["unit"], row["meaning"], Interpolation(row["interpolation"]),
        float(row["low"]), float(row["high"]), row["group"],
    )  # fmt: skip


CHANNEL_KINDS: Final = tuple(map(_kind, rows_of("vocabulary.csv")))
"""Every kind of channel, as ``vocabulary.csv`` declares it."""

_BY_NAME: Final = {kind.name: kind for kind in CHANNEL_KINDS}
_NUMBERED: Final = re.compile(r"^(?P<name>.+)_(?P<number>[1-9][0-9]?)$")


def channel_kind(channel: str) -> ChannelKind | None:
    """Return the kind of a channel such as ``motor_temperature_2``; None for an unknown name."""
    kind = _BY_NAME.get(channel)
    if kind is None and (match := _NUMBERED.match(channel)):
        kind = _BY_NAME.get(match["name"])
    return kind


def channel_names() -> tuple[str, ...]:
    """All canonical names, in catalogue order."""
    return tuple(_BY_NAME)


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
        # A switch or counter has no unit, or a word for none.
        text = re.sub(r"[\s_\[\](){}<>]+", "", unit_text).lower()
        return UnitConversion() if text.removeprefix("unit") in _UNITLESS_WORDS else None
    return conversion(unit_text, kind.unit)
