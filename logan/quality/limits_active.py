"""Spans in which a limit held the vehicle back: true data, but no basis for claims about peaks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, lasting, spans_of, when
from logan.results import DataFlag, Severity
from logan.units import BoolArray


@detector("derate_active", Severity.NOTE, effect_wh_per_km=0.0)
def _find_derate(survey: DriveSurvey) -> Iterator[DataFlag]:
    if survey.time_s.size < 20:
        return
    reasons: dict[str, BoolArray] = {}
    if survey.has("motor_torque_command", "motor_torque"):
        asked, given = np.abs(survey.on_grid("motor_torque_command")), np.abs(survey.on_grid("motor_torque"))
        top = np.nanquantile(asked, 0.999) if np.isfinite(asked).any() else 0.0
        # The two are sampled apart: only what holds against the neighbours too is a limit.
        asked, given = minimum_filter1d(np.nan_to_num(asked), 3), maximum_filter1d(np.nan_to_num(given), 3)
        reasons["torque stays below what is asked"] = asked - given > max(0.12 * top, 10.0)
    if survey.has("discharge_current_limit", "pack_current"):
        limit = survey.on_grid("discharge_current_limit")
        near = (survey.current_a > 0.95 * limit) & (limit > 5.0)
        reasons["current is at the BMS's discharge limit"] = np.nan_to_num(near).astype(bool)
    if survey.has("charge_current_limit", "pack_current"):
        limit = survey.on_grid("charge_current_limit")
        near = (-survey.current_a > 0.95 * limit) & (limit > 5.0)
        reasons["current is at the BMS's charge limit"] = np.nan_to_num(near).astype(bool)
    held = np.zeros(survey.time_s.shape, dtype=bool)
    words = []
    for text, condition in reasons.items():
        held_back = lasting(condition, max(int(np.ceil(1.0 / survey.period_s)), 2))
        if held_back.any():
            words.append(f"{text} for {held_back.sum() * survey.period_s:.0f} s")
            held |= held_back
    if not words:
        return
    spans = spans_of(survey.time_s, held)
    yield DataFlag(
        channels=("motor_torque", "pack_current"),
        title="A limit held the vehicle back",
        evidence=f"{'; '.join(words)}; {when(spans)}",
        remedy="Leave these spans out of claims about efficiency and peak; see which limit it was and what was "
        "hot or empty",
        spans=spans,
    )
