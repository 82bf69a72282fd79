"""Does the current reach what really flowed, is it or the power possible at all, and did a limit hold them back?"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.numerics import equal_runs, highest_near, in_runs, integrate, lasting
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, resolution, spans_of
from logan.results import DataFlag, Severity
from logan.units import STANDARD_GRAVITY_M_PER_S2, BoolArray, FloatArray

LEAST_BEHIND_RATIO, MOST_BEHIND_RATIO = 0.05, 0.1
"""Power that a flat current leaves behind: beyond the first the sensor is at its end; surely below the second a limit
held the vehicle as well."""

SAME_RATIO: Final = 0.02


@detector("current_saturated", needs="pack_current", on_road=True)
def _find_saturated(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A flat top at the extreme while the motion asks for more: power that stays behind tells sensor from limiter."""
    time_s, amp = survey.samples("pack_current")
    demand = survey.asked_w
    for side in (1.0, -1.0):
        clipped = _flat_top(side * amp)
        if clipped is None:
            continue
        grid = np.interp(survey.time_s, time_s, clipped.astype(float)) > 0.99
        inside = np.abs(demand[grid & np.isfinite(demand)])
        if inside.size < 4 or np.quantile(inside, 0.9) < 1.15 * np.quantile(inside, 0.1):
            continue
        top = side * float(np.max(side * amp))
        spans = spans_of(time_s, clipped)
        behind, sigma, lost = _left_behind(survey, demand, grid, side, len(spans))
        held = _limiter(survey, top, grid)
        seen = (
            f"{int(clipped.sum())} samples stay at exactly {top:.1f} A while the power asked for varies "
            f"from {np.quantile(inside, 0.1) / 1000:.0f} to {np.quantile(inside, 0.9) / 1000:.0f} kW"
        )
        if np.isfinite(behind):
            seen += f"; power is {100 * behind:.0f} ± {100 * sigma:.0f} % less there than the motion takes elsewhere"
        is_sensor = behind > max(LEAST_BEHIND_RATIO, 2.0 * sigma)
        is_limiter = not is_sensor and bool(held or behind + 2.0 * sigma < MOST_BEHIND_RATIO)
        yield DataFlag(
            severity=Severity.RED if is_sensor else Severity.NOTE if is_limiter else Severity.AMBER,
            channels=("pack_current",),
            evidence=seen + (f"; that is {held}" if held else ""),
            spans=spans,
            effect_wh_per_km=lost if is_sensor else 0.0 if is_limiter else None,
            refuses=() if is_limiter else ("peak_current",),
        )


def _limiter(survey: DriveSurvey, top_a: float, grid: BoolArray) -> str:
    """What is known to hold the current where it stays; empty where nothing is."""
    pack, is_drawn = survey.build.pack, top_a > 0.0
    own_a = pack.discharge_current_limit_a if is_drawn else pack.charge_current_limit_a
    if own_a is not None and abs(abs(top_a) - own_a) < SAME_RATIO * own_a:
        return f"the limit of {own_a:.0f} A of the build"
    name = "discharge_current_limit" if is_drawn else "charge_current_limit"
    if survey.has(name):
        allowed = survey.on_grid(name)[grid]
        if np.isfinite(allowed).any() and abs(np.nanmedian(np.abs(allowed)) - abs(top_a)) < SAME_RATIO * abs(top_a):
            return "what the BMS allowed"
    return ""


def _flat_top(value: FloatArray) -> BoolArray | None:
    """Samples in runs of at least three at the highest value; None unless they pile up there."""
    top = float(np.max(value))
    if top < 20.0:
        return None
    step = max(resolution(value), 1e-9)
    at_top = value >= top - 0.25 * step
    below = (value < top - 0.25 * step) & (value >= top - 10.5 * step)
    clipped = lasting(at_top, 3)
    if clipped.sum() < 4 or at_top.sum() < 4.0 * max(below.sum() / 10.0, 0.25):
        return None
    return clipped


def _left_behind(
    survey: DriveSurvey, demand: FloatArray, grid: BoolArray, side: float, spans: int
) -> tuple[float, float, float | None]:
    """What is missing if in the flat tops power follows the demand as it does elsewhere: share, its sigma, Wh/km."""
    power = survey.power_w
    usual = ~grid & (side * np.nan_to_num(demand) > 3000.0) & np.isfinite(power) & np.isfinite(demand)
    if usual.sum() < 20:
        return np.nan, np.nan, None
    slope, intercept = np.polyfit(demand[usual], power[usual], 1)
    missing_w = np.nan_to_num(slope * demand[grid] + intercept - power[grid])
    scatter_w = float(np.std(power[usual] - slope * demand[usual] - intercept))
    whole_w = abs(float(np.nanmean(power[grid])))
    share = side * float(missing_w.mean()) / whole_w
    # One flat top is one witness: what is off within it is off all along.
    return share, scatter_w / np.sqrt(spans) / whole_w, survey.per_km(float(missing_w.sum()) * survey.period_s / 3600.0)


@detector("current_gain", Severity.AMBER, needs="pack_current")
def _find_gain(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Counted charge against state of charge, against the BMS's own count, and against logged power."""
    for ratio, sigma, against in (_gain_by_count(survey), _gain_by_power(survey), _gain_by_soc(survey)):
        if not np.isfinite(ratio) or ratio <= 0 or abs(ratio - 1.0) < max(3.0 * sigma, 0.03):
            continue
        yield DataFlag(
            channels=("pack_current",),
            evidence=f"the charge taken out is {ratio:.3f} times {against} (±{sigma:.3f})",
            effect_wh_per_km=survey.net_times(1.0 / ratio - 1.0),
        )
        return


def _gain_by_count(survey: DriveSurvey) -> tuple[float, float, str]:
    current, counted = survey.finite("pack_current"), survey.finite("pack_charge")
    if current is None or counted is None:
        return np.nan, np.nan, ""
    there_ah = float(counted[1][-1] - counted[1][0])
    here_ah = integrate(*current).total / 3600.0
    if abs(there_ah) < 2.0:
        return np.nan, np.nan, ""
    sigma = 0.005 + resolution(counted[1]) / abs(there_ah)
    return here_ah / there_ah, sigma, f"what the BMS counts ({there_ah:.1f} Ah)"


def _gain_by_power(survey: DriveSurvey) -> tuple[float, float, str]:
    if not survey.has("pack_voltage", "pack_current", "pack_power"):
        return np.nan, np.nan, ""
    logged = survey.on_grid("pack_power")
    usable = np.isfinite(logged) & np.isfinite(survey.power_w) & (np.abs(np.nan_to_num(logged)) > 2000.0)
    if usable.sum() < 30:
        return np.nan, np.nan, ""
    ratio = float(np.sum(np.abs(survey.power_w[usable])) / np.sum(np.abs(logged[usable])))
    return ratio, 0.01, "what the logged pack power says"


def _gain_by_soc(survey: DriveSurvey) -> tuple[float, float, str]:
    current, soc = survey.finite("pack_current"), survey.finite("state_of_charge")
    if current is None or soc is None:
        return np.nan, np.nan, ""
    fall = float(soc[1][0] - soc[1][-1])
    pack = survey.build.pack
    capacity_ah = pack.cell_capacity_ah.value * pack.cells_in_parallel
    covered = integrate(*current, max_gap_s=5.0).coverage_ratio
    if fall < 0.1 or covered < 0.9 or np.max(np.abs(np.diff(soc[1]))) > 0.03:
        return np.nan, np.nan, ""
    share_sigma = pack.cell_capacity_ah.sigma / pack.cell_capacity_ah.value
    # A gauge of a BMS is off by some 1 % of full at either end (common practice).
    sigma = float(np.hypot(share_sigma, 0.014 / fall))
    ratio = integrate(*current).total / 3600.0 / (fall * capacity_ah)
    return ratio, sigma, f"a fall of {100 * fall:.0f} % of {capacity_ah:.0f} Ah"


@detector("impossible_power", Severity.RED, refuses=("peak_current",))
def _find_impossible_power(survey: DriveSurvey) -> Iterator[DataFlag]:
    power, motor = survey.power_w, survey.build.powertrain.motor
    if survey.time_s.size < 5 or not np.isfinite(power).any():
        return
    efficiency = max(survey.build.powertrain.drive_efficiency.value, 0.5)
    auxiliary = survey.build.auxiliary
    most_w = 1.3 * motor.max_power_w * motor.count / efficiency
    most_w += auxiliary.heater_limit_w + auxiliary.air_conditioning_limit_w + 3000.0
    too_much = np.abs(np.nan_to_num(power)) > most_w
    if too_much.sum() * survey.period_s < 1.0 and too_much.sum() < 3:
        return
    worst_kw = float(np.nanmax(np.abs(power))) / 1000.0
    excess_wh = float(np.sum(np.abs(power[too_much]) - most_w)) * survey.period_s / 3600.0
    yield DataFlag(
        channels=("pack_current", "pack_voltage"),
        evidence=f"{worst_kw:.0f} kW where motors and auxiliaries take {most_w / 1000:.0f} kW at most",
        spans=spans_of(survey.time_s, too_much),
        effect_wh_per_km=survey.per_km(-excess_wh),
    )


@detector("impossible_acceleration", Severity.AMBER, refuses=(), needs="speed")
def _find_impossible_acceleration(survey: DriveSurvey) -> Iterator[DataFlag]:
    time_s, speed = survey.samples("speed")
    if speed.size < 10:
        return
    stride = max(int(np.ceil(0.2 / max(float(np.median(np.diff(time_s))), 1e-3))), 1)
    step_s = time_s[stride:] - time_s[:-stride]
    change = np.abs(speed[stride:] - speed[:-stride])
    allowed = 1.2 * STANDARD_GRAVITY_M_PER_S2 * step_s + 3.0 * resolution(speed) + 0.5
    impossible = change > allowed
    if not impossible.any():
        return
    worst = float(np.max(change / step_s)) / STANDARD_GRAVITY_M_PER_S2
    spans = spans_of(time_s[:-stride], impossible)
    yield DataFlag(
        channels=("speed",),
        evidence=f"up to {worst:.1f} g, {len(spans)} times (1.2 g is more than road tires hold)",
        spans=spans,
    )


@detector("power_without_current", Severity.RED, needs="pack_current", on_road=True)
def _find_power_without_current(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Current stands at exactly zero while the vehicle is plainly driven."""
    time_s, amp = survey.samples("pack_current")
    starts, lengths = equal_runs(amp)
    chosen = (amp[starts] == 0.0) & (time_s[starts + lengths - 1] - time_s[starts] >= 3.0)
    zero = in_runs(amp.size, starts[chosen], lengths[chosen])
    if not zero.any():
        return
    grid = np.interp(survey.time_s, time_s, zero.astype(float)) > 0.99
    needed = np.nan_to_num(survey.asked_w)
    busy = grid & (needed > 5000.0)
    if busy.sum() * survey.period_s < 3.0:
        return
    missing_wh = float(np.sum(needed[grid])) * survey.period_s / 3600.0
    spans = spans_of(survey.time_s, grid, min_samples=2)
    yield DataFlag(
        channels=("pack_current",),
        evidence=f"zero for {grid.sum() * survey.period_s:.0f} s in which some {missing_wh:.0f} Wh went to the wheels",
        spans=spans,
        effect_wh_per_km=survey.per_km(missing_wh),
        refuses=("net_energy", "consumption") if missing_wh > 0.1 * abs(survey.net_wh) else (),
    )


@detector("derate_active", Severity.NOTE, effect_wh_per_km=0.0)
def _find_derate(survey: DriveSurvey) -> Iterator[DataFlag]:
    if survey.time_s.size < 20:
        return
    reasons: dict[str, BoolArray] = {}
    if survey.has("motor_torque_command", "motor_torque"):
        asked, given = np.abs(survey.on_grid("motor_torque_command")), np.abs(survey.on_grid("motor_torque"))
        top = np.nanquantile(asked, 0.999) if np.isfinite(asked).any() else 0.0
        # The two are sampled apart: only what holds against the neighbours too is a limit.
        asked, given = -highest_near(-np.nan_to_num(asked), 3), highest_near(np.nan_to_num(given), 3)
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
    yield DataFlag(channels=("motor_torque", "pack_current"), evidence=f"{'; '.join(words)}", spans=spans)
