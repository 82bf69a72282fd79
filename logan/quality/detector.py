"""What a detector is: one name, one question, asked of a drive or of its raw signals."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from logan.flags import DataFlag
from logan.frames.table import SignalTable
from logan.quality.survey import DriveSurvey
from logan.settings import ChannelMap


@dataclass(frozen=True, slots=True)
class Detector:
    """Looks for one fault in a drive; it flags and never repairs.

    Parameters
    ----------
    code : str
        Name of the finding, the ``code`` of the flags it gives.
    title : str
        The finding in a few plain words.
    detect : callable
        Takes the survey of a drive, gives flags; none where the drive lacks what it needs.
    needs : tuple of str
        Kinds of channel without which it has nothing to look at.
    """

    code: str
    title: str
    detect: Callable[[DriveSurvey], Iterable[DataFlag]]
    needs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SignalDetector:
    """Looks for one fault that only shows before signals become channels.

    Parameters
    ----------
    code : str
        Name of the finding.
    title : str
        The finding in a few plain words.
    detect : callable
        Takes the signals as logged and the channel map, gives flags.
    """

    code: str
    title: str
    detect: Callable[[SignalTable, ChannelMap], Iterable[DataFlag]]
