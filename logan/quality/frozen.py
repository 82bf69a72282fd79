"""Channels that stop moving while the vehicle goes on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logan.flags import DataFlag, Severity, Span
from logan.quality.detector import detector
from logan.quality.runs import equal_runs, middle_of, resolution, when
from logan.quality.survey import DriveSurvey


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
        code="channel_frozen",
        severity=Severity.RED if share > 0.1 else Severity.AMBER,
        channels=(channel,),
        title=f"{channel.replace('_', ' ').capitalize()} is stuck at its last value",
        evidence=f"unchanged for {total_s:.1f} s in all while {witness.replace('_', ' ')} moves; {when(spans)}",
        remedy="Look for a lost message or a loose plug of that device; mask these spans, or take the channel from "
        "another device",
        spans=spans,
        effect_wh_per_km=_frozen_effect(survey, channel, spans) if energy else None,
        refuses=("net_energy", "consumption", "regen") if energy and share > 0.1 else (),
    )


def _frozen_effect(survey: DriveSurvey, channel: str, spans: tuple[Span, ...]) -> float | None:
    """Energy in the spans if they had cost what the rest of the drive costs for the same motion. [Wh/km]"""
    inside = np.zeros(survey.time_s.shape, dtype=bool)
    for span in spans:
        inside |= (survey.time_s >= span.start_s) & (survey.time_s <= span.end_s)
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
