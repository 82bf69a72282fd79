"""What a detector is: one name, one question, asked of a drive or of its raw signals."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

from logan.frames.table import SignalTable
from logan.quality.survey import DriveSurvey
from logan.results import DataFlag, Severity
from logan.settings import ChannelMap


@dataclass(frozen=True, slots=True)
class _Stamp:
    """What a detector says of all its findings: a flag without a code of its own takes it over.

    Parameters
    ----------
    code : str
        Name of the finding, the ``code`` of the flags it gives.
    severity : Severity or None
        How much it matters, where it is always the same.
    refuses : tuple of str
        Metrics that must not be shown while it stands.
    effect_wh_per_km : float or None
        On the consumption, where it is always the same.
    """

    code: str
    severity: Severity | None = None
    refuses: tuple[str, ...] = ()
    effect_wh_per_km: float | None = None

    def on(self, flags: Iterable[DataFlag]) -> Iterator[DataFlag]:
        """The flags, stamped."""
        shared = {one.name: value for one in fields(_Stamp) if (value := getattr(self, one.name)) not in (None, ())}
        for flag in flags:
            yield flag if flag.code else replace(flag, **shared)


@dataclass(frozen=True, slots=True)
class Detector:
    """Looks for one fault in a drive; it flags and never repairs.

    Parameters
    ----------
    stamp : _Stamp
        What all its findings share.
    look : callable
        Takes the survey of a drive, gives flags; none where the drive lacks what it needs.
    """

    stamp: _Stamp
    look: Callable[[DriveSurvey], Iterable[DataFlag]]

    @property
    def code(self) -> str:
        """Name of the finding."""
        return self.stamp.code

    def detect(self, survey: DriveSurvey) -> Iterator[DataFlag]:
        """Its findings in a drive."""
        return self.stamp.on(self.look(survey))


@dataclass(frozen=True, slots=True)
class SignalDetector:
    """Looks for one fault that only shows before signals become channels.

    Parameters
    ----------
    stamp : _Stamp
        What all its findings share.
    look : callable
        Takes the signals as logged and the channel map, gives flags.
    """

    stamp: _Stamp
    look: Callable[[SignalTable, ChannelMap], Iterable[DataFlag]]

    @property
    def code(self) -> str:
        """Name of the finding."""
        return self.stamp.code

    def detect(self, table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
        """Its findings in a log."""
        return self.stamp.on(self.look(table, channel_map))


def detector(
    code: str, severity: Severity | None = None, **more: Any
) -> Callable[[Callable[[DriveSurvey], Iterable[DataFlag]]], Detector]:
    """Make a function the detector of a finding; its module stands in ``logan.quality``."""
    return lambda look: Detector(_Stamp(code, severity, **more), look)


def signal_detector(
    code: str, severity: Severity | None = None, **more: Any
) -> Callable[[Callable[[SignalTable, ChannelMap], Iterable[DataFlag]]], SignalDetector]:
    """Make a function the detector of a finding in the signals as logged."""
    return lambda look: SignalDetector(_Stamp(code, severity, **more), look)
