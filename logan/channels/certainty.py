"""Why a suggestion is asked rather than taken for sure.

Sure needs evidence from the log, or several independent signs that agree: a name that says what is measured,
and of what, and nothing else; a unit of that quantity and of no other; a code that reaches as far as the
quantity does. A switch is never sure by its name, nor is what a diagnosis asks for now and then.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logan.channels.declared_evidence import Words, is_word, reach_si, spoken, words_of
from logan.channels.measured_evidence import DataVerdict
from logan.channels.profiles import Profile, word_set
from logan.channels.vocabulary import ChannelKind, channel_kind, is_switch, is_unit_of
from logan.frames.table import SignalColumn

STRONG_PROOF: Final = 0.75
"""Strength of evidence from the data, 0 to 1, that makes up for a name that says little."""


_AMBIGUOUS_UNITS: Final = frozenset({"deg", "°", "degree", "degrees", "grad", "g"})
_FILLERS: Final = word_set(
    "act actl actual value val signal sig data sensor snsr sen sens measured meas can msg info of the is in mon monitor"
    " monitored ist istwert aktuell cur now live filtered filt hs new unit degree deg and for per from stats shaft"
)
_PACK_WORDS: Final = word_set("pack packs vpack upack batterypack battpack pck bms bmu hvb")
_ELECTRIC: Final = word_set("drive drv edrive edrv emotor emachine inverter inv traction mcu")
"""Words of a message that can mean no combustion engine, as \"motor\" does in some languages."""
_THROTTLE: Final = word_set("tps throttle throt thrtl drosselklappe")
_BAD_BESIDE: Final = word_set(
    "low_voltage history engine charger wall heater aircon intake object seat lamp steering parking cruise generator"
    " asked limit fluid counter displayed derived satellite dcdc"
)
"""What a message or a comment may not speak of besides, unless the channel does."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the other signals say about one.

    Parameters
    ----------
    prefixes : frozenset of str
        First words that several signals share: the control unit that sends them.
    high_voltage : frozenset of str
        Messages that carry a voltage of more than 100 V.
    """

    prefixes: frozenset[str]
    high_voltage: frozenset[str]

    @classmethod
    def of(cls, columns: Sequence[SignalColumn]) -> Surroundings:
        """Look at all columns."""
        firsts = Counter(words[0] for column in columns if (words := words_of(column.name)))
        volt = channel_kind("pack_voltage")
        assert volt is not None
        high = {
            column.message
            for column in columns
            if column.message and is_unit_of(column.unit, volt) and _largest(column, volt) >= 100.0
        }
        return cls(frozenset(word for word, count in firsts.items() if count >= 3), frozenset(high))


def doubt_of(
    column: SignalColumn, words: Words, profile: Profile, measured: DataVerdict | None, around: Surroundings
) -> str:
    """Why it must be asked whether a signal is a channel; empty where it is sure.

    Parameters
    ----------
    column, words, profile
        The signal, what its texts speak of, and what speaks for the channel.
    measured : DataVerdict or None
        What the log says about it; None without data.
    around : Surroundings
        What the other signals say.
    """
    kind = channel_kind(profile.channel)
    assert kind is not None  # a test maps every profile
    if "never_sure" in profile.traits or is_switch(kind):
        return "" if _is_selector(column, profile) else "a state is never sure by its name"
    if column.bit_length == 1 or len(column.choices) > 8 or (measured is not None and measured.is_binary):
        return "it has few values, as a state has"
    if not column.unit.strip():
        return "no unit is declared"
    if not is_unit_of(column.unit, kind):
        return f"its unit '{column.unit}' is none of {kind.meaning}"
    foreign = words.name - profile.expected
    if foreign:
        return f"its name also says {spoken(foreign)}"
    if measured is not None:
        if doubt := _doubt_by_data(column, profile, measured, kind):
            return doubt
        if measured.proofs.get(profile.channel, 0.0) >= STRONG_PROOF:
            return ""
    return _doubt_by_texts(column, words, profile, kind, around, has_data=measured is not None)


def _is_selector(column: SignalColumn, profile: Profile) -> bool:
    """A gear whose value table names reverse, neutral and drive says what it is twice."""
    texts = {word for text in column.choices.values() for word in words_of(text)}
    return profile.channel == "gear" and bool({"r", "reverse"} & texts) and bool({"d", "drive"} & texts)


def _doubt_by_data(column: SignalColumn, profile: Profile, measured: DataVerdict, kind: ChannelKind) -> str:
    channel = profile.channel
    if channel in measured.doubts:
        return measured.doubts[channel]
    if measured.is_constant and "moves" in profile.traits:
        return "it never changes in this log"
    low, high = profile.usual
    middle = measured.median_si(kind)
    if middle is not None and not low <= middle <= high:
        return f"half of its values lie beyond {middle:.4g} {kind.unit}, which is not usual"
    return ""


def _doubt_by_texts(
    column: SignalColumn, words: Words, profile: Profile, kind: ChannelKind, around: Surroundings, *, has_data: bool
) -> str:
    beside = ((words.message - words.name) | words.comment) & _BAD_BESIDE - profile.expected
    if kind.unit == "degC":
        beside -= {"heater"}  # a message about heat
    if beside:
        return f"its message or comment speaks of {spoken(beside)}"
    if column.is_multiplexed and not profile.several and not has_data:
        return "it is sent only now and then, as a diagnosis is"
    if unknown := _unknown_word(column.name, around):
        return f"'{unknown}' in its name is no word known here"
    if profile.quantity and not words.name & profile.quantity and kind.unit in {"ratio", "deg", "m"}:
        return "its name does not say what is measured"
    needed = profile.name_says
    is_electric = "motor" in needed and bool(_ELECTRIC & {*words_of(column.message)})
    if needed and not words.name & needed and not is_electric:
        return f"its name does not say {spoken(needed)}"
    for group, credit in profile.subjects:
        says_message = bool(words.message & group) and not _unknown_word(column.message, around)
        if not words.name & group and not says_message and (credit < 0.8 or words.message - words.name):
            return f"its name does not say of what it is the {spoken(words.name & profile.expected) or 'value'}"
    if not words.name & profile.expected:
        return "its name says nothing"
    if "engine" in words.name and "motor" not in words.name:
        return "it is a combustion engine's"
    if profile.channel == "accelerator" and _THROTTLE & {*words_of(column.name)}:
        return "it may be the throttle valve"
    if column.unit.strip("[]() ").lower() in _AMBIGUOUS_UNITS and kind.unit in {"degC", "m/s^2"}:
        return f"its unit '{column.unit}' may be another"
    if profile.channel.startswith(("pack_", "state_of_charge")) and not _says_high_voltage(column, words, around, kind):
        return "it may be the 12 V battery's"
    least, most = profile.code_reaches
    reach = _largest(column, kind)
    if not least <= reach <= most and not (has_data and math.isfinite(profile.usual[0])):
        return f"its code reaches {reach:.4g} {kind.unit}" if reach else ""
    return ""


def _says_high_voltage(column: SignalColumn, words: Words, around: Surroundings, kind: ChannelKind) -> bool:
    if "high_voltage" in words.name | words.message | words.comment or column.message in around.high_voltage:
        return True
    if _PACK_WORDS & {*words_of(column.name), *words_of(column.message)}:
        return True
    return kind.name == "pack_voltage" and _largest(column, kind) >= 100.0


def _unknown_word(text: str, around: Surroundings) -> str:
    """The first word of a name that is known neither here nor as a control unit's; empty where all are."""
    for place, word in enumerate(words_of(text)):
        is_short = len(word) < 3 or word.isdigit() or (place == 0 and len(word) == 3)
        if not is_short and word not in _FILLERS and word not in around.prefixes and not is_word(word):
            return word
    return ""


def _largest(column: SignalColumn, kind: ChannelKind) -> float:
    """Largest magnitude that is declared, or that the code can say; of a table, that the data hold. [SI]"""
    reach = reach_si(column, kind)
    return max(map(abs, reach)) if reach is not None else 0.0
