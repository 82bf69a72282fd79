"""Is the sign of the pack current right, everywhere, and can it be told at all?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.numerics import integrate
from logan.quality.detector import detector
from logan.quality.runs import resolution, spans_of, when
from logan.quality.survey import DriveSurvey
from logan.results import DataFlag, Severity
from logan.units import BoolArray, FloatArray

SIGNED_METRICS: Final = (
    "net_energy",
    "consumption",
    "regen",
    "charge",
    "resistance",
    "usable_energy",
    "efficiency",
    "fit",
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
    net = survey.net_wh_per_km
    yield DataFlag(
        channels=("pack_current",),
        title="Pack current has the wrong sign",
        evidence="; ".join(text for _, text in votes.values()),
        remedy="Set sign = -1 for the pack current in the channel map: discharge must be positive. "
        "Check: with lights and heater on at standstill the current must read above zero",
        effect_wh_per_km=None if net is None else -2.0 * net,
        refuses=SIGNED_METRICS,
    )


@detector("current_sign_unresolved", Severity.RED)
def _find_unresolved(survey: DriveSurvey) -> Iterator[DataFlag]:
    if not survey.has("pack_current"):
        return
    votes = sign_votes(survey)
    signs = {sign for sign, _ in votes.values()}
    if len(signs) == 1:
        return
    evidence = "; ".join(text for _, text in votes.values())
    yield DataFlag(
        channels=("pack_current",),
        title="Sign of the pack current cannot be told" if not signs else "Evidence on the current's sign disagrees",
        evidence=evidence or "no speed, voltage sag or SOC moves enough to compare the current with",
        remedy="Log a short drive with two hard accelerations and stops, together with voltage, speed and "
        "SOC; or check with a clamp meter that discharge reads above zero",
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
        title="Pack current never goes below zero: regen is logged as consumption",
        evidence=f"while braking with {np.median(needed) / 1000:.1f} kW at the wheels the pack seems to give "
        f"{np.median(drawn) / 1000:.1f} kW; the lowest current is {np.min(samples[1]):.1f} A",
        remedy="Log the signed current, or take the sign from the torque; until then net energy and regen are refused",
        spans=spans,
        effect_wh_per_km=effect,
        refuses=SIGNED_METRICS,
    )


def _braking(survey: DriveSurvey) -> tuple[BoolArray, FloatArray]:
    """Where the planned vehicle would have to brake with more than 5 kW, and the smoothed pack power. [W]"""
    drawn = survey.smooth(survey.power_w)
    return np.asarray((np.nan_to_num(survey.wheel_power_w) < -5000.0) & np.isfinite(drawn)), drawn


@detector("current_unsigned_wrap", Severity.RED)
def _find_wrap(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Small negative currents read as the top of an unsigned range."""
    samples = survey.finite("pack_current")
    if samples is None or samples[1].size < 50:
        return
    time_s, amp = samples
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
    spans = spans_of(time_s, high)
    yield DataFlag(
        channels=("pack_current",),
        title="Pack current wraps round: negative values are read as unsigned",
        evidence=f"{int(high.sum())} samples between {floor:.0f} and {top:.0f} A, nothing between them and "
        f"{usual_top:.0f} A; {when(spans)}",
        remedy="Set signed = true for the pack current in the channel map (the DBC declares it unsigned)",
        spans=spans,
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
