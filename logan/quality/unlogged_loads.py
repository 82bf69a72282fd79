"""Loads of kilowatts for minutes that no channel shows, and energy from nowhere: pack power less what drives.

Where torque is logged, shaft power is what drives (its speed from the gearing where the motor's is not
logged); else it is the planned road power. Both are scaled by a robust regression on the drive itself, so
that neither the plan's error nor the load steers them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.drive.logged_loads import robust_slopes
from logan.flags import DataFlag, Severity, Span
from logan.quality.detector import detector
from logan.quality.runs import true_runs
from logan.quality.survey import DriveSurvey, centred_mean
from logan.units import BoolArray, FloatArray

_LEAST_W: Final = 1500.0
_LEAST_S: Final = 60.0
_SMOOTH_S: Final = 45.0
_TIMES_SPREAD: Final = 5.0
_LEAST_KNOWN_S: Final = 180.0
_LEAST_WH: Final = 40.0
_LEAST_SHARE: Final = 0.01


def unexplained_w(survey: DriveSurvey) -> tuple[FloatArray, str] | None:
    """Pack power beside drive, logged loads and base, smoothed over three quarters of a minute, and by what.

    Returns
    -------
    tuple of ndarray, shape (n,), and str, or None
        On the survey's grid, NaN where unknown [W]; and the words for what drives. None where too little is known.
    """
    if not survey.is_drive:
        return None
    shaft, words = survey.shaft_power_w, "torque times motor speed"
    if survey.has("motor_torque") and not survey.has("motor_speed"):
        turning = survey.speed_m_per_s / survey.metres_per_motor_radian
        shaft, words = survey.on_grid("motor_torque") * turning, "torque times road speed and gearing"
    if not survey.has("motor_torque"):
        shaft, words = survey.wheel_power_w, "the plan's road load"
    drive, pack = survey.smooth(shaft), survey.smooth(survey.power_w) - survey.logged_load_w
    known = np.isfinite(drive) & np.isfinite(pack) & ~survey.is_charging
    if known.sum() * survey.period_s < _LEAST_KNOWN_S:
        return None
    index = np.flatnonzero(known)[:: max(round(1.0 / survey.period_s), 1)]
    columns = np.column_stack([np.ones(index.shape), np.maximum(drive[index], 0.0), np.minimum(drive[index], 0.0)])
    slope, _ = robust_slopes(pack[index], columns, survey.time_s[index])
    base_w, sigma_w = survey.unlogged_base_w
    # A load that runs nearly all the time stands in the constant: no more than the base is taken for the base.
    level_w = float(np.clip(slope[0], base_w - 3.0 * sigma_w, base_w + 3.0 * sigma_w))
    left = pack - level_w - slope[1] * np.maximum(drive, 0.0) - slope[2] * np.minimum(drive, 0.0)
    left = np.where(known, left, np.nan)
    return centred_mean(left, max(round(0.5 * _SMOOTH_S / survey.period_s), 1)), words


def _find(survey: DriveSurvey, sign: float, code: str, title: str, remedy: str) -> Iterator[DataFlag]:
    found = unexplained_w(survey)
    if found is None:
        return
    left, words = found
    known = left[np.isfinite(left)]
    spread_w = 1.4826 * float(np.median(np.abs(known - np.median(known))))
    spans = _lasting(survey, sign * left > max(_LEAST_W, _TIMES_SPREAD * spread_w))
    energy_wh = sum(_energy_wh(survey, left, span) for span in spans)
    if abs(energy_wh) < max(_LEAST_WH, _LEAST_SHARE * abs(survey.net_wh)):
        return
    total_s = sum(span.duration_s for span in spans)
    yield DataFlag(
        code=code,
        severity=Severity.AMBER,
        channels=("pack_current",),
        title=title,
        evidence=f"{3.6 * energy_wh / total_s:+.1f} kW for {total_s / 60.0:.0f} min, {energy_wh:+.0f} Wh beside "
        f"{words}",
        remedy=remedy,
        spans=spans,
        effect_wh_per_km=survey.per_km(-energy_wh),
    )


@detector("load_nobody_logged")
def _find_load(survey: DriveSurvey) -> Iterator[DataFlag]:
    remedy = "Log the heater's and air conditioner's power, or note what was on; it counts in the consumption"
    return _find(survey, 1.0, "load_nobody_logged", "A load that nobody logged was on", remedy)


@detector("energy_from_nowhere")
def _find_source(survey: DriveSurvey) -> Iterator[DataFlag]:
    remedy = "Look for a second source or charger, a current sensor that passes only a part, or a tow"
    return _find(survey, -1.0, "energy_from_nowhere", "Driving took more than the pack gave", remedy)


def _lasting(survey: DriveSurvey, condition: BoolArray) -> tuple[Span, ...]:
    starts, lengths = true_runs(np.nan_to_num(condition).astype(bool))
    return tuple(
        Span(float(survey.time_s[start]), float(survey.time_s[start + length - 1]))
        for start, length in zip(starts, lengths, strict=True)
        if length * survey.period_s >= _LEAST_S
    )


def _energy_wh(survey: DriveSurvey, left: FloatArray, span: Span) -> float:
    inside = (survey.time_s >= span.start_s) & (survey.time_s <= span.end_s)
    return float(np.nansum(left[inside])) * survey.period_s / 3600.0
