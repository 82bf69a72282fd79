"""Suggest which signal is which channel, with the evidence in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.frames.table import SignalTable


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A signal that may be the channel.

    Parameters
    ----------
    signal : str
        Key of the column.
    score : float
        0 to 1.
    evidence : tuple of str
        Why, in plain words.
    unit : str
        Unit to put into the map; empty where it must be asked for.
    sign : int
        -1 where the data shows the sign turned round.
    """

    signal: str
    score: float
    evidence: tuple[str, ...]
    unit: str = ""
    sign: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """Candidates for one channel, best first.

    Parameters
    ----------
    channel : str
        Canonical name, numbered where several of a kind are there.
    candidates : tuple of Candidate
        Best first; never empty.
    is_tie : bool
        True when the first two cannot be told apart; the choice is the user's.
    """

    schema: ClassVar[str] = "channel-suggestion/1"

    channel: str
    candidates: tuple[Candidate, ...]
    is_tie: bool = False


def suggest(table: SignalTable) -> tuple[Suggestion, ...]:
    """Suggest a channel map for the signals of a DBC, a header, or a log with data."""
    raise NotImplementedError
