"""Missing samples, gaps, and channels that are late against each other."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.drive.skew import LagEstimate, current_lag
from logan.numerics import nominal_period_s
from logan.quality.detector import detector
from logan.quality.survey import MAX_SPANS, DriveSurvey
from logan.results import DataFlag, Severity, Span
from logan.units import FloatArray
from logan.units.sentences import measure

_LEAST_DRIFT_S: Final = 0.3
_ROLLING_M_PER_S: Final = 3.0
_LONGEST_LOSS_S: Final = 30.0
_BIASED_RATIO: Final = 0.03
"""Energy missing beyond this, and beyond twice what chance explains, is not filled in: it hangs on the current."""

SMALLEST_SKEW_S: Final = 0.06
"""Skew below this moves the energy by less than 0.1 % at usual pack resistances. [s]"""


def lost_share(time_s: FloatArray) -> tuple[float, float]:
    """Share of the samples of a cyclic channel that are missing, and its uncertainty; zero where not cyclic."""
    step_s = np.diff(time_s)
    if step_s.size < 50:
        return 0.0, 0.0
    period_s = float(np.median(step_s))
    regular = np.abs(step_s - np.round(step_s / period_s) * period_s) < 0.3 * period_s
    if period_s <= 0.0 or regular.mean() < 0.9:
        return 0.0, 0.0
    whole = np.round(step_s / period_s)
    missing = float(np.sum(np.where((whole >= 2) & (step_s < 30.0), whole - 1, 0)))
    return missing / (missing + time_s.size), float(np.sqrt(missing)) / (missing + time_s.size)


def unsampled_wh(survey: DriveSurvey) -> tuple[float, float]:
    """Energy that the samples of the current which are missing would have added to what stands in for them. [Wh]

    What was asked for at their times (shaft power, else the planned road power) says what they would have been; what
    stands in is a straight line across a short gap and the mean power in a long one. Chance losses come out near zero:
    the second figure is their standard uncertainty, which the energy's own error budget holds.
    """
    current, voltage = survey.finite("pack_current"), survey.finite("pack_voltage")
    demand_w, asked = survey.asked_w, np.isfinite(survey.asked_w)
    if current is None or voltage is None or current[0].size < 50 or asked.sum() < 50:
        return 0.0, 0.0
    time_s, power_w = current[0], current[1] * np.interp(current[0], *voltage)
    step_s = np.diff(time_s)
    period_s = float(np.median(step_s))
    count = np.where(step_s < _LONGEST_LOSS_S, np.maximum(np.round(step_s / period_s) - 1.0, 0.0), 0.0).astype(np.int64)
    first = np.repeat(np.cumsum(count) - count, count)
    gone_s = np.repeat(time_s[:-1], count) + period_s * (np.arange(count.sum()) - first + 1.0)

    def columns(at_s: FloatArray) -> FloatArray:
        at_w = np.interp(at_s, survey.time_s[asked], demand_w[asked])
        return np.column_stack((np.ones(at_s.shape), np.maximum(at_w, 0.0), np.minimum(at_w, 0.0)))

    slopes, *_ = np.linalg.lstsq(columns(time_s), power_w, rcond=None)
    channel = survey.drive["pack_current"]
    is_bridged = np.repeat(step_s <= channel.max_gap_s, count)
    stands_in_w = np.where(is_bridged, np.interp(gone_s, time_s, power_w), float(np.mean(power_w)))
    gaps_s = step_s[count > 0]
    chance_wh = float(np.std(power_w) * np.sqrt(np.sum(gaps_s * np.minimum(gaps_s, _LONGEST_LOSS_S)))) / 3600.0
    return float(np.sum(columns(gone_s) @ slopes - stands_in_w)) * period_s / 3600.0, chance_wh


@detector("lost_samples")
def _find_lost(survey: DriveSurvey) -> Iterator[DataFlag]:
    shares: dict[str, float] = {}
    by_axis: dict[int, tuple[float, float]] = {}
    for name, channel in survey.drive.channels.items():
        # Channels of one message share their times: look at each axis once.
        axis = id(channel.time_s if channel.time_s.base is None else channel.time_s.base)
        if axis not in by_axis:
            by_axis[axis] = lost_share(channel.time_s)
        share, sigma = by_axis[axis]
        # A few samples of a slow channel say little about the share.
        if not channel.is_derived and share - 2.0 * sigma > 0.01:
            shares[name] = share
    if not shares:
        return
    worst = max(shares, key=lambda name: shares[name])
    lacking_wh, chance_wh = unsampled_wh(survey) if "pack_current" in shares else (0.0, 0.0)
    is_biased = abs(lacking_wh) > max(_BIASED_RATIO * abs(survey.net_wh), 2.0 * chance_wh)
    step_s = np.diff(survey.drive[worst].time_s)
    longest_s = float(np.max(step_s))
    yield DataFlag(
        severity=Severity.RED if shares[worst] > 0.1 else Severity.AMBER,
        channels=tuple(sorted(shares)),
        evidence=f"{100 * shares[worst]:.1f} % of {worst} is missing (longest step {longest_s:.1f} s, usual "
        f"{float(np.median(step_s)):.2f} s); {len(shares)} channels concerned"
        + (f"; they are missing where power is asked for: some {lacking_wh:+.0f} Wh" if is_biased else ""),
        effect_wh_per_km=survey.per_km(lacking_wh) if is_biased else None,
        refuses=("net_energy", "consumption", "regen", "fit") if is_biased else (),
    )


@detector("log_gap")
def _find_gaps(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Nothing at all was logged for a while."""
    every = survey.every_sample_s
    if every.size < 20:
        return
    step_s = np.diff(every)
    periods = [nominal_period_s(c.time_s) for c in survey.drive.channels.values() if c.time_s.size > 20]
    fastest_s = min(periods, default=1.0)
    gaps = np.flatnonzero(step_s > max(2.0, 5.0 * fastest_s))
    if gaps.size == 0:
        return
    total_s = float(step_s[gaps].sum())
    share = total_s / float(every[-1] - every[0])
    spans = tuple(Span(float(every[k]), float(every[k + 1])) for k in gaps[:MAX_SPANS])
    yield DataFlag(
        severity=Severity.RED if share > 0.1 else Severity.AMBER,
        evidence=f"{gaps.size} gaps, {total_s:.0f} s in all ({100 * share:.1f} % of the drive)",
        spans=spans,
    )


@detector("voltage_current_skew", Severity.AMBER, needs="pack_voltage pack_current")
def _find_skew(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Voltage and current late against each other."""
    lag = current_lag(survey.drive["pack_voltage"], survey.drive["pack_current"])
    if not isinstance(lag, LagEstimate) or not lag.is_significant or abs(lag.lag_s) < SMALLEST_SKEW_S:
        return
    late = "current" if lag.lag_s > 0 else "voltage"
    yield DataFlag(
        channels=("pack_voltage", "pack_current"),
        evidence=f"{late} is {abs(lag.lag_s):.2f} s late (±{0.5 * (lag.high_s - lag.low_s):.2f} s, 90 %); it explains "
        f"{100 * lag.r2_ratio:.0f} % of the voltage's changes there",
        remedy=f"Set delay_s = {abs(lag.lag_s):.2f} for the pack {late} in the channel map, or log both in one message",
        effect_wh_per_km=_skew_effect(survey, lag.lag_s),
    )


def _skew_effect(survey: DriveSurvey, lag_s: float) -> float | None:
    """Mean power error of an ohmic pack, R (rho(0) - rho(delay)), over the drive. [Wh/km]"""
    steps = round(abs(lag_s) / survey.period_s)
    amp = survey.current_a[np.isfinite(survey.current_a)]
    if steps < 1 or amp.size <= 2 * steps:
        return 0.0
    amp = amp - amp.mean()
    fall = float(np.mean(amp * amp) - np.mean(amp[steps:] * amp[:-steps]))
    error_w = survey.build.pack.resistance_ohm.value * fall
    return survey.per_km(-error_w * survey.time_s.size * survey.period_s / 3600.0)


@detector("channels_out_of_step", Severity.AMBER, effect_wh_per_km=0.0)
def _find_speed_lag(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Speed late against the motor's speed, or against satellite speed beyond what receivers need."""
    for other, allowed_s in (("motor_speed", 0.3), ("gnss_speed", 1.5)):
        found = survey.speed_against(other)
        if found is None or not found.low_s <= found.lag_s <= found.high_s:
            continue
        certain_s = min(abs(found.low_s), abs(found.high_s)) if found.low_s * found.high_s > 0.0 else 0.0
        if certain_s < allowed_s:
            continue
        late = "speed" if found.lag_s < 0 else other
        yield DataFlag(
            channels=("speed", other),
            evidence=f"{late} is {abs(found.lag_s):.1f} s late (±{found.high_s - found.lag_s:.1f} s)",
            remedy=f"Set delay_s = {abs(found.lag_s):.1f} for {late} in the channel map; if the sources have clocks of "
            "their own, import them together so that their clocks are aligned",
        )
        return


@detector("clock_drift", Severity.AMBER, effect_wh_per_km=0.0)
def _find_drift(survey: DriveSurvey) -> Iterator[DataFlag]:
    """The lag between logger and satellite receiver grows or shrinks during the drive."""
    found = survey.speed_against("gnss_speed")
    if found is None or found.drift_low_ppm * found.drift_high_ppm <= 0.0:
        return
    moved_s = abs(found.drift_ppm) * 1e-6 * survey.drive.duration_s
    if moved_s < _LEAST_DRIFT_S:
        return
    yield DataFlag(
        channels=("speed", "gnss_speed"),
        evidence=f"by {moved_s:.1f} s over the drive, {found.drift_ppm:+.0f} ppm ({found.drift_low_ppm:+.0f} to "
        f"{found.drift_high_ppm:+.0f} ppm)",
    )


@detector("log_cut", Severity.NOTE, effect_wh_per_km=0.0)
def _find_cut(survey: DriveSurvey) -> Iterator[DataFlag]:
    """The log begins or ends while the vehicle is moving."""
    speed = survey.speed_m_per_s[np.isfinite(survey.speed_m_per_s)]
    edge = max(round(2.0 / survey.period_s), 2)
    if not survey.is_drive or speed.size < 2 * edge:
        return
    starts, ends = (float(np.median(part)) > _ROLLING_M_PER_S for part in (speed[:edge], speed[-edge:]))
    if not (starts or ends):
        return
    first_s, last_s = float(survey.time_s[0]), float(survey.time_s[-1])
    words = [f"the first speed is {measure(3.6 * float(speed[0]), 'km/h')}"] if starts else []
    words += [f"the last speed is {measure(3.6 * float(speed[-1]), 'km/h')}"] if ends else []
    yield DataFlag(
        channels=("speed",),
        title=f"Log {' and '.join(['begins'] * starts + ['ends'] * ends)} while driving",
        evidence="; ".join(words),
        spans=(*((Span(first_s, first_s + 2.0),) * starts), *((Span(last_s - 2.0, last_s),) * ends)),
    )
