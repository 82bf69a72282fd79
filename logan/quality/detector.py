"""What a detector is: one name, one question, asked of a drive or of its raw signals."""

import tomllib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from logan.frames.table import SignalTable
from logan.quality.survey import DriveSurvey, when
from logan.results import DataFlag, Severity
from logan.settings import ChannelMap


@cache
def _said() -> dict[str, dict[str, Any]]:
    """Title and remedy of findings by code; where they depend on the severity, in a table of its name."""
    return tomllib.loads(files("logan.quality").joinpath("findings.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stamped:
    """A question, and what is said of all that it finds: a flag without a code of its own takes it over.

    So it does with title and remedy of its code in ``findings.toml``, where the code or the severity decides them;
    ``{channel}`` there is the flag's first channel in words, ``{Channel}`` the same at a sentence's start.

    Parameters
    ----------
    code : str
        Name of the finding, the ``code`` of the flags it gives.
    look : callable
        Takes what is looked at, gives flags; it flags and never repairs.
    severity : Severity or None
        How much it matters, where it is always the same.
    refuses : tuple of str
        Metrics that must not be shown while it stands.
    effect_wh_per_km : float or None
        On the consumption, where it is always the same.
    """

    code: str
    look: Callable[..., Iterable[DataFlag]]
    severity: Severity | None = None
    refuses: tuple[str, ...] = ()
    effect_wh_per_km: float | None = None

    def _found(self, *looked_at: object) -> Iterator[DataFlag]:
        names = ("code", "severity", "refuses", "effect_wh_per_km")
        shared = {name: value for name in names if (value := getattr(self, name)) not in (None, ())}
        for flag in self.look(*looked_at):
            moment = f"; {when(flag.spans)}" if flag.spans else ""
            channel = flag.channels[0].replace("_", " ") if flag.channels else ""
            texts = _said().get(self.code, {})
            said = {
                name: text.format(channel=channel, Channel=channel.capitalize())
                for name, text in (texts | texts.get(self.severity or flag.severity, {})).items()
                if name in ("title", "remedy")
            }
            yield replace(flag, evidence=flag.evidence + moment, **({} if flag.code else shared | said))


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector(_Stamped):
    """Looks for one fault in a drive.

    Parameters
    ----------
    needs : str
        Channels without which there is nothing to look at, blanks between them.
    on_road : bool
        Whether it needs motion too.
    """

    needs: str = ""
    on_road: bool = False

    def detect(self, survey: DriveSurvey) -> Iterator[DataFlag]:
        """Its findings in a drive; none where the drive lacks what it needs."""
        if survey.has(*self.needs.split()) and (survey.is_drive or not self.on_road):
            yield from self._found(survey)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalDetector(_Stamped):
    """Looks for one fault that only shows before signals become channels."""

    def detect(self, table: SignalTable, channel_map: ChannelMap) -> Iterator[DataFlag]:
        """Its findings in a log."""
        yield from self._found(table, channel_map)


def detector(
    code: str, severity: Severity | None = None, **more: Any
) -> Callable[[Callable[[DriveSurvey], Iterable[DataFlag]]], Detector]:
    """Make a function the detector of a finding; its module stands in ``logan.quality``."""
    return lambda look: Detector(code=code, look=look, severity=severity, **more)


def signal_detector(
    code: str, severity: Severity | None = None, **more: Any
) -> Callable[[Callable[[SignalTable, ChannelMap], Iterable[DataFlag]]], SignalDetector]:
    """Make a function the detector of a finding in the signals as logged."""
    return lambda look: SignalDetector(code=code, look=look, severity=severity, **more)
