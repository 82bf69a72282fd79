"""Spans of a drive: driving, parked, charging; trips between stops; spans free of braking."""

from __future__ import annotations

from logan.drive.drive import Drive
from logan.flags import Span

STANDSTILL_M_PER_S = 0.3


def stops(drive: Drive, *, min_duration_s: float = 2.0) -> tuple[Span, ...]:
    """Spans at standstill, the parked ones among them."""
    raise NotImplementedError


def driving_spans(drive: Drive, *, min_parked_s: float = 300.0) -> tuple[Span, ...]:
    """Spans of driving, short stops included; parked and charging spans lie between them."""
    raise NotImplementedError


def charging_spans(drive: Drive) -> tuple[Span, ...]:
    """Spans at standstill in which the pack is charged."""
    raise NotImplementedError


def parked_spans(drive: Drive, *, min_parked_s: float = 300.0) -> tuple[Span, ...]:
    """Spans at standstill of at least ``min_parked_s``, charging left out."""
    raise NotImplementedError


def trips(drive: Drive, *, min_distance_m: float = 200.0) -> tuple[Span, ...]:
    """Spans from one stop to the next."""
    raise NotImplementedError


def brake_free_spans(drive: Drive, *, min_duration_s: float = 5.0) -> tuple[Span, ...]:
    """Moving spans without friction brake; empty where the drive logs no brake channel."""
    raise NotImplementedError
