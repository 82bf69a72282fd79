"""Mask a span or correct a channel by hand: reversible, and noted in the drive's history.

Both return a new drive; the old one keeps the data as they were, and leaving the step out
when the drive is assembled again gives them back.
"""

import math
from dataclasses import replace

import numpy as np

from logan.drive.drive import Channel, Correction, Drive, step_between
from logan.errors import ChannelError, UsageError
from logan.results import Span


def mask(drive: Drive, span: Span, channels: tuple[str, ...] = (), *, reason: str) -> Drive:
    """Blank a span of some channels, or cut it out of the drive where none is named.

    Parameters
    ----------
    drive : Drive
        The drive.
    span : Span
        From and to, both ends included. [s]
    channels : tuple of str
        Canonical names; empty cuts the span out of the drive.
    reason : str
        Why, in the user's words; it is shown wherever the drive is.

    Returns
    -------
    Drive
        With a step that says what was blanked and what that did to the net energy. A span
        without a sample changes nothing and leaves no step.

    Raises
    ------
    UsageError
        If the reason is empty or the span runs backwards.
    ChannelError
        If the drive lacks a channel that is named.
    """
    _check(drive, span, channels, reason)
    masked = _blanked(drive, span, channels) if channels else cut(drive, span)
    touched = tuple(name for name in channels or drive if masked.get(name) is not drive[name])
    if not touched:
        return drive
    step = step_between(
        drive.channels,
        masked.channels,
        action="mask" if channels else "cut",
        detail=f"{_moment(span.start_s)} to {_moment(span.end_s)} of {len(touched)} channels",
        reason=reason,
        channels=touched,
    )
    return masked.with_channels(step=step)


def _moment(at_s: float) -> str:
    return f"{at_s:g} s" if np.isfinite(at_s) else "the end" if at_s > 0.0 else "the start"


def cut(drive: Drive, span: Span) -> Drive:
    """The drive without a span: beginning or end taken off, or a piece within it that is no part of it any more."""
    extent = drive.extent
    start_s, end_s = max(span.start_s, extent.start_s), min(span.end_s, extent.end_s)
    if end_s < start_s or extent.duration_s <= 0.0:
        return drive
    if start_s <= extent.start_s or end_s >= extent.end_s:
        kept = {name: _without(channel, start_s, end_s) for name, channel in drive.channels.items()}
        left = replace(drive, channels={name: channel for name, channel in kept.items() if channel.time_s.size})
        return replace(left, cuts=_joined(drive.cuts, left.extent))
    hidden = _blanked(drive, Span(start_s, end_s), tuple(drive))
    return replace(hidden, cuts=_joined((*drive.cuts, Span(start_s, end_s)), extent))


def _without(channel: Channel, start_s: float, end_s: float) -> Channel:
    kept = (channel.time_s < start_s) | (channel.time_s > end_s)
    return channel if kept.all() else replace(channel, time_s=channel.time_s[kept], value=channel.value[kept])


def _blanked(drive: Drive, span: Span, channels: tuple[str, ...]) -> Drive:
    blanked: list[Channel] = []
    for name in channels:
        channel = drive[name]
        hit = (channel.time_s >= span.start_s) & (channel.time_s <= span.end_s) & np.isfinite(channel.value)
        if hit.any():
            blanked.append(replace(channel, value=np.where(hit, np.nan, channel.value)))
    return drive.with_channels(*blanked)


def _joined(spans: tuple[Span, ...], extent: Span) -> tuple[Span, ...]:
    """Spans within the extent, in order, those that overlap as one."""
    found: list[Span] = []
    for span in sorted(spans, key=lambda one: one.start_s):
        start_s, end_s = max(span.start_s, extent.start_s), min(span.end_s, extent.end_s)
        if found and start_s <= found[-1].end_s:
            found[-1] = Span(found[-1].start_s, max(found[-1].end_s, end_s))
        elif start_s < end_s:
            found.append(Span(start_s, end_s))
    return tuple(found)


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
    """Shift a channel in time, or correct its offset, gain or sign: ``sign * gain * x + offset``.

    Parameters
    ----------
    drive : Drive
        The drive.
    channel : str
        Canonical name.
    shift_s : float
        Added to its times; a channel that is late takes a negative one. Needs the whole drive. [s]
    offset, gain, sign : float, float, int
        In the channel's SI unit.
    span : Span, optional
        Only there; the whole drive by default.
    reason : str
        Why, in the user's words.

    Raises
    ------
    UsageError
        If the reason is empty, the numbers make no sense, or a shift is asked for in a span.
    ChannelError
        If the drive lacks the channel.
    """
    _check(drive, span, (channel,), reason)
    if shift_s and span is not None:
        remedy = "Shift the whole channel, or leave the span out"
        raise UsageError("a shift of time cannot be applied to a span", remedy)
    if sign not in (1, -1) or not np.isfinite([shift_s, offset, gain]).all() or gain == 0.0:
        raise UsageError("a correction needs finite numbers, a gain other than 0 and a sign of 1 or -1", "")
    if shift_s == 0.0 and offset == 0.0 and gain == 1.0 and sign == 1:
        return drive
    old = drive[channel]
    inside = np.ones(old.time_s.shape, dtype=bool)
    if span is not None:
        inside = (old.time_s >= span.start_s) & (old.time_s <= span.end_s)
    value = np.where(inside, sign * gain * old.value + offset, old.value)
    corrected = drive.with_channels(replace(old, time_s=old.time_s + shift_s, value=value))
    where = f", {span.start_s:g} s to {span.end_s:g} s" if span is not None else ""
    parts = [
        f"shift {shift_s:+.3f} s" if shift_s else "",
        "sign turned" if sign < 0 else "",
        f"gain {gain:g}" if gain != 1.0 else "",
        f"offset {offset:+g} {old.unit}" if offset else "",
    ]
    step = step_between(
        drive.channels,
        corrected.channels,
        action="correct",
        detail=", ".join(part for part in parts if part) + where,
        reason=reason,
        channels=(channel,),
    )
    return corrected.with_channels(step=step)


def _check(drive: Drive, span: Span | None, channels: tuple[str, ...], reason: str) -> None:
    if not reason.strip():
        raise UsageError("a correction by hand needs a reason", 'Give it with --why "..."')
    if span is not None and not span.start_s <= span.end_s:
        raise UsageError(f"the span {span.start_s:g} s to {span.end_s:g} s runs backwards", "Give start..end")
    missing = [name for name in channels if name not in drive]
    if missing:
        have = ", ".join(sorted(drive))
        raise ChannelError(f"the drive has no {', '.join(missing)}", f"It has: {have}")


def apply_corrections(drive: Drive) -> Drive:
    """Return the drive with its corrections by hand applied, each a step of its history.

    Parameters
    ----------
    drive : Drive
        As stored; its conditions name the corrections.

    Returns
    -------
    Drive
        The same drive where there is none.

    Raises
    ------
    LoganError
        If a correction names a channel that the drive lacks, or makes no sense.
    """
    for correction in drive.conditions.corrections:
        drive = _apply(drive, correction)
    return drive


def _apply(drive: Drive, correction: Correction) -> Drive:
    start_s = -math.inf if correction.start_s is None else correction.start_s
    end_s = math.inf if correction.end_s is None else correction.end_s
    is_whole = correction.start_s is None and correction.end_s is None
    if correction.is_mask:
        return mask(drive, Span(start_s, end_s), correction.channels, reason=correction.why)
    for channel in correction.channels:
        drive = correct(
            drive,
            channel,
            shift_s=correction.shift_s,
            offset=correction.offset,
            gain=correction.gain,
            sign=correction.sign,
            span=None if is_whole else Span(start_s, end_s),
            reason=correction.why,
        )
    return drive
