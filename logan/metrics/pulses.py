"""Single current pulses of a drive, read off as a pulse test would."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel
from logan.results import result
from logan.units import FloatArray

QUIET_S: Final = 2.0
QUIET_A: Final = 5.0
LEAST_STEP_A: Final = 20.0
RISE_S: Final = 0.5
HELD_RATIO: Final = 0.15
"""A pulse counts while the current stays within this share of its step."""

MOST_PULSES: Final = 500


@result("pulse/1")
class Pulse:
    """One current step and what the voltage did ``duration_s`` later.

    Parameters
    ----------
    at_s, duration_s : float
        Start of the step and time after it. [s]
    current_step_a, voltage_step_v : float
        Change of current (positive: more discharge) and of voltage.
    resistance_ohm : float
        Of the subject. [ohm]
    state_of_charge_ratio, temperature_degc : float or None
        At the step.
    """

    at_s: float
    duration_s: float
    current_step_a: float
    voltage_step_v: float
    resistance_ohm: float
    state_of_charge_ratio: float | None
    temperature_degc: float | None


def find_pulses(
    voltage: Channel,
    current: Channel,
    durations_s: tuple[float, ...],
    capacity_ah: float,
    state_at: Callable[[float], tuple[float, float]],
) -> tuple[Pulse, ...]:
    """Pulses that begin after two quiet seconds, rise within half a second and are held.

    Parameters
    ----------
    voltage, current : Channel
        Of the pack. [V, A]
    durations_s : tuple of float
        Times after the step at which resistance is read. [s]
    capacity_ah : float
        A step must exceed 20 A and a tenth of the capacity per hour. [Ah]
    state_at : callable
        State of charge [ratio] and temperature [degC] at a time.

    Returns
    -------
    tuple of Pulse
        In order of time, at most 500.

    References
    ----------
    .. [1] R = (U0 - U) / (I - I0) at 2, 10 and 18 s after a step, as in ISO 12405 type pulse profiles (from memory).
    """
    known = np.isfinite(current.value)
    time_s, amperes = current.time_s[known], current.value[known]
    least_a = max(LEAST_STEP_A, 0.1 * capacity_ah)
    found: list[Pulse] = []
    last_s = -np.inf
    for index in _steps(time_s, amperes, least_a):
        start_s = float(time_s[index])
        if start_s - last_s < QUIET_S or len(found) >= MOST_PULSES:
            continue
        before = (time_s >= start_s - QUIET_S) & (time_s <= start_s)
        if int(before.sum()) < 3 or float(np.ptp(amperes[before])) > QUIET_A:
            continue
        pulses = _read(voltage, time_s, amperes, index, durations_s, state_at)
        if pulses:
            found += pulses
            last_s = start_s
    return tuple(found)


def _steps(time_s: FloatArray, amperes: FloatArray, least_a: float) -> list[int]:
    """Last sample at rest before each rise by more than ``least_a`` within the rise time."""
    later = np.interp(time_s + RISE_S, time_s, amperes)
    moving = np.abs(later - amperes) > least_a
    edges = np.diff(np.concatenate(([False], moving, [False])).astype(np.int8))
    found = []
    for first, last in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        at_rest = np.flatnonzero(np.abs(amperes[first:last] - amperes[first]) < QUIET_A)
        found.append(int(first + at_rest[-1]))
    return found


def _read(
    voltage: Channel,
    time_s: FloatArray,
    amperes: FloatArray,
    index: int,
    durations_s: tuple[float, ...],
    state_at: Callable[[float], tuple[float, float]],
) -> list[Pulse]:
    start_s, start_a = float(time_s[index]), float(amperes[index])
    start_v = float(voltage.at(np.array([start_s]))[0])
    charge, degc = state_at(start_s)
    found = []
    for duration_s in durations_s:
        held = (time_s >= start_s + RISE_S) & (time_s <= start_s + duration_s)
        if not held.any() or start_s + duration_s > time_s[-1]:
            break
        step_a = float(np.mean(amperes[held])) - start_a
        if abs(step_a) < LEAST_STEP_A or float(np.ptp(amperes[held])) > 2.0 * HELD_RATIO * abs(step_a):
            break
        end_v = float(voltage.at(np.array([start_s + duration_s]))[0])
        end_a = float(np.interp(start_s + duration_s, time_s, amperes))
        if not np.isfinite(end_v) or not np.isfinite(start_v) or abs(end_a - start_a) < LEAST_STEP_A:
            break
        found.append(
            Pulse(
                at_s=start_s,
                duration_s=duration_s,
                current_step_a=end_a - start_a,
                voltage_step_v=end_v - start_v,
                resistance_ohm=(start_v - end_v) / (end_a - start_a),
                state_of_charge_ratio=charge if np.isfinite(charge) else None,
                temperature_degc=degc if np.isfinite(degc) else None,
            )
        )
    return found


@result("sag/1")
class Sag:
    """Deepest voltage under load.

    Parameters
    ----------
    channel : str
        ``pack_voltage`` or ``cell_voltage_min``.
    lowest_v : float
        Lowest voltage. [V]
    sag_v : float or None
        How far below the last voltage at rest before it; None without rest in the ten minutes before. [V]
    current_a : float or None
        Current at that moment.
    context : Context
        When and under what load.
    """

    channel: str
    lowest_v: float
    sag_v: float | None
    current_a: float | None
    context: Context


def voltage_sag(channel: Channel, current: Channel, capacity_ah: float, lookup: ContextLookup) -> Sag | None:
    """Deepest voltage of a channel, and how far it lies below the last rest before it.

    Parameters
    ----------
    channel, current : Channel
        Pack or cell voltage, and pack current. [V, A]
    capacity_ah : float
        Rest is less than 3 % of it per hour. [Ah]
    lookup : ContextLookup
        Of the same drive.

    Returns
    -------
    Sag or None
        None where the voltage is never known.
    """
    known = np.isfinite(channel.value)
    if not known.any():
        return None
    time_s, volts = channel.time_s[known], channel.value[known]
    amperes = current.at(time_s)
    lowest = int(np.argmin(volts))
    at_rest = np.abs(np.nan_to_num(amperes, nan=1e9)) < max(5.0, 0.03 * capacity_ah)
    before = at_rest & (time_s < time_s[lowest]) & (time_s > time_s[lowest] - 600.0)
    rest_v = float(volts[np.flatnonzero(before)[-1]]) if before.any() else None
    return Sag(
        channel=channel.name,
        lowest_v=float(volts[lowest]),
        sag_v=None if rest_v is None else rest_v - float(volts[lowest]),
        current_a=float(amperes[lowest]) if np.isfinite(amperes[lowest]) else None,
        context=lookup.at(float(time_s[lowest])),
    )
