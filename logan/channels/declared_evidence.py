"""How well what a DBC or header declares of a signal fits a channel: the words of its name, unit, comment, range."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import Final

from logan.channels.profiles import Profile, word_set
from logan.channels.vocabulary import ChannelKind, channel_kind, conversion_to_si, is_known_unit, is_switch, is_unit_of
from logan.errors import ChannelError
from logan.frames.table import SignalColumn
from logan.units.algebra import UnitConversion

_LISTED: Final = tomllib.loads(files("logan.channels").joinpath("concepts.toml").read_text(encoding="utf-8"))
_AGAINST: Final = {
    concept: float(factor) for factor, words in _LISTED.pop("against").items() for concept in words.split()
}
"""How much a concept that does not belong to a channel speaks against it."""
_LETTERS: Final = {letter: word_set(concepts) for letter, concepts in _LISTED.pop("letters").items()}
_SHOWN: Final[dict[str, str]] = _LISTED.pop("shown")


def _gathered() -> dict[str, frozenset[str]]:
    """Concepts of each word, from the list beside this file."""
    gathered: dict[str, set[str]] = {}
    for concept, words in _LISTED.items():
        for word in words.split():
            gathered.setdefault(word, set()).add(concept)
    return {word: frozenset(concepts) for word, concepts in gathered.items()}


_CONCEPTS_OF: Final = _gathered()
_LONG_WORDS: Final = {
    letter: tuple(word for word in _CONCEPTS_OF if word[0] == letter and len(word) >= 6)
    for letter in {word[0] for word in _CONCEPTS_OF}
}

_SPLIT: Final = re.compile(r"[A-Z]{2,}(?=[A-Z][a-z])|[A-Z]?[a-zäöüßéèêàçñóíáú]+|[A-Z]+|\d+[vV](?![a-z])|\d+")
_MIXED_CASE: Final = re.compile(r"SoC|DcDc|DCDc|HVAc")
_FOLD: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e", "ê": "e", "à": "a",
                              "ç": "c", "ñ": "n", "ó": "o", "í": "i", "á": "a", "ú": "u"})  # fmt: skip
_PLACES: Final = word_set(
    "fl fr rl rr lf rf lr lh rh front rear left right f r l vl vr hl hr vorne hinten links rechts va ha fa ra"
    " first second primary secondary a b c d e g h"
)
_LONGEST_NAME: Final = 200


@lru_cache(maxsize=65_536)
def words_of(text: str) -> tuple[str, ...]:
    """Split a name into lower-case words: at case changes, digits, and inside glued compounds."""
    words: list[str] = []
    for piece in _SPLIT.findall(_MIXED_CASE.sub(lambda found: found[0].upper(), text[:_LONGEST_NAME])):
        word = piece.lower().translate(_FOLD)
        words += _compound(word) if word not in _CONCEPTS_OF and len(word) > 5 else (word,)
    return tuple(words)


@lru_cache(maxsize=65_536)
def concepts_of(text: str) -> frozenset[str]:
    """What the words of a text speak of."""
    words = words_of(text)
    found: set[str] = set()
    start = 0
    while start < len(words):
        # "state of charge" is one thing, and says nothing of a state or of charging.
        for length in (3, 2, 1):
            glued = "".join(words[start : start + length])
            if glued in _CONCEPTS_OF:
                found |= _CONCEPTS_OF[glued]
                break
        else:
            length = 1
            found |= _CONCEPTS_OF.get(_respelled(words[start]), frozenset())
        start += length
    return frozenset(found)


@lru_cache(maxsize=65_536)
def _respelled(word: str) -> str:
    """The known long word that a misspelt one is nearest to; empty where none is near."""
    if len(word) < 7:
        return ""
    alike = [known for known in _LONG_WORDS.get(word[0], ()) if abs(len(known) - len(word)) <= 1]
    return next(iter(get_close_matches(word, alike, n=1, cutoff=0.85)), "")


def is_word(word: str) -> bool:
    """True for a word that is known here, misspelt or not, or says only which of several a thing is."""
    return word in _CONCEPTS_OF or word in _PLACES or bool(_respelled(word))


def letters_of(text: str) -> frozenset[str]:
    """What single letters of a name may stand for: v, u, i, t, p, n."""
    found: set[str] = set()
    for word in words_of(text):
        found |= _LETTERS.get(word, frozenset())
    return frozenset(found)


def stem_of(text: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Split a name into its stem and the words that only say which of several it is.

    Returns
    -------
    stem, which : tuple of str
        ``("wheel", "speed")`` and ``("fl",)`` for ``WheelSpeed_FL``.
    """
    words = words_of(text)
    which = tuple(word for word in words if word in _PLACES or word.isdigit())
    return tuple(word for word in words if word not in _PLACES and not word.isdigit()), which


@lru_cache(maxsize=65_536)
def _compound(word: str) -> tuple[str, ...]:
    """Cut a glued word into known ones of three letters or more, leaving over a letter in seven."""
    best: tuple[int, tuple[str, ...]] = (len(word), (word,))
    states: list[tuple[int, tuple[str, ...]] | None] = [None] * (len(word) + 1)
    states[0] = (0, ())
    for start in range(len(word)):
        here = states[start]
        if here is None:
            continue
        for end in range(start + 1, len(word) + 1):
            part = word[start:end]
            is_known = len(part) >= 3 and part in _CONCEPTS_OF
            if not is_known and end - start > 2:
                continue
            missed = here[0] + (0 if is_known else end - start)
            old = states[end]
            if old is None or (missed, len(here[1])) < (old[0], len(old[1]) - 1):
                states[end] = (missed, (*here[1], part))
    last = states[len(word)]
    if last is not None and last[0] <= len(word) // 7 - (len(word) < 8):
        best = last
    return best[1]


_NO_UNIT: Final = 0.85
_WRONG_UNIT: Final = 0.2
_BY_UNIT: Final = 0.9
_BY_COMMENT: Final = 0.7
_BY_MESSAGE: Final = 0.8
_BY_LETTER: Final = 0.55
_WELCOME: Final = 0.05
_FOREIGN_MESSAGE: Final = 0.85
_NAME_SAYS_NOTHING: Final = 0.8
_OUT_OF_REACH: Final = 0.4
_FULL_MARKS: Final = 1.1
_HEDGED: Final = 0.75
_BY_MESSAGE_TOO: Final = frozenset({"satellite", "low_voltage", "history"})
"""What makes a signal another one even where only its message says so."""
_HEDGING: Final = frozenset({"derived", "asked"})
_UNIT_SAYS_NOTHING: Final = frozenset({"ratio", "deg", "m"})


@dataclass(frozen=True, slots=True)
class Words:
    """What name, message and comment of one signal speak of."""

    name: frozenset[str]
    letters: frozenset[str]
    message: frozenset[str]
    comment: frozenset[str]

    @classmethod
    def of(cls, column: SignalColumn) -> Words:
        """Read the words of a column."""
        return cls(
            name=concepts_of(column.name),
            letters=letters_of(column.name),
            message=concepts_of(column.message),
            comment=concepts_of(column.comment[:120]),
        )


@dataclass(frozen=True, slots=True)
class Declared:
    """How well a declaration fits, 0 to 1, and why."""

    score: float
    evidence: tuple[str, ...]
    unit: str


def declared_score(column: SignalColumn, words: Words, profile: Profile) -> Declared | None:
    """Weigh one signal against one channel; None where they have nothing to do with each other.

    Parameters
    ----------
    column : SignalColumn
        The signal.
    words : Words
        What its texts speak of.
    profile : Profile
        What speaks for the channel.
    """
    kind = channel_kind(profile.channel)
    if kind is None:
        raise ValueError(f"no channel {profile.channel}")
    spoken_of = words.name | words.message | words.comment
    if any(credit == 0.0 and not group & spoken_of for group, credit in profile.subjects):
        return None
    fits = _unit_fits(column, kind)
    if profile.needs_unit and fits is not True and not _is_spelt_out(words, profile, fits):
        return None
    named = words.name & (profile.quantity | frozenset().union(*(group for group, _ in profile.subjects)))
    evidence = [f"its name says {spoken(named)}"] if named else []
    score = _quantity_credit(column, words, profile, kind, fits, evidence)
    for group, credit in profile.subjects:
        if score == 0.0:
            return None
        score *= _group_credit(words, group, credit, column, evidence)
    if score == 0.0:
        return None
    score *= _unit_factor(column, kind, fits, evidence)
    score *= _width_factor(column, profile, kind)
    score *= _reach_factor(column, profile, kind, evidence)
    for concept in words.name - profile.expected:
        score *= _AGAINST.get(concept, 1.0)
    for concept in words.message - profile.expected - words.name:
        if concept in _BY_MESSAGE_TOO:
            score *= _AGAINST[concept]
        elif _AGAINST.get(concept, 1.0) <= 0.45 and concept not in {"validity", "time", "counter"}:
            score *= _FOREIGN_MESSAGE
    if words.comment & _HEDGING - words.name - profile.expected:
        score *= _HEDGED
    if not words.name & profile.expected and not words.comment & profile.expected and fits is not True:
        score *= _NAME_SAYS_NOTHING
    score += _WELCOME * len(words.name & profile.welcome)
    score += 0.5 * _WELCOME * len((words.message - words.name) & profile.welcome)
    return Declared(min(score / _FULL_MARKS, 1.0), tuple(evidence), column.unit if fits else "")


def _is_spelt_out(words: Words, profile: Profile, fits: bool | None) -> bool:
    """Whether the name alone says both what is measured and of what, so that only its unit must be asked for."""
    subjects = [group for group, _ in profile.subjects]
    return fits is None and bool(words.name & profile.quantity) and all(words.name & group for group in subjects)


def _unit_fits(column: SignalColumn, kind: ChannelKind) -> bool | None:
    """True or False for a declared unit; None where none is declared, or the text is no unit of anything."""
    if not column.unit.strip():
        return None
    return is_unit_of(column.unit, kind) or (False if is_known_unit(column.unit) or is_switch(kind) else None)


def _quantity_credit(
    column: SignalColumn,
    words: Words,
    profile: Profile,
    kind: ChannelKind,
    fits: bool | None,
    evidence: list[str],
) -> float:
    if not profile.quantity or words.name & profile.quantity:
        return 1.0
    if fits and kind.unit not in _UNIT_SAYS_NOTHING:
        return _BY_UNIT
    by_letter = _BY_LETTER if words.letters & profile.quantity else 0.0
    return _credit_beside(words, profile.quantity, column, evidence, _BY_MESSAGE * 0.8) or by_letter


def _group_credit(
    words: Words, group: frozenset[str], otherwise: float, column: SignalColumn, evidence: list[str]
) -> float:
    return 1.0 if words.name & group else max(_credit_beside(words, group, column, evidence, _BY_MESSAGE), otherwise)


def _credit_beside(
    words: Words, group: frozenset[str], column: SignalColumn, evidence: list[str], by_message: float
) -> float:
    """Credit where comment or message speak of a thing and the name does not; zero where neither does."""
    if words.comment & group:
        evidence.append(f"its comment says {spoken(words.comment & group)}")
        return _BY_COMMENT
    if words.message & group:
        evidence.append(f"its message '{column.message}' says {spoken(words.message & group)}")
        return by_message
    return 0.0


def _unit_factor(column: SignalColumn, kind: ChannelKind, fits: bool | None, evidence: list[str]) -> float:
    if fits is None:
        return 1.0 if is_switch(kind) else _NO_UNIT
    if not fits:
        # A switch may carry any text for a unit; a quantity in a foreign unit is another quantity.
        return 0.6 if is_switch(kind) else _WRONG_UNIT
    if not is_switch(kind):
        guess = conversion_to_si(column.unit, kind).guess
        evidence.append(f"its unit is '{column.unit}'{f', read as {guess}' if guess else ''}")
    return 1.0


def _width_factor(column: SignalColumn, profile: Profile, kind: ChannelKind) -> float:
    bits = column.bit_length
    if bits == 0:
        return 1.0
    if bits < profile.bits[0] or (bits > profile.bits[1] and not column.choices):
        return 0.35
    # A value table over the whole range is a state, not a quantity.
    is_enumeration = len(column.choices) >= 4 and len(column.choices) > 0.5 * 2.0 ** min(bits, 16)
    if is_enumeration and not is_switch(kind):
        return 0.4
    return 1.0


def _reach_factor(column: SignalColumn, profile: Profile, kind: ChannelKind, evidence: list[str]) -> float:
    reach = reach_si(column, kind)
    if reach is None:
        return 1.0
    low, high = reach
    largest = max(abs(low), abs(high))
    if largest < profile.reach[0]:
        evidence.append(f"but it reaches only {largest:g} {kind.unit}")
        return _OUT_OF_REACH
    # Without a unit the scale may be anything, and only a code that is too small says something.
    if column.unit.strip() and largest > 3.0 * profile.reach[1]:
        return _OUT_OF_REACH
    if (
        largest < 0.02 * min(abs(kind.high), 1e9)
        and not is_switch(kind)
        and kind.name not in {"odometer", "pack_charge"}
    ):
        return 0.8
    return 1.0


def reach_si(column: SignalColumn, kind: ChannelKind) -> tuple[float, float] | None:
    """What the code can say, in SI; None for a table."""
    if column.bit_length == 0:
        return None
    try:
        conversion = conversion_to_si(column.unit, kind)
    except ChannelError:
        if column.unit.strip():
            return None
        conversion = UnitConversion()
    top = 2.0**column.bit_length - 1.0
    codes = (-(top + 1.0) / 2.0, (top - 1.0) / 2.0) if column.is_signed else (0.0, top)
    ends = [conversion.factor * (code * column.scale + column.offset) + conversion.offset for code in codes]
    return min(ends), max(ends)


def spoken(concepts: frozenset[str]) -> str:
    """Concepts in words."""
    return " and ".join(sorted(_SHOWN.get(concept, concept.replace("_", " ")) for concept in concepts))
