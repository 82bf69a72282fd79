"""Is the state of charge a measurement, and does it move as charge is taken out?"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.numerics import cumulative, equal_runs, lasting
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, resolution, spans_of
from logan.results import DataFlag, Severity, Span
from logan.units import FloatArray
from logan.units.sentences import measure


def _taken_ratio(survey: DriveSurvey, at_s: FloatArray) -> FloatArray | None:
    """Charge taken out as a share of the pack's planned capacity, at some times. [ratio]"""
    current = survey.finite("pack_current")
    pack = survey.build.pack
    capacity_ah = pack.cell_capacity_ah.value * pack.cells_in_parallel
    if current is None or capacity_ah <= 0.0:
        return None
    return np.interp(at_s, current[0], cumulative(*current, max_gap_s=10.0)) / (3600.0 * capacity_ah)


@detector("soc_jump", Severity.AMBER, refuses=("usable_energy",), effect_wh_per_km=0.0, needs="state_of_charge")
def _find_jump(survey: DriveSurvey) -> Iterator[DataFlag]:
    time_s, soc = survey.samples("state_of_charge")
    if soc.size < 10:
        return
    change = np.diff(soc)
    taken = _taken_ratio(survey, time_s)
    expected = np.zeros(change.shape) if taken is None else -np.diff(taken)
    # Half a per cent a minute is the most that a drive takes out of a pack (common practice).
    allowed = np.maximum(0.019, 2.5 * resolution(soc)) + np.minimum(0.5 * np.diff(time_s) / 60.0, 0.05)
    jumps = np.abs(change - expected) > allowed
    spikes = np.zeros(jumps.shape, dtype=bool)
    spikes[1:] = jumps[1:] & jumps[:-1] & (np.abs(change[1:] + change[:-1]) < 0.005)  # there and back: a spike
    jumps &= ~spikes & ~np.concatenate((spikes[1:], [False]))
    if not jumps.any() or jumps.mean() > 0.02:
        return
    first = int(np.flatnonzero(jumps)[0])
    early = time_s[first] - time_s[0] < 60.0
    worst = float(change[jumps][np.argmax(np.abs(change[jumps]))])
    yield DataFlag(
        channels=("state_of_charge",),
        title="SOC is reset at the start" if early else "SOC jumps",
        evidence=f"by {100 * worst:+.1f} % from one sample to the next",
        spans=spans_of(time_s[1:], jumps),
    )


@detector("soc_stuck", Severity.AMBER, refuses=("usable_energy",), effect_wh_per_km=0.0, needs="state_of_charge")
def _find_stuck(survey: DriveSurvey) -> Iterator[DataFlag]:
    time_s, soc = survey.samples("state_of_charge")
    if soc.size < 10:
        return
    taken = _taken_ratio(survey, time_s)
    if taken is None:
        return
    step = resolution(soc)
    starts, lengths = equal_runs(soc)
    moved = np.abs(taken[starts + lengths - 1] - taken[starts])
    longest = int(np.argmax(moved))
    if moved[longest] < max(0.04, 3.0 * step):
        return
    span = Span(float(time_s[starts[longest]]), float(time_s[starts[longest] + lengths[longest] - 1]))
    yield DataFlag(
        channels=("state_of_charge",),
        evidence=f"it stays at {100 * float(soc[starts[longest]]):.1f} % while {100 * float(moved[longest]):.1f} % of "
        f"the pack's capacity is taken out",
        spans=(span,),
    )


@detector(
    "soc_circular",
    Severity.NOTE,
    refuses=("usable_energy",),
    effect_wh_per_km=0.0,
    needs="state_of_charge pack_current",
)
def _find_circular(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A gauge that is counted from the same current says nothing new about the capacity."""
    time_s, soc = survey.samples("state_of_charge")
    if soc.size < 100 or resolution(soc) > 0.0012:
        return
    current = survey.samples("pack_current")
    if np.ptp(soc) < 0.02:
        return
    counted = np.interp(time_s, current[0], cumulative(*current, max_gap_s=10.0))
    design = np.column_stack((np.ones(counted.size), counted))
    weights, *_ = np.linalg.lstsq(design, soc, rcond=None)
    residual = float(np.std(soc - design @ weights))
    if weights[1] >= 0.0 or residual > max(0.35 * resolution(soc), 2e-4):
        return
    yield DataFlag(
        channels=("state_of_charge", "pack_current"),
        evidence=f"it follows the counted charge to {100 * residual:.3f} % of full; the BMS reckons with "
        f"{-1.0 / float(weights[1]) / 3600:.1f} Ah",
    )


@detector("soc_coarse", Severity.NOTE, effect_wh_per_km=0.0, needs="state_of_charge")
def _find_coarse(survey: DriveSurvey) -> Iterator[DataFlag]:
    samples = survey.samples("state_of_charge")
    steps = np.abs(np.diff(samples[1]))
    steps = steps[steps > 0]
    if steps.size < 2 or float(np.min(steps)) < 0.0095:
        return
    yield DataFlag(channels=("state_of_charge",), evidence=f"the smallest step is {100 * float(np.min(steps)):.1f} %")


@detector(
    "soc_rises_while_discharging",
    Severity.AMBER,
    refuses=("usable_energy",),
    effect_wh_per_km=0.0,
    needs="state_of_charge",
    on_road=True,
)
def _find_rise(survey: DriveSurvey) -> Iterator[DataFlag]:
    """State of charge that rises while charge is taken out, bit by bit and not in a jump."""
    time_s, soc = survey.samples("state_of_charge")
    if soc.size < 50:
        return
    taken = _taken_ratio(survey, time_s)
    if taken is None:
        return
    lowest = np.minimum.accumulate(soc)
    at_lowest = np.maximum.accumulate(np.where(soc == lowest, np.arange(soc.size), 0))
    rise = soc - lowest
    drawn = taken - taken[at_lowest]
    wrong = (rise > max(0.015, 2.5 * resolution(soc))) & (drawn > 0.01)
    if wrong.mean() < 0.01 or np.max(np.abs(np.diff(soc))) > 0.019 + 2.5 * resolution(soc):
        return
    worst = int(np.argmax(np.where(wrong, rise, 0.0)))
    yield DataFlag(
        channels=("state_of_charge", "pack_current"),
        evidence=f"up by {100 * float(rise[worst]):.1f} % while {100 * float(drawn[worst]):.1f} % of the capacity is "
        f"taken out",
        spans=spans_of(time_s, wrong, min_samples=3),
    )


_LONG_STOP_S: Final = 600.0
_SESSION_GAP_S: Final = 900.0


@detector("charging_in_drive", Severity.AMBER)
def _find_charging(survey: DriveSurvey) -> Iterator[DataFlag]:
    if survey.time_s.size < 10:
        return
    charging = survey.is_charging & ~survey.is_moving
    if charging.sum() * survey.period_s < 30.0 or not survey.is_moving.any():
        return
    charged_wh = float(np.nansum(-survey.power_w[charging])) * survey.period_s / 3600.0
    yield DataFlag(
        channels=("pack_current", "speed"),
        evidence=f"{charged_wh:.0f} Wh went into the pack at standstill in "
        f"{charging.sum() * survey.period_s / 60:.0f} min",
        spans=spans_of(survey.time_s, charging, min_samples=3),
        effect_wh_per_km=survey.per_km(charged_wh),
    )


@detector("parked_in_drive", Severity.NOTE, on_road=True)
def _find_parked(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Long stands whose consumption is counted into the drive's."""
    idle = ~survey.is_moving & np.isfinite(survey.power_w) & ~survey.is_charging
    parked = lasting(idle, _LONG_STOP_S, each=survey.period_s)
    if not parked.any():
        return
    used_wh = float(np.nansum(survey.power_w[parked])) * survey.period_s / 3600.0
    yield DataFlag(
        channels=("speed", "pack_current"),
        evidence=f"{parked.sum() * survey.period_s / 60:.0f} min at standstill use {used_wh:.0f} Wh",
        spans=spans_of(survey.time_s, parked),
        effect_wh_per_km=survey.per_km(-used_wh),
    )


@detector("several_sessions", Severity.AMBER)
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
        evidence.append(f"the odometer jumps by {measure(jumped_m / 1000, 'km', '+.1f')}")
    yield DataFlag(channels=("odometer",) if jumped_m else (), evidence="; ".join(evidence), spans=spans)


@detector("current_with_contactor_open", Severity.RED)
def _find_open_contactor(survey: DriveSurvey) -> Iterator[DataFlag]:
    contactor, current = survey.drive.get("contactor_closed"), survey.finite("pack_current")
    if contactor is None or current is None or contactor.time_s.size < 2:
        return
    time_s, amp = current
    closed = contactor.at(time_s, max_gap_s=max(contactor.max_gap_s, 3.0))
    wrong = np.isfinite(closed) & (closed < 0.5) & (np.abs(amp) > 5.0)
    period_s = float(np.median(np.diff(time_s)))
    # The state may come a second late: only what lasts is a contradiction.
    least_s = max(1.0, 2.0 * float(np.median(np.diff(contactor.time_s))))
    held = lasting(wrong, least_s + 1e-9, each=period_s)
    if not held.any():
        return
    worst_a = float(amp[held][np.argmax(np.abs(amp[held]))])
    yield DataFlag(
        channels=("contactor_closed", "pack_current"), evidence=f"up to {worst_a:+.0f} A", spans=spans_of(time_s, held)
    )


@detector("contactor_opened_under_load", Severity.RED, effect_wh_per_km=0.0, needs="contactor_closed pack_current")
def _find_opened_under_load(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Contactors that open with more than 50 A flowing wear, arc and may weld (common practice)."""
    contactor, current = survey.samples("contactor_closed"), survey.samples("pack_current")
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
        channels=("contactor_closed", "pack_current"),
        evidence=f"with {max(level for _, level in events):.0f} A flowing, {len(events)} times",
        spans=tuple(Span(at, at) for at, _ in events),
    )
