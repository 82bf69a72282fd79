"""Resistance of the pack: single current pulses, and the answer to current steps fitted to a whole drive."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel
from logan.numerics import interpolate, long_run_factor, nominal_period_s, true_runs
from logan.physics.thermal import lagged
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
    current_step_a : float
        Change of current, positive: more discharge. [A]
    resistance_ohm : float
        Of the subject. [ohm]
    state_of_charge_ratio, temperature_degc : float or None
        At the step.
    """

    at_s: float
    duration_s: float
    current_step_a: float
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
    found = []
    for first, length in zip(*true_runs(moving), strict=True):
        at_rest = np.flatnonzero(np.abs(amperes[first : first + length] - amperes[first]) < QUIET_A)
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
    start_v = voltage.value_at(start_s)
    if start_v is None:
        return []
    charge, degc = state_at(start_s)
    found = []
    for duration_s in durations_s:
        held = (time_s >= start_s + RISE_S) & (time_s <= start_s + duration_s)
        if not held.any() or start_s + duration_s > time_s[-1]:
            break
        step_a = float(np.mean(amperes[held])) - start_a
        if abs(step_a) < LEAST_STEP_A or float(np.ptp(amperes[held])) > 2.0 * HELD_RATIO * abs(step_a):
            break
        end_v = voltage.value_at(start_s + duration_s)
        end_a = float(np.interp(start_s + duration_s, time_s, amperes))
        if end_v is None or abs(end_a - start_a) < LEAST_STEP_A:
            break
        found.append(
            Pulse(
                at_s=start_s,
                duration_s=duration_s,
                current_step_a=end_a - start_a,
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


TIME_CONSTANTS_S: Final = (1.5, 6.0, 20.0)
"""Relaxations that the response is built from; together they carry any response between 1 and 30 s. [s]"""

WINDOW_S: Final = 240.0
"""Length of one fit: long against the relaxations, short against state of charge. [s]"""

_SETTLING_S: Final = 40.0
_MOST_CONDITION: Final = 3e3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResponseWindow:
    """Fitted response of one window.

    Parameters
    ----------
    middle_s : float
        [s]
    resistance_ohm, sigma_ohm : ndarray, shape (m,)
        At the durations asked for. [ohm]
    open_circuit_v : float
        Voltage less the response, at the middle. [V]
    """

    middle_s: float
    resistance_ohm: FloatArray
    sigma_ohm: FloatArray
    open_circuit_v: float


def response_windows(
    voltage: Channel, current: Channel, durations_s: tuple[float, ...], *, least_spread_a: float
) -> tuple[ResponseWindow, ...]:
    """Step response of a voltage to a current, window by window. Method: measured (16).

    Parameters
    ----------
    voltage, current : Channel
        Terminal voltage of pack or cell, and pack current. [V, A]
    durations_s : tuple of float
        Pulse lengths asked for. [s]
    least_spread_a : float
        Standard deviation of the current that a window needs. [A]

    Returns
    -------
    tuple of ResponseWindow
        Windows with enough current and covered data.

    References
    ----------
    .. [1] R = (U0 - U) / (I - I0) after a step (ISO 12405 type profile, from memory), here of
       the fitted linear response.
    """
    step_s = min(max(nominal_period_s(current.time_s), 0.05), 1.0)
    start_s, end_s = float(current.time_s[0]), float(current.time_s[-1])
    grid_s = np.arange(start_s, end_s, step_s)
    if grid_s.size < 100:
        return ()
    amperes = interpolate(grid_s, current.time_s, current.value, max_gap_s=current.max_gap_s)
    known = np.isfinite(amperes)
    filled = np.where(known, amperes, 0.0)
    columns = [filled] + [
        lagged(filled, step_s=step_s, time_constant_s=tau, is_settled=False) for tau in TIME_CONSTANTS_S
    ]
    charge = np.cumsum(filled) * step_s / 3600.0
    present = np.isfinite(voltage.value)
    at_s, volts = voltage.time_s[present], voltage.value[present]
    # A sample counts only where the current was known all through the relaxation before it.
    unknown = np.cumsum(~known)
    index = np.clip(((at_s - start_s) / step_s).astype(np.int64), 0, grid_s.size - 1)
    back = np.maximum(index - int(_SETTLING_S / step_s), 0)
    usable = (at_s > start_s + _SETTLING_S) & (at_s < end_s) & (unknown[index] == unknown[back])
    at_s, volts = at_s[usable], volts[usable]
    design = np.column_stack([np.interp(at_s, grid_s, column) for column in columns])
    drawn = np.interp(at_s, grid_s, charge)
    found = []
    for low in np.arange(start_s, end_s, WINDOW_S).tolist():
        chosen = (at_s >= low) & (at_s < low + WINDOW_S)
        if int(chosen.sum()) < 40 or float(np.std(design[chosen, 0])) < least_spread_a:
            continue
        window = _fit(at_s[chosen], volts[chosen], design[chosen], drawn[chosen], durations_s)
        if window is not None:
            found.append(window)
    return tuple(found)


def _fit(
    at_s: FloatArray, volts: FloatArray, design: FloatArray, drawn: FloatArray, durations_s: tuple[float, ...]
) -> ResponseWindow | None:
    """Least squares of one window; None where the current does not tell the parts of the response apart."""
    centred = drawn - drawn.mean()
    matrix = np.column_stack([-design, np.ones(at_s.size), -centred])
    scale = np.maximum(np.sqrt(np.mean(matrix**2, axis=0)), 1e-12)
    scaled = matrix / scale
    gram = scaled.T @ scaled
    spread = np.linalg.eigvalsh(gram)
    if spread[0] <= 0.0 or spread[-1] / spread[0] > _MOST_CONDITION**2:
        return None
    inverse = np.linalg.inv(gram)
    solution = inverse @ (scaled.T @ volts)
    residual = volts - scaled @ solution
    # Residuals alike in time carry less than their number says.
    alike = long_run_factor(residual, lags=at_s.size // 12)
    variance = float(np.sum(residual**2)) / max(at_s.size - matrix.shape[1], 1) * alike
    covariance = inverse * variance / np.outer(scale, scale)
    solution = solution / scale
    weights = np.array([_weights(duration) for duration in durations_s])
    resistance = weights @ solution
    sigma = np.sqrt(np.einsum("ij,jk,ik->i", weights, covariance, weights))
    if not (resistance > 0.0).all():
        return None
    return ResponseWindow(
        middle_s=float(0.5 * (at_s[0] + at_s[-1])),
        resistance_ohm=resistance,
        sigma_ohm=sigma,
        open_circuit_v=float(solution[-2]),
    )


def _weights(duration_s: float) -> list[float]:
    """How much of each part has answered to a step after a time."""
    return [1.0, *(1.0 - float(np.exp(-duration_s / tau)) for tau in TIME_CONSTANTS_S), 0.0, 0.0]


def combine(values: FloatArray, sigmas: FloatArray) -> tuple[float, float]:
    """Weighted mean of windows, and its uncertainty from their own errors and from their spread.

    Parameters
    ----------
    values, sigmas : ndarray, shape (n,)
        n at least 1. [any]

    Returns
    -------
    mean, sigma : float
        In the same unit.
    """
    # No window is trusted to better than 2 %, so that none outvotes all others.
    spread = np.maximum(sigmas, 0.02 * np.abs(values))
    weight = 1.0 / spread**2
    mean = float(np.sum(weight * values) / np.sum(weight))
    formal = float(1.0 / np.sqrt(np.sum(weight)))
    if values.size < 2:
        return mean, 1.5 * formal
    share = weight / np.sum(weight)
    seen = float(np.sqrt(np.sum(share**2 * (values - mean) ** 2) * values.size / (values.size - 1)))
    return mean, max(formal, seen)
