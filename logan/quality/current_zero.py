"""Does the current sensor read zero when nothing flows, and does its zero stay put?"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.drive.current_zero import contactor_open_offset
from logan.flags import DataFlag, Severity
from logan.quality.detector import detector
from logan.quality.runs import middle_of, spans_of, true_runs
from logan.quality.survey import DriveSurvey
from logan.results import Estimate
from logan.units import FloatArray

SMALLEST_OFFSET_A: Final = 0.3
"""Offsets below this are within what a good sensor keeps. [A]"""
_FLOWING_A: Final = 20.0
"""More than this with open contactors is no offset: it is their state that is wrong. [A]"""


def standstill_excess_a(survey: DriveSurvey) -> tuple[FloatArray, FloatArray] | None:
    """Middle time [s] and current beyond the expected auxiliaries [A] of each rest, shape (k,) each."""
    if not survey.has("pack_current", "pack_voltage") or not survey.is_drive:
        return None
    base_w, _ = survey.unlogged_base_w
    excess = survey.current_a - (survey.logged_load_w + base_w) / np.maximum(survey.voltage_v, 10.0)
    usable = survey.is_resting & np.isfinite(excess)
    starts, lengths = true_runs(usable)
    long_enough = lengths * survey.period_s >= 2.0
    middles, levels = [], []
    for start, length in zip(starts[long_enough], lengths[long_enough], strict=True):
        middles.append(float(survey.time_s[start + length // 2]))
        levels.append(float(np.median(excess[start : start + length])))
    return (np.array(middles), np.array(levels)) if middles else None


def _offset_flag(survey: DriveSurvey, offset_a: float, evidence: str, severity: Severity) -> DataFlag:
    level_v = middle_of(survey.voltage_v) if survey.has("pack_voltage") else 0.0
    hours = survey.time_s.size * survey.period_s / 3600.0
    return DataFlag(
        code="current_zero_offset",
        severity=severity,
        channels=("pack_current",),
        title="Current sensor does not read zero at zero current",
        evidence=evidence,
        remedy="With the key on and the contactors open, note what the sensor reads for two minutes and set "
        "that as offset in the channel map; repeat it hot",
        effect_wh_per_km=survey.per_km(-offset_a * level_v * hours) if level_v else None,
    )


@detector("current_zero_offset")
def _find_offset(survey: DriveSurvey) -> Iterator[DataFlag]:
    opened = contactor_open_offset(survey.drive.channels)
    if isinstance(opened, Estimate) and abs(opened.value) < _FLOWING_A:
        if abs(opened.value) > SMALLEST_OFFSET_A:
            evidence = f"{opened.value:+.2f} A with the contactors open (±{opened.sigma or 0.0:.2f} A)"
            yield _offset_flag(survey, opened.value, evidence, Severity.AMBER)
        return
    rests = standstill_excess_a(survey)
    if rests is None:
        return
    level_v = middle_of(survey.voltage_v)
    offset_a, sigma_a = float(np.median(rests[1])), survey.unlogged_base_w[1] / max(level_v, 10.0)
    if offset_a > 0 and survey.has_unlogged_climate:
        return
    if abs(offset_a) > 3.0 * sigma_a + 2.0 * SMALLEST_OFFSET_A:
        evidence = (
            f"at standstill the current is {offset_a:+.1f} A away from what the auxiliaries explain "
            f"(±{sigma_a:.1f} A), over {rests[1].size} stops"
        )
        if offset_a > 0:
            evidence += f"; or something unlogged draws {offset_a * level_v:.0f} W all the time"
        elif (doubtful := _load_that_explains(survey, offset_a * level_v)) is not None:
            evidence += f"; or {doubtful} is logged and not really drawn, without which the rest fits"
        yield _offset_flag(survey, offset_a, evidence, Severity.AMBER)


def _load_that_explains(survey: DriveSurvey, missing_w: float) -> str | None:
    """The logged load whose power at rest is what the pack gives too little; None where none is."""
    for name in ("heater_power", "air_conditioning_power", "auxiliary_power"):
        if survey.has(name):
            level_w = middle_of(survey.on_grid(name)[survey.is_resting])
            if level_w > 500.0 and abs(level_w + missing_w) < 0.25 * level_w + 100.0:
                return f"{name.replace('_', ' ')} ({level_w:.0f} W)"
    return None


@detector("current_offset_drift", Severity.AMBER)
def _find_drift(survey: DriveSurvey) -> Iterator[DataFlag]:
    rests = standstill_excess_a(survey)
    if rests is None or rests[0].size < 5 or np.ptp(rests[0]) < 600.0 or survey.has_unlogged_climate:
        return
    time_s, level_a = rests
    slope, low, high = _slopes(time_s, level_a)
    moved_a = float(slope) * float(np.ptp(time_s))
    if np.ptp(level_a) == 0.0 or low * high <= 0.0 or abs(moved_a) < 1.0:
        return
    if abs(float(np.corrcoef(_ranks(time_s), _ranks(level_a))[0, 1])) < 0.8:
        return
    mean_a = 0.5 * moved_a
    level_v = middle_of(survey.voltage_v)
    hours = survey.time_s.size * survey.period_s / 3600.0
    yield DataFlag(
        channels=("pack_current",),
        title="Zero of the current sensor drifts during the drive",
        evidence=f"current at standstill moves by {moved_a:+.1f} A over {np.ptp(time_s) / 60:.0f} min "
        f"({time_s.size} stops, {float(slope) * 3600:+.1f} A per hour)",
        remedy="Note the zero with contactors open both cold and hot; a sensor that drifts with heat needs a better "
        "place or a replacement",
        effect_wh_per_km=survey.per_km(-mean_a * level_v * hours),
    )


def _slopes(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """Median of the slopes of all pairs, and its 95 % interval.

    References
    ----------
    .. [1] P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, from memory; ``scipy.stats.theilslopes`` loads too long.
    """
    later, earlier = np.tril_indices(x.size, -1)
    slopes = np.sort((y[later] - y[earlier]) / (x[later] - x[earlier]))
    spread = 1.959964 * np.sqrt(x.size * (x.size - 1) * (2 * x.size + 5) / 18.0)
    low, high = round((slopes.size - spread) / 2.0) - 1, round((slopes.size + spread) / 2.0)
    return float(np.median(slopes)), float(slopes[max(low, 0)]), float(slopes[min(high, slopes.size - 1)])


def _ranks(value: FloatArray) -> FloatArray:
    """Rank of each value; equal ones share their mean."""
    _, place, count = np.unique(value, return_inverse=True, return_counts=True)
    return (np.cumsum(count) - 0.5 * count)[place]


@detector("unlogged_load", Severity.AMBER)
def _find_load_step(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A heater, air conditioner or fan that switches at standstill and is in no channel."""
    if not survey.has("pack_current", "pack_voltage") or not survey.is_drive:
        return
    level_v = middle_of(survey.voltage_v)
    base_w, sigma_w = survey.unlogged_base_w
    unexplained_w = survey.smooth(survey.power_w) - survey.logged_load_w - base_w
    rests = standstill_excess_a(survey)
    if rests is None or level_v <= 0:
        return
    low_w, high_w = (float(power) * level_v for power in np.quantile(rests[1], [0.1, 0.9]))
    steady_w = float(np.median(rests[1])) * level_v
    limit_w = 3.0 * sigma_w + 600.0
    steps_w = _steps_at_rest(survey, unexplained_w)
    if steps_w.size == 0 and not (survey.has_unlogged_climate and (high_w > limit_w or high_w - low_w > 800.0)):
        return
    largest_w = float(steps_w[np.argmax(np.abs(steps_w))]) if steps_w.size else steady_w
    on_w = max(float(np.mean(rests[1])) * level_v, 0.0) or 0.5 * abs(largest_w)
    hours = survey.time_s.size * survey.period_s / 3600.0
    evidence = f"{low_w:+.0f} to {high_w:+.0f} W beside what is expected at standstill"
    if steps_w.size:
        evidence = f"power at standstill steps {steps_w.size} times, by up to {largest_w:+.0f} W; " + evidence
    yield DataFlag(
        channels=("pack_current",),
        title="Heater, air conditioning or another load is on and in no channel",
        evidence=evidence,
        remedy="Log the heater's and air conditioner's power (or at least their switch), or note in the drive when "
        "they were on; the fit takes the power for road load otherwise",
        spans=spans_of(survey.time_s, survey.is_resting & (unexplained_w > limit_w)),
        effect_wh_per_km=survey.per_km(-on_w * hours),
    )


def _steps_at_rest(survey: DriveSurvey, unexplained_w: FloatArray) -> FloatArray:
    """Lasting changes of more than 700 W inside a rest that no logged load accounts for. [W]"""
    width, settling = max(math.ceil(6.0 / survey.period_s), 3), math.ceil(3.0 / survey.period_s)
    steps = []
    starts, lengths = true_runs(survey.is_resting & np.isfinite(unexplained_w))
    for start, length in zip(starts + settling, lengths - settling, strict=True):
        if length < 3 * width:
            continue
        part = slice(start, start + length)
        jump = _level_change(unexplained_w[part], width)
        at = int(np.argmax(np.abs(jump)))
        known_w = abs(float(_level_change(survey.logged_load_w[part], width)[at]))
        noise_w = 3.0 * float(np.median(np.abs(np.diff(unexplained_w[part]))))
        if abs(jump[at]) > max(700.0, 5.0 * noise_w, 0.5 * known_w):
            steps.append(float(jump[at]))
    return np.array(steps)


def _level_change(value: FloatArray, width: int) -> FloatArray:
    """Median of each window less that of the window before it."""
    level = np.median(np.lib.stride_tricks.sliding_window_view(value, width), axis=1)
    return np.asarray(level[width:] - level[:-width])


@detector("load_not_drawn", Severity.AMBER, effect_wh_per_km=0.0)
def _find_not_drawn(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A logged auxiliary power that never leaves the pack."""
    for name, evidence in survey.loads_not_drawn.items():
        level_wh = float(np.nansum(survey.on_grid(name))) * survey.period_s / 3600.0
        yield DataFlag(
            channels=(name,),
            title=f"{name.replace('_', ' ').capitalize()} is logged but not drawn from the pack",
            evidence=f"{evidence}; its {level_wh:.0f} Wh over the drive are counted as none",
            remedy="Which of the two is it? Leave the other out of channels.toml"
            if survey.load_verdicts[name].twin
            else "It may be a request rather than a measurement, or in another unit: map another signal, or none",
        )
