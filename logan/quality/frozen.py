"""Channels that stop moving while the vehicle goes on."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.numerics import equal_runs
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, finite_samples, middle_of, resolution, within
from logan.results import DataFlag, Severity, Span
from logan.units import IntArray


@dataclass(frozen=True, slots=True)
class _Witness:
    """A channel that must move when another one does, and how much it must move to count."""

    channel: str
    witness: str
    gain: float
    least: float


def _witnesses(survey: DriveSurvey) -> tuple[_Witness, ...]:
    per_radian = survey.metres_per_motor_radian
    return (
        _Witness("pack_voltage", "pack_current", survey.build.pack.resistance_ohm.value, 1.2),
        _Witness("pack_current", "pack_voltage", 1.0 / max(survey.build.pack.resistance_ohm.value, 1e-3), 30.0),
        _Witness("pack_current", "motor_torque", 1.0, 30.0),
        _Witness("speed", "motor_speed", per_radian, 0.5),
        _Witness("speed", "gnss_speed", 1.0, 1.5),
        _Witness("speed", "wheel_speed", 1.0, 1.0),
        _Witness("motor_speed", "speed", 1.0 / per_radian, 0.5 / per_radian),
        _Witness("motor_torque", "pack_current", 1.0, 40.0),
        _Witness("gnss_speed", "speed", 1.0, 2.0),
    )


@detector("channel_frozen")
def _find_frozen(survey: DriveSurvey) -> Iterator[DataFlag]:
    found: dict[str, tuple[list[Span], str]] = {}
    runs = {name: _long_runs(survey, name) for name in {pair.channel for pair in _witnesses(survey)}}
    for pair in _witnesses(survey):
        witness = survey.finite(pair.witness)
        if witness is None or not survey.has(pair.channel):
            continue
        step = resolution(survey.drive[pair.channel].value[np.isfinite(survey.drive[pair.channel].value)])
        for span in runs[pair.channel]:
            inside = (witness[0] > span.start_s + 0.2) & (witness[0] < span.end_s - 0.2)
            values = witness[1][inside]
            moved = pair.gain * float(np.ptp(np.quantile(values, [0.1, 0.9]))) if values.size >= 5 else 0.0
            if moved > max(pair.least, 4.0 * step):
                spans, _ = found.setdefault(pair.channel, ([], pair.witness))
                if span not in spans:
                    spans.append(span)
    for channel, (spans, witness_name) in found.items():
        yield _frozen_flag(survey, channel, tuple(spans), witness_name)


def _long_runs(survey: DriveSurvey, channel: str) -> list[Span]:
    """Runs of equal values over more than twenty of the channel's usual change intervals, and 3 s."""
    samples = survey.finite(channel)
    if samples is None or samples[1].size < 30:
        return []
    time_s, value = samples
    starts, lengths = equal_runs(value)
    duration_s = time_s[starts + lengths - 1] - time_s[starts]
    if starts.size < 3:
        return [Span(float(time_s[0]), float(time_s[-1]))]
    change_s = float(np.median(np.diff(time_s[starts])))
    threshold_s = max(3.0, min(20.0 * change_s, 20.0))
    keep = (duration_s >= threshold_s) & (lengths > 4)
    if channel in ("speed", "gnss_speed", "motor_speed"):
        keep &= np.abs(value[starts]) > 0.5  # standing still is not being stuck
    chosen = np.flatnonzero(keep)
    chosen = chosen[np.argsort(-duration_s[chosen], kind="stable")[:20]]
    return [Span(float(time_s[starts[k]]), float(time_s[starts[k] + lengths[k] - 1])) for k in np.sort(chosen)]


def _frozen_flag(survey: DriveSurvey, channel: str, spans: tuple[Span, ...], witness: str) -> DataFlag:
    total_s = sum(span.duration_s for span in spans)
    share = total_s / max(survey.drive.duration_s, 1e-9)
    energy = channel in ("pack_voltage", "pack_current")
    return DataFlag(
        severity=Severity.RED if share > 0.1 else Severity.AMBER,
        channels=(channel,),
        evidence=f"unchanged for {total_s:.1f} s in all while {witness.replace('_', ' ')} moves",
        spans=spans,
        effect_wh_per_km=_frozen_effect(survey, channel, spans) if energy else None,
        refuses=("net_energy", "consumption", "regen") if energy and share > 0.1 else (),
    )


def _frozen_effect(survey: DriveSurvey, channel: str, spans: tuple[Span, ...]) -> float | None:
    """Energy in the spans if they had cost what the rest of the drive costs for the same motion. [Wh/km]"""
    inside = within(survey.time_s, spans)
    if channel == "pack_voltage":
        level_v = middle_of(survey.voltage_v[~inside]) if (~inside).any() else np.nan
        volts = level_v - survey.build.pack.resistance_ohm.value * survey.current_a[inside]
        change_w = np.nan_to_num((volts - survey.voltage_v[inside]) * survey.current_a[inside])
    else:
        needed = np.nan_to_num(survey.wheel_power_w)
        outside = ~inside & np.isfinite(survey.power_w)
        gain = float(np.sum(survey.power_w[outside] * needed[outside]) / max(np.sum(needed[outside] ** 2), 1.0))
        change_w = np.nan_to_num(gain * needed[inside] - survey.power_w[inside])
    return survey.per_km(float(change_w.sum()) * survey.period_s / 3600.0)


_WATCHED: Final = ("pack_current", "pack_voltage", "pack_power", "speed", "motor_speed", "motor_torque")
_LOWEST_BIT: Final = 2
_EMPTY_SHARE: Final = 0.45
_LEAST_PERIODS: Final = 1.5
_LEAST_JUMPS: Final = 12
_LARGE_SHARE: Final = 0.02


@detector("stuck_bit")
def _find_stuck_bit(survey: DriveSurvey) -> Iterator[DataFlag]:
    for name in _WATCHED:
        channel = survey.drive.get(name)
        samples = None if channel is None else finite_samples(channel)
        if samples is None or samples[1].size < 500 or channel is None or channel.is_derived:
            continue
        step = resolution(samples[1])
        if step <= 0.0:
            continue
        steps = (samples[1] - float(np.min(samples[1]))) / step
        raw = np.round(steps)
        if float(np.mean(np.abs(steps - raw) > 0.1)) > 0.02 or float(np.ptp(raw)) > 1e6:
            continue
        bit = stuck_bit(raw.astype(np.int64))
        if bit is None:
            continue
        size = step * 2.0**bit
        # Set half of the time, it takes half of itself from every value on average.
        is_large = 0.5 * size > _LARGE_SHARE * float(np.mean(np.abs(samples[1])))
        kind = channel_kind(name)
        refuses = (
            ("consumption", "distance", "fit") if name == "speed" else ("net_energy", "consumption", "regen", "fit")
        )
        yield DataFlag(
            severity=Severity.RED if is_large else Severity.AMBER,
            channels=(name,),
            evidence=f"no value has bit {bit} as it should: gaps and jumps of {size:.3g} {kind.unit if kind else ''}",
            refuses=refuses if is_large and name in ("pack_current", "pack_voltage", "pack_power", "speed") else (),
        )


def stuck_bit(raw: IntArray) -> int | None:
    """Return the highest bit that stands still while those above and below move; None where none does.

    Parameters
    ----------
    raw : ndarray of int, shape (n,)
        Values in steps of the resolution.
    """
    span = int(np.ptp(raw))
    are_few = _distinct(raw - raw.min()).size < 40
    for bit in range(int(np.log2(max(span, 2))), _LOWEST_BIT - 1, -1):
        period = 2 ** (bit + 1)
        if (not are_few and _has_gap(raw, period, span)) or _has_jumps(raw, period // 2):
            return bit
    return None


def _has_gap(raw: IntArray, period: int, span: int) -> bool:
    """Whether half of each period is empty although the values reach over several."""
    if span < _LEAST_PERIODS * period:
        return False
    residue = _distinct(np.mod(raw, period))
    if residue.size < 4:
        return False
    empty = np.diff(np.concatenate((residue, [residue[0] + period])))
    widest = int(np.argmax(empty))
    return bool(empty[widest] >= _EMPTY_SHARE * period and empty[widest] <= 0.6 * period)


def _distinct(counts: IntArray) -> IntArray:
    """Which whole numbers from zero on there are: a table of a million is filled sooner than as many are sorted."""
    return np.flatnonzero(np.bincount(counts))


def _has_jumps(raw: IntArray, size: int) -> bool:
    """Whether steps of about the bit's size are far more frequent than somewhat smaller and larger ones."""
    steps = np.abs(np.diff(raw))
    if size < 16:
        return False
    at = int(np.sum((steps > 0.93 * size) & (steps < 1.07 * size)))
    below = int(np.sum((steps > 0.6 * size) & (steps <= 0.9 * size)))
    above = int(np.sum((steps >= 1.1 * size) & (steps < 1.4 * size)))
    # The window at the size is a quarter as wide as the two beside it together.
    return at >= _LEAST_JUMPS and at > 2.0 * (below + above)
