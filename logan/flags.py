"""What a detector has to say about a drive."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a flag matters for the figures."""

    NOTE = "note"
    """Worth knowing; no figure changes."""
    AMBER = "amber"
    """A figure is less sure, or a limit is near."""
    RED = "red"
    """A figure is wrong or refused, or a limit is passed."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a drive, in seconds from its start."""

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class DataFlag:
    """One finding of one detector; it never repairs anything.

    Parameters
    ----------
    code : str
        Name of the detector's finding, such as ``current_sign_reversed``; empty until its detector stamps it.
    severity : Severity
        How much it matters.
    channels : tuple of str
        Canonical channels concerned.
    title : str
        The finding in a few plain words.
    evidence : str
        The numbers that show it.
    remedy : str
        What to do about it.
    spans : tuple of Span
        When; empty means the whole drive.
    effect_wh_per_km : float or None
        How far the net consumption would move if it were put right, or None where it cannot be told.
    refuses : tuple of str
        Metrics that must not be shown while this stands, such as ``net_energy`` or ``regen``.
    """

    code: str = ""
    severity: Severity = Severity.NOTE
    channels: tuple[str, ...]
    title: str
    evidence: str
    remedy: str
    spans: tuple[Span, ...] = ()
    effect_wh_per_km: float | None = None
    refuses: tuple[str, ...] = ()
