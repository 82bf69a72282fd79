"""Temperature sensors that are open, stuck, swapped, in the sun, or too slow."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.numerics import equal_runs, nominal_period_s
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, resolution, spans_of
from logan.results import DataFlag, Severity, Span
from logan.units.sentences import measure

_HEATED: Final = ("motor_temperature", "inverter_temperature", "coolant_temperature_outlet", "gearbox_oil_temperature")


def _temperatures(survey: DriveSurvey) -> list[str]:
    return [name for name in survey.drive if (kind := channel_kind(name)) is not None and kind.unit == "degC"]


@detector("temperature_open_or_short", Severity.RED, refuses=("temperatures",))
def _find_open_sensor(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Most of the drive at the reading of a broken wire or a short."""
    for name in _temperatures(survey):
        samples = survey.finite(name)
        if samples is None:
            continue
        level_degc = float(np.median(samples[1]))
        if -39.5 < level_degc < 180.0:
            continue
        yield DataFlag(
            channels=(name,),
            evidence=f"it reads {measure(level_degc, '°C')} for most of the drive",
        )


@detector("temperature_jump", Severity.AMBER, effect_wh_per_km=0.0)
def _find_jump(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A level change faster than 5 K/s that stays: a loose plug, or another sensor on the same name."""
    for name in _temperatures(survey):
        samples = survey.finite(name)
        if samples is None or samples[1].size < 30:
            continue
        time_s, degc = samples
        level = _filtered(degc)
        change = np.abs(level[4:] - level[:-4])
        if float(np.max(change)) < 10.0:
            continue
        allowed_k = 5.0 * (time_s[4:] - time_s[:-4]) + 4.0 * resolution(degc)
        jumps = change > np.maximum(allowed_k, 10.0) if nominal_period_s(time_s) <= 2.0 else change > 1e9
        if not jumps.any():
            continue
        spans = spans_of(time_s[2:-2], jumps)
        yield DataFlag(
            channels=(name,),
            evidence=f"by {measure(np.max(change[jumps]), 'K')} within seconds",
            spans=spans,
        )


def _filtered(value: np.ndarray[tuple[int], np.dtype[np.float64]]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Running median of three, which single spikes do not move."""
    before, here, after = value[:-2], value[1:-1], value[2:]
    middle = np.maximum(np.minimum(before, here), np.minimum(np.maximum(before, here), after))
    return np.concatenate((value[:1], middle, value[-1:]))


@detector("temperature_stuck", Severity.RED, refuses=("temperatures",), effect_wh_per_km=0.0)
def _find_stuck(survey: DriveSurvey) -> Iterator[DataFlag]:
    others = {name: survey.finite(name) for name in _HEATED if survey.has(name)}
    for name, samples in others.items():
        if samples is None:
            continue
        time_s, degc = samples
        starts, lengths = equal_runs(degc)
        duration_s = time_s[starts + lengths - 1] - time_s[starts]
        longest = int(np.argmax(duration_s))
        if duration_s[longest] < 480.0:
            continue
        span = Span(float(time_s[starts[longest]]), float(time_s[starts[longest] + lengths[longest] - 1]))
        inside = (survey.time_s >= span.start_s) & (survey.time_s <= span.end_s)
        load_w = np.nan_to_num(np.abs(survey.power_w[inside]))
        moved_k = [
            float(np.ptp(other[1][(other[0] >= span.start_s) & (other[0] <= span.end_s)]))
            for key, other in others.items()
            if key != name and other is not None and ((other[0] >= span.start_s) & (other[0] <= span.end_s)).sum() > 5
        ]
        if load_w.size == 0 or load_w.mean() < 3000.0 or max(moved_k, default=0.0) < 4.0:
            continue
        yield DataFlag(
            channels=(name,),
            evidence=f"it stays at {measure(degc[starts[longest]], '°C', '.1f')} for {duration_s[longest] / 60:.0f} "
            f"min while another temperature moves by {measure(max(moved_k), 'K')}",
            spans=(span,),
        )


@detector("temperatures_swapped", Severity.RED, refuses=("temperatures",), effect_wh_per_km=0.0)
def _find_swapped(survey: DriveSurvey) -> Iterator[DataFlag]:
    """What makes the heat must not stay cooler than what carries it away."""
    pairs = (
        ("motor_temperature", "coolant_temperature"),
        ("inverter_temperature", "coolant_temperature"),
        ("coolant_temperature_outlet", "coolant_temperature"),
    )
    for hotter, cooler in pairs:
        if not survey.has(hotter, cooler) or not survey.is_drive:
            continue
        difference = survey.on_grid(hotter) - survey.on_grid(cooler)
        loaded = np.isfinite(difference) & survey.is_moving & (survey.time_s > survey.time_s[0] + 300.0)
        if loaded.sum() * survey.period_s < 120.0:
            continue
        below = float(np.mean(difference[loaded] < -2.0))
        if below < 0.7 or float(np.mean(np.nan_to_num(np.abs(survey.power_w[loaded])))) < 2000.0:
            continue
        yield DataFlag(
            channels=(hotter, cooler),
            evidence=f"{hotter.replace('_', ' ')} is below {cooler.replace('_', ' ')} for {100 * below:.0f} % of the "
            f"drive (median {measure(np.median(difference[loaded]), 'K', '+.1f')})",
        )
        return


@detector("ambient_in_sun", Severity.NOTE, effect_wh_per_km=0.0, needs="ambient_temperature", on_road=True)
def _find_ambient_in_sun(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Outside air that cools by many kelvin as soon as the vehicle moves was measured in the sun."""
    time_s, degc = survey.samples("ambient_temperature")
    if survey.drive.duration_s < 900.0:
        return
    early = float(np.median(degc[time_s <= time_s[0] + 60.0]))
    late = float(np.median(degc[time_s >= time_s[0] + 600.0])) if (time_s >= time_s[0] + 600.0).any() else early
    climb_m = 0.0
    elevation = survey.finite("elevation")
    if elevation is not None:
        climb_m = float(np.median(elevation[1]) - elevation[1][0])
    fall_k = early - late - 0.0065 * climb_m
    if fall_k < 4.0:
        return
    yield DataFlag(
        channels=("ambient_temperature",),
        evidence=f"it falls by {measure(fall_k, 'K', '.1f')} in the first ten minutes",
    )


@detector("temperature_slow", Severity.NOTE, effect_wh_per_km=0.0)
def _find_slow(survey: DriveSurvey) -> Iterator[DataFlag]:
    slow = {
        name: period_s
        for name in ("motor_temperature", "inverter_temperature")
        if name in survey.drive and (period_s := nominal_period_s(survey.drive[name].time_s)) > 15.0
    }
    if not slow:
        return
    name = max(slow, key=lambda key: slow[key])
    yield DataFlag(
        channels=tuple(slow),
        evidence=f"{name.replace('_', ' ')} comes every {slow[name]:.0f} s; windings change within 30 s",
    )
