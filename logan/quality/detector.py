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
    detect : callable
        Takes the survey of a drive, gives flags; none where the drive lacks what it needs.
    """

    code: str
    detect: Callable[[DriveSurvey], Iterable[DataFlag]]


@dataclass(frozen=True, slots=True)
class SignalDetector:
    """Looks for one fault that only shows before signals become channels.

    Parameters
    ----------
    code : str
        Name of the finding.
    detect : callable
        Takes the signals as logged and the channel map, gives flags.
    """

    code: str
    detect: Callable[[SignalTable, ChannelMap], Iterable[DataFlag]]


def detector(code: str) -> Callable[[Callable[[DriveSurvey], Iterable[DataFlag]]], Detector]:
    """Make a function the detector of a finding; its module stands in ``logan.quality.table``."""
    return lambda detect: Detector(code, detect)


def signal_detector(
    code: str,
) -> Callable[[Callable[[SignalTable, ChannelMap], Iterable[DataFlag]]], SignalDetector]:
    """Make a function the detector of a finding in the signals as logged."""
    return lambda detect: SignalDetector(code, detect)
