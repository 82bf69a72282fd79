"""Suggest which signal is which channel, with the evidence in plain words.

Names, units, comments and ranges say what a signal is meant to be; the data, where there
is any, says what it is. Ties are shown and not decided.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.channels.certainty import Surroundings, doubt_of
from logan.channels.declared_evidence import Words, declared_score, stem_of
from logan.channels.measured_evidence import DataVerdict, measure_columns
from logan.channels.profiles import PROFILES, Profile
from logan.frames.table import SignalColumn, SignalTable
from logan.results import result

LEAST_SCORE: Final = 0.35
MOST_CANDIDATES: Final = 5
_TIE: Final = 0.04
_ALIKE: Final = 0.02
_MOST_OF_A_KIND: Final = 24
_SAMPLE_SIZE: Final = 10
_LEAST_SURE: Final = 0.6
_PROVES_NOTHING: Final = frozenset({"counter", "validity", "history", "time"})


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
    doubt : str
        Why it must be asked; empty where it is sure.
    sample : tuple of float
        Ten of its values at even times, in its own unit; empty without data.
    """

    signal: str
    score: float
    evidence: tuple[str, ...]
    unit: str = ""
    sign: int = 1
    doubt: str = ""
    sample: tuple[float, ...] = ()


@result("channel-suggestion/1")
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

    channel: str
    candidates: tuple[Candidate, ...]
    is_tie: bool = False

    @property
    def is_sure(self) -> bool:
        """True when the first may be taken without asking: no tie, and nothing to doubt."""
        return not self.is_tie and not self.candidates[0].doubt


def suggest(table: SignalTable) -> tuple[Suggestion, ...]:
    """Suggest a channel map for the signals of a DBC, a header, or a log with data.

    Parameters
    ----------
    table : SignalTable
        Columns may be empty, as for a DBC alone; then only what is declared counts.

    Returns
    -------
    tuple of Suggestion
        In the order of the catalogue; a channel that nothing speaks for is left out.
    """
    columns = list(table.columns)
    words = [Words.of(column) for column in columns]
    measured = measure_columns(columns, [bool(each.name & _PROVES_NOTHING) for each in words])
    around = Surroundings.of(columns)
    scored: dict[str, list[tuple[Candidate, int]]] = {}
    for profile in PROFILES:
        found = _candidates(columns, words, measured, profile, around)
        if found:
            scored[profile.channel] = _better_of(scored.get(profile.channel, []), found)
    taken = _best_use(scored)
    suggestions: list[Suggestion] = []
    for profile in {profile.channel: profile for profile in PROFILES}.values():
        found = sorted(
            scored.get(profile.channel, ()), key=lambda entry: (-entry[0].score, len(columns[entry[1]].name), entry[1])
        )
        kept = [entry for entry in found if taken.get(entry[1], profile.channel) == profile.channel]
        suggestions += _suggestions(profile, kept, columns)
    return tuple(suggestions)


def _candidates(
    columns: Sequence[SignalColumn],
    words: Sequence[Words],
    measured: Mapping[int, DataVerdict],
    profile: Profile,
    around: Surroundings,
) -> list[tuple[Candidate, int]]:
    found: list[tuple[Candidate, int]] = []
    for index, column in enumerate(columns):
        declared = declared_score(column, words[index], profile)
        data = measured.get(index)
        score = declared.score if declared is not None else 0.0
        evidence = declared.evidence if declared is not None else ()
        sign = 1
        if data is not None:
            score, reasons, sign = data.weigh(profile.channel, score)
            evidence = (*evidence, *reasons)
        if score >= LEAST_SCORE:
            candidate = Candidate(
                signal=column.key,
                score=round(score, 3),
                evidence=evidence,
                unit=declared.unit if declared is not None else "",
                sign=sign,
                doubt=doubt_of(column, words[index], profile, data, around)
                or ("" if score >= _LEAST_SURE else "its name says little"),
                sample=_sample(column),
            )
            found.append((candidate, index))
    return found


def _sample(column: SignalColumn) -> tuple[float, ...]:
    """A plot's worth of numbers: ten values at even times."""
    finite = column.value[np.isfinite(column.value)]
    places = np.linspace(0, finite.size - 1, min(_SAMPLE_SIZE, finite.size)).astype(int)
    return tuple(float(value) for value in finite[places])


def _better_of(first: list[tuple[Candidate, int]], second: list[tuple[Candidate, int]]) -> list[tuple[Candidate, int]]:
    """Merge what two profiles of one channel found; each signal with its better score."""
    best: dict[int, Candidate] = {}
    for candidate, index in (*first, *second):
        if index not in best or candidate.score > best[index].score:
            best[index] = candidate
    return [(candidate, index) for index, candidate in best.items()]


def _best_use(scored: Mapping[str, list[tuple[Candidate, int]]]) -> dict[int, str]:
    """The channel that each signal fits best; it is not offered for another that it fits less well."""
    best: dict[int, tuple[float, str]] = {}
    for channel, found in scored.items():
        for candidate, index in found:
            if index not in best or candidate.score > best[index][0] + _ALIKE:
                best[index] = (candidate.score, channel)
    return {index: channel for index, (_, channel) in best.items()}


def _suggestions(
    profile: Profile, found: list[tuple[Candidate, int]], columns: Sequence[SignalColumn]
) -> list[Suggestion]:
    if not found:
        return []
    if not profile.several:
        return [_suggestion(profile.channel, found)]
    family = _family(found, columns)
    if len(family) < 2:
        return [_suggestion(profile.channel, found)]
    used = {index for group in family for _, index in group}
    others = [entry for entry in found if entry[1] not in used]
    numbered = [_suggestion(profile.channel, [*family[0], *others])]
    for number, group in enumerate(family[1:_MOST_OF_A_KIND], start=2):
        numbered.append(_suggestion(f"{profile.channel}_{number}", group))
    return numbered


def _family(found: list[tuple[Candidate, int]], columns: Sequence[SignalColumn]) -> list[list[tuple[Candidate, int]]]:
    """The largest set of equally good signals whose names differ only in place or number, grouped by that."""
    families: dict[tuple[str, ...], dict[tuple[str, ...], list[tuple[Candidate, int]]]] = {}
    for entry in found:
        if entry[0].score >= found[0][0].score - _ALIKE:
            stem, which = stem_of(columns[entry[1]].name)
            families.setdefault(stem, {}).setdefault(which, []).append(entry)
    largest = max(families.values(), key=len)
    return list(largest.values())


def _suggestion(channel: str, found: list[tuple[Candidate, int]]) -> Suggestion:
    candidates = tuple(candidate for candidate, _ in found[:MOST_CANDIDATES])
    is_tie = len(candidates) > 1 and candidates[0].score - candidates[1].score < _TIE
    if is_tie:
        candidates = tuple(
            replace(candidate, evidence=(*candidate.evidence, "as good as another"))
            if candidates[0].score - candidate.score < _TIE
            else candidate
            for candidate in candidates
        )
    return Suggestion(channel=channel, candidates=candidates, is_tie=is_tie)
