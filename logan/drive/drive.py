"""A drive: channels at their native rate in SI, and what was done to them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from logan.channels.vocabulary import Interpolation, channel_kind
from logan.drive.provenance import Correction, DriveConditions, LogSource, Step
from logan.flags import DataFlag, Span
from logan.numerics import hold, interpolate, longest_bridgeable_gap_s
from logan.results import read_only
from logan.units import FloatArray

__all__ = ["Channel", "Correction", "Drive", "DriveConditions", "LogSource", "Step"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Channel:
    """One channel of a drive.

    Parameters
    ----------
    name : str
        Canonical name, such as ``pack_current`` or ``motor_temperature_2``.
    time_s : ndarray, shape (n,)
        Strictly increasing, from the start of the drive. [s]
    value : ndarray, shape (n,)
        In the SI unit of its kind; NaN where masked.
    source : str
        Signal or column it came from, or the rule that derived it.
    is_derived : bool
        True when worked out from other channels.
    sigma : float or None
        One standard uncertainty of a value, in its unit, where known.
    """

    name: str
    time_s: FloatArray
    value: FloatArray
    source: str = ""
    is_derived: bool = False
    sigma: float | None = None
    _gap_s: list[float] = field(default_factory=list, init=False, repr=False)

    def __post_init__(self) -> None:
        if self.time_s.shape != self.value.shape or self.time_s.ndim != 1:
            raise ValueError("time_s and value must have one shape (n,)")
        object.__setattr__(self, "time_s", read_only(np.asarray(self.time_s, dtype=np.float64)))
        object.__setattr__(self, "value", read_only(np.asarray(self.value, dtype=np.float64)))

    @property
    def interpolation(self) -> Interpolation:
        """Linear or hold, by kind."""
        kind = channel_kind(self.name)
        return kind.interpolation if kind else Interpolation.LINEAR

    @property
    def unit(self) -> str:
        """SI unit of the kind."""
        kind = channel_kind(self.name)
        return kind.unit if kind else ""

    @property
    def max_gap_s(self) -> float:
        """Longest step that still counts as sampled, worked out once. [s]"""
        if not self._gap_s:
            self._gap_s.append(longest_bridgeable_gap_s(self.time_s))
        return self._gap_s[0]

    def at(self, at_s: FloatArray, *, max_gap_s: float | None = None) -> FloatArray:
        """Values at other times, by the channel's own interpolation; NaN in gaps."""
        gap_s = self.max_gap_s if max_gap_s is None else max_gap_s
        if self.interpolation is Interpolation.HOLD:
            return hold(at_s, self.time_s, self.value, max_age_s=gap_s)
        return interpolate(at_s, self.time_s, self.value, max_gap_s=gap_s)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """One drive: what was measured, and everything done to it since.

    Parameters
    ----------
    channels : mapping of str to Channel
        By canonical name, at native rate.
    start_ns : int or None
        Time of the first sample since 1970 UTC; None where the log has no absolute time. [ns]
    sources, dbcs : tuple of LogSource
        Logs and DBCs that it came from.
    history : tuple of Step
        What was done to the data.
    conditions : DriveConditions
        What the driver noted.
    is_averaged : bool
        True when the log holds averages, so that a peak is a lower bound.
    import_flags : tuple of DataFlag
        What was seen in the log itself, before it became channels.
    cuts : tuple of Span
        Spans within it that are no part of it any more; they do not overlap.
    """

    channels: Mapping[str, Channel]
    start_ns: int | None = None
    sources: tuple[LogSource, ...] = ()
    dbcs: tuple[LogSource, ...] = ()
    history: tuple[Step, ...] = ()
    conditions: DriveConditions = field(default_factory=DriveConditions)
    is_averaged: bool = False
    import_flags: tuple[DataFlag, ...] = ()
    cuts: tuple[Span, ...] = ()
    worked_out: dict[str, object] = field(default_factory=dict, init=False, repr=False)
    """What rules have derived once from these channels; a changed drive starts afresh."""

    def __getitem__(self, name: str) -> Channel:
        return self.channels[name]

    def __contains__(self, name: object) -> bool:
        return name in self.channels

    def __iter__(self) -> Iterator[str]:
        return iter(self.channels)

    def get(self, name: str) -> Channel | None:
        """Return a channel, or None where the drive has none."""
        return self.channels.get(name)

    def of_kind(self, name: str) -> tuple[Channel, ...]:
        """All channels of one kind: ``motor_temperature``, ``motor_temperature_2``, ..."""
        return tuple(
            channel
            for key, channel in self.channels.items()
            if (kind := channel_kind(key)) is not None and kind.name == name
        )

    @property
    def duration_s(self) -> float:
        """Time from the first sample of any channel to the last, less what was cut out of it. [s]"""
        return max(self.extent.duration_s - sum(span.duration_s for span in self.cuts), 0.0)

    @property
    def extent(self) -> Span:
        """From the first sample of any channel to the last."""
        ends = [(float(c.time_s[0]), float(c.time_s[-1])) for c in self.channels.values() if c.time_s.size]
        return Span(min(start for start, _ in ends), max(end for _, end in ends)) if ends else Span(0.0, 0.0)

    def with_channels(self, *channels: Channel, step: Step | None = None) -> Drive:
        """A drive with these channels added or replaced, and the step noted."""
        merged = {**self.channels, **{channel.name: channel for channel in channels}}
        history = self.history if step is None else (*self.history, step)
        return replace(self, channels=merged, history=history)
