"""Words of signal names, in several languages and abbreviations, and what they speak of."""

from __future__ import annotations

import re
import tomllib
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files
from typing import Final


def _gathered() -> dict[str, frozenset[str]]:
    """Concepts of each word, from the list beside this file."""
    listed = tomllib.loads(files("logan.channels").joinpath("concepts.toml").read_text(encoding="utf-8"))
    gathered: dict[str, set[str]] = {}
    for concept, words in listed.items():
        for word in words.split():
            gathered.setdefault(word, set()).add(concept)
    return {word: frozenset(concepts) for word, concepts in gathered.items()}


_CONCEPTS_OF: Final = _gathered()
_LONG_WORDS: Final = {
    letter: tuple(word for word in _CONCEPTS_OF if word[0] == letter and len(word) >= 6)
    for letter in {word[0] for word in _CONCEPTS_OF}
}

_SHORT: Final[dict[str, frozenset[str]]] = {
    # One or two letters mean something only beside a unit or a thing; ``matching`` weighs them low.
    "v": frozenset({"voltage", "speed"}),
    "u": frozenset({"voltage"}),
    "i": frozenset({"current"}),
    "t": frozenset({"temperature"}),
    "p": frozenset({"pressure", "power"}),
    "n": frozenset({"rotation"}),
}
_SPLIT: Final = re.compile(r"[A-Z]{2,}(?=[A-Z][a-z])|[A-Z]?[a-zäöüßéèêàçñóíáú]+|[A-Z]+|\d+[vV](?![a-z])|\d+")
_MIXED_CASE: Final = re.compile(r"SoC|DcDc|DCDc|HVAc")
_FOLD: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e", "ê": "e", "à": "a",
                              "ç": "c", "ñ": "n", "ó": "o", "í": "i", "á": "a", "ú": "u"})  # fmt: skip
_PLACES: Final = frozenset(
    re.findall(
        r"\w+",
        "fl fr rl rr lf rf lr lh rh front rear left right f r l vl vr hl hr vorne hinten links rechts va ha fa ra"
        " first second primary secondary a b c d e g h",
    )
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
        found |= _SHORT.get(word, frozenset())
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
