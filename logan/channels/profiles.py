"""What a signal's name, unit and range have to say to be a channel."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

from logan.channels.vocabulary import rows_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What speaks for a channel.

    Parameters
    ----------
    channel : str
        Canonical name.
    quantity : frozenset of str
        One of these concepts, or a unit of the channel; empty where the subject says it all.
    subjects : tuple of (frozenset of str, float)
        For each group one of its concepts, and the credit where none is named.
    welcome : frozenset of str
        Concepts that fit in well.
    neutral : frozenset of str
        Concepts that do not matter.
    several : bool
        A vehicle may have several of them.
    bits : tuple of int
        Width of the code, at least and at most.
    reach : tuple of float
        What the code must be able to say at least, and what it need not, in SI.
    needs_unit : bool
        Without a fitting unit it is something else.
    name_says : frozenset of str
        One of these concepts must stand in the name itself, because messages and shorter names mean something else
        too often.
    code_reaches : tuple of float
        Largest magnitude that the code can say, in SI: at least, at most. Common practice.
    usual : tuple of float
        Where the median of a drive lies, in SI. Common practice.
    traits : frozenset of str
        ``never_sure``: no name tells it from its neighbor, as any button is a marker, and a capacity no charge counter;
        ``moves``: it changes in any drive, and one that never does is history, or something else; ``rests``: it may
        stand still; ``drifts``: it changes slowly; ``lively``: it is sent often; ``signed``: data tell its sign.
    """

    channel: str
    quantity: frozenset[str] = frozenset()
    subjects: tuple[tuple[frozenset[str], float], ...] = ()
    welcome: frozenset[str] = frozenset()
    neutral: frozenset[str] = frozenset()
    several: bool = False
    bits: tuple[int, int] = (6, 64)
    reach: tuple[float, float] = (0.0, math.inf)
    needs_unit: bool = False
    name_says: frozenset[str] = frozenset()
    code_reaches: tuple[float, float] = (0.0, math.inf)
    usual: tuple[float, float] = (-math.inf, math.inf)
    traits: frozenset[str] = frozenset()

    @property
    def expected(self) -> frozenset[str]:
        """Every concept that the channel may carry."""
        named = frozenset().union(*(group for group, _ in self.subjects))
        return self.quantity | named | self.welcome | self.neutral


def word_set(text: str) -> frozenset[str]:
    """Words of a text."""
    return frozenset(text.split())


def _pair(text: str, otherwise: tuple[float, float]) -> tuple[float, float]:
    low, high = map(float, text.split()) if text else otherwise
    return low, high


def _profile(row: Mapping[str, str]) -> Profile:
    """Profile of a row: subjects are apart by semicolons, each with the credit where none of its words is named."""
    subjects = [text.partition("=") for text in row["subjects"].split(";") if text.strip()]
    least_bits, most_bits = _pair(row["bits"], (6, 64))
    return Profile(
        channel=row["channel"],
        quantity=word_set(row["quantity"]),
        subjects=tuple((word_set(words), float(credit or 0.0)) for words, _, credit in subjects),
        welcome=word_set(row["welcome"]),
        neutral=word_set(row["neutral"]),
        several=bool(row["several"]),
        bits=(int(least_bits), int(most_bits)),
        reach=_pair(row["reach"], (0.0, math.inf)),
        needs_unit=bool(row["needs_unit"]),
        name_says=word_set(row["name_says"]),
        code_reaches=_pair(row["code_reaches"], (0.0, math.inf)),
        usual=_pair(row["usual"], (-math.inf, math.inf)),
        traits=word_set(row["traits"]),
    )


PROFILES: Final = tuple(map(_profile, rows_of("profiles.csv")))
"""Profiles of the channels that signals are looked for, as ``profiles.csv`` declares them; some have two."""


@cache
def with_trait(trait: str) -> frozenset[str]:
    """Channels whose profile has a trait."""
    return frozenset(profile.channel for profile in PROFILES if trait in profile.traits)
