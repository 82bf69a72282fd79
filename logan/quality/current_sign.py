"""Is the sign of the pack current right, everywhere? Does it read zero when nothing flows, and stay there?"""

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.drive.skew import contactor_open_offset
from logan.numerics import integrate, true_runs
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, middle_of, resolution, spans_of
from logan.results import DataFlag, Estimate, Severity
from logan.units import BoolArray, FloatArray

SIGNED_METRICS: Final = (
    *("net_energy", "consumption", "regen", "charge", "resistance", "usable_energy", "efficiency", "fit"),
)
"""Metrics that mean nothing while the sign of the current is in doubt."""


def sign_votes(survey: DriveSurvey) -> dict[str, tuple[int, str]]:
    """What motion, voltage sag and state of charge each say about the sign: +1 right, -1 reversed."""
    votes = {
        "motion": _motion_vote(survey),
        "voltage sag": _sag_vote(survey),
        "SOC": _charge_vote(survey),
        "charging": _plug_vote(survey),
    }
    return {name: vote for name, vote in votes.items() if vote is not None}


def _motion_vote(survey: DriveSurvey) -> tuple[int, str] | None:
    """Power must follow what the motion needs; uncentred, so that a steady drive counts too."""
    needed, drawn = survey.wheel_power_w, survey.smooth(survey.power_w)
    usable = survey.is_moving & np.isfinite(needed) & np.isfinite(drawn)
    if not survey.is_drive or usable.sum() < 20:
        return None
    needed, drawn = needed[usable], drawn[usable]
    scale = float(np.sqrt(np.mean(needed**2) * np.mean(drawn**2)))
    if np.sqrt(np.mean(needed**2)) < 1500.0 or scale == 0.0:
        return None
    similarity = float(np.mean(needed * drawn)) / scale
    if abs(similarity) < 0.4:
        return None
    words = "with" if similarity > 0 else "against"
    return int(np.sign(similarity)), f"power moves {words} what the motion needs (similarity {similarity:+.2f})"


def _sag_vote(survey: DriveSurvey) -> tuple[int, str] | None:
    """Voltage must sag when the pack is discharged."""
    if not survey.has("pack_voltage", "pack_current"):
        return None
    lag = max(round(1.0 / survey.period_s), 1)
    if survey.time_s.size < 40 + lag:
        return None
    volt, amp = survey.voltage_v[lag:] - survey.voltage_v[:-lag], survey.current_a[lag:] - survey.current_a[:-lag]
    usable = np.isfinite(volt) & np.isfinite(amp)
    volt, amp = volt[usable], amp[usable]
    if volt.size < 40 or np.std(amp) < 3.0 or np.std(volt) == 0.0:
        return None
    correlation = float(np.corrcoef(volt, amp)[0, 1])
    slope_ohm = -correlation * float(np.std(volt) / np.std(amp))
    if abs(correlation) < 0.4:
        return None
    sign = 1 if correlation < 0 else -1
    return sign, f"voltage {'falls' if sign > 0 else 'rises'} by {abs(slope_ohm):.3f} V per ampere of discharge"


def _charge_vote(survey: DriveSurvey) -> tuple[int, str] | None:
    """State of charge must fall by what is taken out."""
    soc = survey.finite("state_of_charge")
    current = survey.finite("pack_current")
    if soc is None or current is None:
        return None
    count = max(soc[1].size // 50, 1)
    fall = float(np.median(soc[1][:count]) - np.median(soc[1][-count:]))
    taken_ah = integrate(*current).total / 3600.0
    if abs(fall) < max(0.02, 3.0 * resolution(soc[1])) or abs(taken_ah) < 0.3:
        return None
    sign = 1 if fall * taken_ah > 0 else -1
    return sign, f"SOC moves by {-100 * fall:+.1f} % while {taken_ah:+.1f} Ah are counted as taken out"


def _plug_vote(survey: DriveSurvey) -> tuple[int, str] | None:
    """While the charger runs, current must flow into the pack."""
    charging = survey.drive.get("charging")
    current = survey.finite("pack_current")
    if charging is None or current is None:
        return None
    plugged = charging.at(current[0], max_gap_s=max(charging.max_gap_s, 3.0)) > 0.5
    if plugged.sum() < 20 or abs(level_a := float(np.median(current[1][plugged]))) < 1.0:
        return None
    return (-1 if level_a > 0 else 1), f"the current reads {level_a:+.1f} A while charging"


@detector("current_sign_reversed", Severity.RED)
def _find_reversed(survey: DriveSurvey) -> Iterator[DataFlag]:
    if not survey.has("pack_current") and not survey.has("pack_power"):
        return
    votes = sign_votes(survey)
    signs = {sign for sign, _ in votes.values()}
    if signs != {-1}:
        return
    yield DataFlag(
        channels=("pack_current",),
        evidence="; ".join(text for _, text in votes.values()),
        effect_wh_per_km=survey.net_times(-2.0),
        refuses=SIGNED_METRICS,
    )


@detector("current_sign_unresolved", Severity.RED, needs="pack_current")
def _find_unresolved(survey: DriveSurvey) -> Iterator[DataFlag]:
    votes = sign_votes(survey)
    signs = {sign for sign, _ in votes.values()}
    if len(signs) == 1:
        return
    evidence = "; ".join(text for _, text in votes.values())
    yield DataFlag(
        channels=("pack_current",),
        title="Sign of the pack current cannot be told" if not signs else "Evidence on the current's sign disagrees",
        evidence=evidence or "no speed, voltage sag or SOC moves enough to compare the current with",
        refuses=SIGNED_METRICS,
    )


@detector("current_magnitude_only", Severity.RED)
def _find_magnitude(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A logger that keeps only the size of the current counts regen as consumption."""
    braking, drawn = _braking(survey)
    samples = survey.finite("pack_current")
    if samples is None or braking.sum() * survey.period_s < 5.0 or np.quantile(samples[1], 0.002) < -3.0:
        return
    needed, drawn = -survey.wheel_power_w[braking], drawn[braking]
    base_w = sum(survey.unlogged_base_w) + float(np.median(survey.logged_load_w[braking]))
    surplus = drawn - base_w
    if np.median(surplus) < 0.15 * np.median(needed) or np.corrcoef(needed, drawn)[0, 1] < 0.3:
        return
    regen_wh = float(np.sum(np.maximum(surplus, 0.0))) * survey.period_s / 3600.0
    effect = survey.per_km(-2.0 * regen_wh)
    spans = spans_of(survey.time_s, braking, min_samples=2)
    yield DataFlag(
        channels=("pack_current",),
        evidence=f"while braking with {np.median(needed) / 1000:.1f} kW at the wheels the pack seems to give "
        f"{np.median(drawn) / 1000:.1f} kW; the lowest current is {np.min(samples[1]):.1f} A",
        spans=spans,
        effect_wh_per_km=effect,
        refuses=SIGNED_METRICS,
    )


def _braking(survey: DriveSurvey) -> tuple[BoolArray, FloatArray]:
    """Where the planned vehicle would have to brake with more than 5 kW, and the smoothed pack power. [W]"""
    drawn = survey.smooth(survey.power_w)
    return np.asarray((np.nan_to_num(survey.wheel_power_w) < -5000.0) & np.isfinite(drawn)), drawn


@detector("current_unsigned_wrap", Severity.RED, needs="pack_current")
def _find_wrap(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Small negative currents read as the top of an unsigned range."""
    time_s, amp = survey.samples("pack_current")
    if amp.size < 50:
        return
    cluster = high_cluster(amp)
    if cluster is None:
        return
    floor, usual_top = cluster
    high = amp >= floor
    # A single spike is another fault; wrapping comes in stretches, whenever regen begins.
    if high.sum() < 5 or np.any(amp < -2.0 - 3.0 * resolution(amp)):
        return
    top = float(np.max(amp))
    excess_ah = float(np.sum(amp[high])) * float(np.median(np.diff(time_s))) / 3600.0
    volt = survey.finite("pack_voltage")
    level_v = float(np.median(volt[1])) if volt is not None else 350.0
    yield DataFlag(
        channels=("pack_current",),
        evidence=f"{int(high.sum())} samples between {floor:.0f} and {top:.0f} A, nothing between them and "
        f"{usual_top:.0f} A",
        spans=spans_of(time_s, high),
        effect_wh_per_km=survey.per_km(-excess_ah * level_v),
        refuses=(*SIGNED_METRICS, "peak_current", "rms_current"),
    )


def high_cluster(value: FloatArray) -> tuple[float, float] | None:
    """Floor of a separate group of high values, and the top of the usual ones; None where there is one group."""
    ordered = np.sort(value)
    gaps = np.diff(ordered)
    split = int(np.argmax(gaps))
    usual = ordered[: split + 1]
    spread = float(np.quantile(usual, 0.99) - np.quantile(usual, 0.01)) if usual.size > 20 else np.inf
    if gaps[split] < max(3.0 * spread, 50.0) or usual.size < 0.5 * ordered.size:
        return None
    return float(ordered[split + 1]), float(ordered[split])


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


def _offset_flag(survey: DriveSurvey, offset_a: float, evidence: str) -> DataFlag:
    level_v = middle_of(survey.voltage_v) if survey.has("pack_voltage") else 0.0
    hours = survey.time_s.size * survey.period_s / 3600.0
    return DataFlag(
        channels=("pack_current",),
        evidence=evidence,
        effect_wh_per_km=survey.per_km(-offset_a * level_v * hours) if level_v else None,
    )


@detector("current_zero_offset", Severity.AMBER)
def _find_offset(survey: DriveSurvey) -> Iterator[DataFlag]:
    opened = contactor_open_offset(survey.drive.channels)
    if isinstance(opened, Estimate) and abs(opened.value) < _FLOWING_A:
        if abs(opened.value) > SMALLEST_OFFSET_A:
            evidence = f"{opened.value:+.2f} A with the contactors open (±{opened.spread:.2f} A)"
            yield _offset_flag(survey, opened.value, evidence)
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
        yield _offset_flag(survey, offset_a, evidence)


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
        evidence=f"current at standstill moves by {moved_a:+.1f} A over {np.ptp(time_s) / 60:.0f} min "
        f"({time_s.size} stops, {float(slope) * 3600:+.1f} A per hour)",
        effect_wh_per_km=survey.per_km(-mean_a * level_v * hours),
    )


def _slopes(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """Median of the slopes of all pairs, and its 95 % interval.

    References
    ----------
    .. [1] P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379, from memory; ``scipy.stats``, which has it, loads too long.
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


@detector("unlogged_load", Severity.AMBER, needs="pack_current pack_voltage", on_road=True)
def _find_load_step(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A heater, air conditioner or fan that switches at standstill and is in no channel."""
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
        evidence=evidence,
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
            evidence=f"{evidence}; its {level_wh:.0f} Wh over the drive are counted as none",
            remedy="Which of the two is it? Leave the other out of channels.toml"
            if survey.load_verdicts[name].twin
            else "It may be a request rather than a measurement, or in another unit: map another signal, or none",
        )
