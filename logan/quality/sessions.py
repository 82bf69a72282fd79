"""What does not belong to one drive: charging, parking, several sessions, open contactors."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.flags import DataFlag, Severity, Span
from logan.quality.detector import detector
from logan.quality.runs import spans_of, true_runs, when
from logan.quality.survey import DriveSurvey

_LONG_STOP_S: Final = 600.0
_SESSION_GAP_S: Final = 900.0


@detector("charging_in_drive")
def _find_charging(survey: DriveSurvey) -> Iterator[DataFlag]:
    if survey.time_s.size < 10:
        return
    charging = survey.is_charging & ~survey.is_moving
    if charging.sum() * survey.period_s < 30.0 or not survey.is_moving.any():
        return
    spans = spans_of(survey.time_s, charging, min_samples=3)
    charged_wh = float(np.nansum(-survey.power_w[charging])) * survey.period_s / 3600.0
    yield DataFlag(
        code="charging_in_drive",
        severity=Severity.AMBER,
        channels=("pack_current", "speed"),
        title="Charging is mixed into the drive",
        evidence=f"{charged_wh:.0f} Wh went into the pack at standstill in "
        f"{charging.sum() * survey.period_s / 60:.0f} min; "
        f"{when(spans)}",
        remedy="Split the log there, or mask the span: it counts as regen otherwise",
        spans=spans,
        effect_wh_per_km=survey.per_km(charged_wh),
    )


@detector("parked_in_drive")
def _find_parked(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Long stands whose consumption is counted into the drive's."""
    if not survey.is_drive:
        return
    idle = ~survey.is_moving & np.isfinite(survey.power_w) & ~survey.is_charging
    starts, lengths = true_runs(idle)
    keep = lengths * survey.period_s >= _LONG_STOP_S
    if not keep.any():
        return
    parked = np.zeros(idle.shape, dtype=bool)
    for start, length in zip(starts[keep], lengths[keep], strict=True):
        parked[start : start + length] = True
    used_wh = float(np.nansum(survey.power_w[parked])) * survey.period_s / 3600.0
    spans = spans_of(survey.time_s, parked)
    yield DataFlag(
        code="parked_in_drive",
        severity=Severity.NOTE,
        channels=("speed", "pack_current"),
        title="A long stand counts into the drive",
        evidence=f"{parked.sum() * survey.period_s / 60:.0f} min at standstill use {used_wh:.0f} Wh; {when(spans)}",
        remedy="Split the drive there, or mask the span, before comparing consumption",
        spans=spans,
        effect_wh_per_km=survey.per_km(-used_wh),
    )


@detector("several_sessions")
def _find_sessions(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A quarter of an hour without any sample, or an odometer that jumps: several drives in one."""
    every = survey.every_sample_s
    gaps = np.flatnonzero(np.diff(every) > _SESSION_GAP_S)
    spans = tuple(Span(float(every[k]), float(every[k + 1])) for k in gaps)
    odometer = survey.finite("odometer")
    jumped_m = 0.0
    if odometer is not None and odometer[1].size > 10:
        step = np.diff(odometer[1])
        allowed_m = 70.0 * np.diff(odometer[0]) + 5000.0
        odd = (step > allowed_m) | (step < -1000.0)
        jumped_m = float(step[odd][0]) if odd.any() and odd.sum() <= 3 else 0.0
    if not spans and jumped_m == 0.0:
        return
    evidence = [f"nothing for more than {_SESSION_GAP_S / 60:.0f} min, {len(spans)} times"] if spans else []
    if jumped_m:
        evidence.append(f"the odometer jumps by {jumped_m / 1000:+.1f} km")
    yield DataFlag(
        code="several_sessions",
        severity=Severity.AMBER,
        channels=("odometer",) if jumped_m else (),
        title="Several sessions, or several vehicles, are in one drive",
        evidence="; ".join(evidence),
        remedy="Import the sessions as separate drives",
        spans=spans,
        effect_wh_per_km=None,
    )


@detector("current_with_contactor_open")
def _find_open_contactor(survey: DriveSurvey) -> Iterator[DataFlag]:
    contactor, current = survey.drive.get("contactor_closed"), survey.finite("pack_current")
    if contactor is None or current is None or contactor.time_s.size < 2:
        return
    time_s, amp = current
    closed = contactor.at(time_s, max_gap_s=max(contactor.max_gap_s, 3.0))
    wrong = np.isfinite(closed) & (closed < 0.5) & (np.abs(amp) > 5.0)
    period_s = float(np.median(np.diff(time_s)))
    # The state may come a second late: only what lasts is a contradiction.
    starts, lengths = true_runs(wrong)
    lasting = lengths * period_s > max(1.0, 2.0 * float(np.median(np.diff(contactor.time_s))))
    if not lasting.any():
        return
    held = np.zeros(wrong.shape, dtype=bool)
    for start, length in zip(starts[lasting], lengths[lasting], strict=True):
        held[start : start + length] = True
    spans = spans_of(time_s, held)
    worst_a = float(amp[held][np.argmax(np.abs(amp[held]))])
    yield DataFlag(
        code="current_with_contactor_open",
        severity=Severity.RED,
        channels=("contactor_closed", "pack_current"),
        title="Current flows although the contactors are open",
        evidence=f"up to {worst_a:+.0f} A; {when(spans)}",
        remedy="Check that the contactor signal is not inverted or late, and the current sensor; a contactor that is "
        "welded shut is dangerous: measure with a rated tester before touching anything",
        spans=spans,
        effect_wh_per_km=None,
    )


@detector("contactor_opened_under_load")
def _find_opened_under_load(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Contactors that open with more than 50 A flowing wear, arc and may weld (common practice)."""
    contactor = survey.finite("contactor_closed")
    current = survey.finite("pack_current")
    if contactor is None or current is None:
        return
    opens = np.flatnonzero((contactor[1][:-1] > 0.5) & (contactor[1][1:] < 0.5))
    events = []
    for index in opens:
        before = (current[0] >= contactor[0][index] - 0.3) & (current[0] <= contactor[0][index] + 0.1)
        level_a = float(np.median(np.abs(current[1][before]))) if before.any() else 0.0
        if level_a > 50.0:
            events.append((float(contactor[0][index]), level_a))
    if not events:
        return
    yield DataFlag(
        code="contactor_opened_under_load",
        severity=Severity.RED,
        channels=("contactor_closed", "pack_current"),
        title="Contactors opened under load",
        evidence=f"with {max(level for _, level in events):.0f} A flowing, {len(events)} times",
        remedy="Find out what opened them (crash input, interlock, BMS fault) and have the contactors checked for "
        "welding and wear",
        spans=tuple(Span(at, at) for at, _ in events),
        effect_wh_per_km=0.0,
    )
