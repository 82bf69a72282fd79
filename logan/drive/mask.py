"""Mask a span or correct a channel by hand: reversible, and noted in the drive's history."""

from __future__ import annotations

from logan.drive.drive import Drive
from logan.flags import Span


def mask(drive: Drive, span: Span, channels: tuple[str, ...] = (), *, reason: str) -> Drive:
    """Blank a span of some channels (of all, where none is named)."""
    raise NotImplementedError


def correct(
    drive: Drive,
    channel: str,
    *,
    shift_s: float = 0.0,
    offset: float = 0.0,
    gain: float = 1.0,
    sign: int = 1,
    span: Span | None = None,
    reason: str,
) -> Drive:
    """Shift a channel in time, or correct its offset, gain or sign: ``sign * gain * x + offset``."""
    raise NotImplementedError
