"""Values that were not measured: straight lines, repeats and averages that an export put in."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.numerics import equal_runs, true_runs
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, centred_mean, resolution, spans_of
from logan.results import DataFlag, Severity
from logan.units import BoolArray, FloatArray

_LIVELY: Final = ("pack_current", "pack_voltage", "pack_power", "speed", "motor_speed", "motor_torque", "gnss_speed")
_SHORT_RUN: Final = 3
_FILLER_SAMPLES: Final = 15
_FILLER_S: Final = 1.5
_FEWEST_TOLD: Final = 3
"""Eighths of a drive that must have quick changes before anything is said of its averaging."""


def on_a_line(time_s: FloatArray, value: FloatArray, *, min_samples: int) -> BoolArray:
    """Samples in stretches of at least ``min_samples`` that lie exactly on one sloping line, shape (n,)."""
    on_line = np.zeros(value.shape, dtype=bool)
    if value.size < min_samples:
        return on_line
    slope = np.diff(value) / np.diff(time_s)
    # The last digits of a line suffer from the size of the values, not only of the slope.
    tolerance = 1e-6 * np.abs(slope[1:]) + 1e-11 * np.abs(value[1:-1]) / np.diff(time_s)[1:]
    straight = (np.abs(np.diff(slope)) <= tolerance) & (slope[1:] != 0.0)
    starts, lengths = true_runs(straight)
    keep = lengths + 2 >= min_samples
    for start, length in zip(starts[keep], lengths[keep], strict=True):
        on_line[start : start + length + 2] = True
    return on_line


@detector("straight_line_filler")
def _find_filler(survey: DriveSurvey) -> Iterator[DataFlag]:
    concerned, spans_by_channel = [], {}
    for name in _LIVELY:
        samples = survey.finite(name)
        if samples is None or samples[1].size < 100:
            continue
        line = on_a_line(*samples, min_samples=_FILLER_SAMPLES)
        line = _without_ramps_of_the_sensor(line, *samples)
        if not line.any() or line.mean() > 0.5:  # all of it: an interpolated export
            continue
        concerned.append(name)
        spans_by_channel[name] = spans_of(samples[0], line, min_samples=_FILLER_SAMPLES)
    # One channel alone may run straight for a moment; what fills a gap does so in all, or for long.
    if len(concerned) == 1:
        longest = [span for span in spans_by_channel[concerned[0]] if span.duration_s >= 3.0 * _FILLER_S]
        concerned, spans_by_channel = (concerned, {concerned[0]: tuple(longest)}) if longest else ([], {})
    if not concerned:
        return
    spans = spans_by_channel[concerned[0]]
    total_s = sum(span.duration_s for span in spans)
    share = total_s / max(survey.drive.duration_s, 1e-9)
    yield DataFlag(
        severity=Severity.RED if share > 0.1 else Severity.AMBER,
        channels=tuple(concerned),
        evidence=f"{', '.join(concerned)} run exactly straight for {total_s:.0f} s ({100 * share:.1f} % of the drive)",
        remedy=f'Cut them out: logan drive N --trim {spans[0].start_s:.1f}s..{spans[0].end_s:.1f}s --why "filled in"; '
        "export without filling gaps",
        spans=spans,
        refuses=("net_energy", "consumption", "regen", "peak_current") if share > 0.1 else (),
    )


def _without_ramps_of_the_sensor(line: BoolArray, time_s: FloatArray, value: FloatArray) -> BoolArray:
    """Drop short stretches, and those that climb by whole steps of the sensor: these may be measured."""
    step = resolution(value)
    starts, lengths = true_runs(line)
    result = np.zeros(line.shape, dtype=bool)
    for start, length in zip(starts, lengths, strict=True):
        rise = abs(float(value[start + 1] - value[start])) / step if step > 0 else 0.5
        on_steps = abs(rise - round(rise)) < 1e-3 and rise < 5.0
        lasting_s = float(time_s[start + length - 1] - time_s[start])
        if lasting_s >= _FILLER_S and (not on_steps or length >= 3 * _FILLER_SAMPLES):
            result[start : start + length] = True
    return result


@detector("interpolated_export", effect_wh_per_km=0.0)
def _find_interpolated(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A coarse log that was drawn finer: nearly every sample lies on a line between two coarse points."""
    for name in ("pack_current", "pack_voltage", "pack_power", "speed"):
        samples = survey.finite(name)
        if samples is None or samples[1].size < 100:
            continue
        time_s, value = samples
        moving = np.concatenate(([False], np.diff(value) != 0.0))
        line = on_a_line(time_s, value, min_samples=_SHORT_RUN)
        # A slow signal climbs by one step of the sensor at a time: that is no line between points.
        line[1:] &= np.abs(np.diff(value)) > 1.5 * resolution(value)
        if moving.sum() < 50 or line[moving].mean() < 0.6:
            continue
        slope = np.diff(value) / np.diff(time_s)
        corners = np.flatnonzero(np.abs(np.diff(slope)) > 1e-6 * np.abs(slope[1:]) + 1e-9 * np.max(np.abs(value)))
        coarse_s = float(np.median(np.diff(time_s[corners]))) if corners.size > 2 else float("nan")
        fine_s = float(np.median(np.diff(time_s)))
        yield DataFlag(
            severity=Severity.RED if coarse_s > 2.0 else Severity.AMBER,
            channels=(name,),
            evidence=f"{100 * line[moving].mean():.0f} % of the moving samples of {name.replace('_', ' ')} lie "
            f"exactly on straight lines; measured every {coarse_s:.1f} s, written every {fine_s:.2f} s",
            refuses=("peak_current", "regen") if coarse_s > 2.0 else ("peak_current",),
        )
        return


@detector("staircase", effect_wh_per_km=0.0)
def _find_staircase(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Values repeated to fill a finer time axis: changes come at one multiple of the period."""
    for name in ("pack_current", "pack_voltage", "pack_power", "speed"):
        samples = survey.finite(name)
        if samples is None or samples[1].size < 200:
            continue
        stride = _repeat_stride(survey, *samples)
        if stride < 2:
            continue
        period_s = float(np.median(np.diff(samples[0])))
        yield DataFlag(
            severity=Severity.AMBER if stride * period_s >= 0.5 else Severity.NOTE,
            channels=(name,),
            evidence=f"{name.replace('_', ' ')} changes every {stride} samples only: measured every "
            f"{stride * period_s:.1f} s, written every {period_s:.2f} s",
            refuses=("peak_current",) if stride * period_s >= 2.0 and name != "speed" else (),
        )


def _repeat_stride(survey: DriveSurvey, time_s: FloatArray, value: FloatArray) -> int:
    """How many samples a value is repeated; 1 where it is not."""
    moving = np.interp(time_s, survey.time_s, survey.is_moving.astype(float)) > 0.5 if survey.time_s.size else None
    starts, lengths = equal_runs(value)
    if starts.size < 50:
        return 1
    inner = lengths[1:-1]
    if moving is not None and moving[starts[1:-1]].sum() > 50:
        inner = inner[moving[starts[1:-1]]]
    stride = int(np.median(inner))
    if stride < 2 or inner.size < 40:
        return 1
    # Lost rows shift the phase, so lengths are looked at, not positions.
    whole = np.mean(np.mod(inner, stride) == 0)
    return stride if whole > 0.8 and np.mean(inner < stride) < 0.1 else 1


@detector("averaged_current", Severity.AMBER, refuses=("peak_current",), effect_wh_per_km=0.0)
def _find_averaged(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Current smoother than the voltage that it causes: a moving average."""
    if survey.drive.is_averaged or not survey.has("pack_current", "pack_voltage"):
        return
    current, period_s = survey.drive["pack_current"], float(np.median(np.diff(survey.drive["pack_current"].time_s)))
    if current.value.size < 300 or period_s > 1.0:
        return
    # Twenty minutes from the middle tell as much as the whole.
    middle_s = 0.5 * (current.time_s[0] + current.time_s[-1])
    start_s, end_s = max(current.time_s[0], middle_s - 600.0), min(current.time_s[-1], middle_s + 600.0)
    time_s = np.arange(start_s, end_s, max(period_s, 0.1))
    amp, volt = current.at(time_s), survey.drive["pack_voltage"].at(time_s)
    steps = tuple(resolution(survey.drive[name].value) for name in ("pack_current", "pack_voltage"))
    gain = _quick_voltage_gain(amp, volt, max(period_s, 0.1), steps)
    if gain is None or gain[0] < 1.6 or gain[0] - 3.0 * gain[1] < 1.45:
        return
    yield DataFlag(
        channels=("pack_current",),
        evidence=f"within a second the voltage moves {np.sqrt(gain[0]):.1f} times as much as the logged current "
        "explains: the current's quick changes are missing",
    )


def _quick_voltage_gain(
    amp: FloatArray, volt: FloatArray, period_s: float, steps: tuple[float, ...]
) -> tuple[float, float] | None:
    """Quick voltage changes over what the quick current changes explain, and its uncertainty.

    The scale between the two, the resistance, is taken from changes over several seconds.
    White noise of either is estimated and taken off; polarisation only lowers the ratio.
    More than one means that the current is smoother than what the voltage saw.
    """
    quick, slow = max(round(0.75 / period_s), 1), max(round(5.0 / period_s), 3)
    amp_slow, volt_slow = (centred_mean(value, quick) for value in (amp, volt))
    slow_amp = amp_slow - centred_mean(amp, slow)
    lag = _best_shift(amp, volt, max(round(3.0 / period_s), 3), slow)
    slow_volt = _delayed(volt_slow - centred_mean(volt, slow), lag)
    amp_floor, volt_floor = ((step / np.sqrt(12.0)) ** 2 for step in steps)
    gains = []
    for part in np.array_split(np.arange(amp.size), 8):
        ohm = _slope(slow_volt[part], slow_amp[part])
        amp_power, _ = _without_noise(amp[part], amp_slow[part])
        volt_power, noise = _without_noise(volt[part], volt_slow[part], volt_floor)
        if ohm is None or ohm >= 0.0 or not np.isfinite(amp_power + volt_power):
            continue
        # Quick changes must stand out of the voltage's own noise and steps, or they tell nothing.
        if volt_power > max(0.5 * noise, 1.5 * volt_floor):
            gains.append(volt_power / (ohm**2 * max(amp_power, amp_floor)))
    if len(gains) < _FEWEST_TOLD:
        return None
    middle = float(np.median(gains))
    return middle, 1.4826 * float(np.median(np.abs(np.array(gains) - middle))) / np.sqrt(len(gains))


def _without_noise(value: FloatArray, smooth: FloatArray, floor: float = 0.0) -> tuple[float, float]:
    """Variance of the quick changes without white noise, and that noise's own variance, at least ``floor``."""
    second = np.diff(value, 2)
    second = second[np.isfinite(second)]
    rest = (value - smooth)[np.isfinite(value - smooth)]
    if second.size < 50 or rest.size < 50:
        return np.nan, np.nan
    noise = max(float(np.mean(np.clip(second, *np.quantile(second, [0.05, 0.95])) ** 2)) / 6.0, floor)
    return max(float(np.var(rest)) - noise, 0.02 * noise + 1e-12), noise


def _best_shift(amp: FloatArray, volt: FloatArray, reach: int, slow: int) -> int:
    """By how many samples the voltage has to be delayed to fall when the current rises."""
    first, second = amp - centred_mean(amp, slow), volt - centred_mean(volt, slow)
    fits = []
    for lag in range(-reach, reach + 1):
        moved = _delayed(second, lag)
        both = np.isfinite(moved) & np.isfinite(first)
        fits.append(-float(np.mean(moved[both] * first[both])) if both.sum() > 50 else -np.inf)
    return int(np.argmax(fits)) - reach


def _delayed(value: FloatArray, lag: int) -> FloatArray:
    """Shift by whole samples, NaN where nothing is known."""
    if lag == 0:
        return value
    gap = np.full(min(abs(lag), value.size), np.nan)
    return np.concatenate((gap, value[:-lag])) if lag > 0 else np.concatenate((value[-lag:], gap))


def _slope(y: FloatArray, x: FloatArray) -> float | None:
    both = np.isfinite(x) & np.isfinite(y)
    square = float(np.sum(x[both] ** 2))
    return float(np.sum(x[both] * y[both])) / square if both.sum() > 50 and square > 0.0 else None
