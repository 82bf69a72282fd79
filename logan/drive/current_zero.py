"""What the current sensor reads when no current flows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.drive.drive import Channel
from logan.results import Estimate, Figure, Refusal
from logan.units import FloatArray

_FEWEST: Final = 20
_STANDSTILL_M_PER_S: Final = 0.3
_LOADS: Final = ("dcdc_power", "heater_power", "air_conditioning_power")


def contactor_open_offset(channels: Mapping[str, Channel]) -> Figure:
    """Current that is read while the main contactors are open. [A]

    Parameters
    ----------
    channels : mapping of str to Channel
        Needs ``pack_current`` and ``contactor_closed``.
    """
    current, contactor = channels.get("pack_current"), channels.get("contactor_closed")
    if current is None or contactor is None:
        return Refusal("the log has no contactor state", "Log it, or note the current with the contactors open")
    closed = contactor.at(current.time_s, max_gap_s=max(contactor.max_gap_s, 5.0))
    # A second on either side of the switching is left out: the inverter's capacitors charge and discharge.
    near = np.zeros(current.time_s.shape, dtype=bool)
    for edge_s in contactor.time_s[1:][np.diff(contactor.value) != 0]:
        near |= np.abs(current.time_s - edge_s) < 1.0
    return _mean(current.value[(closed < 0.5) & ~near & np.isfinite(current.value)], "mean with contactors open")


def standstill_offset(channels: Mapping[str, Channel]) -> Figure:
    """Current at standstill beyond what the logged loads take. [A]

    Parameters
    ----------
    channels : mapping of str to Channel
        Needs pack current and voltage, speed, and the power of at least the DC-DC converter.

    Notes
    -----
    Loads that are not logged pass for an offset, so this finds an error and does not correct it.
    """
    missing = [name for name in ("pack_current", "pack_voltage", "speed", "dcdc_power") if name not in channels]
    if missing:
        return Refusal(f"the log has no {', '.join(missing)}")
    current, speed = channels["pack_current"], channels["speed"]
    at_s = current.time_s
    still = np.abs(np.nan_to_num(speed.at(at_s), nan=np.inf)) < _STANDSTILL_M_PER_S
    # The motor may still turn the last of its power into heat just after a stop.
    settled = still & (_held_for_s(at_s, still) > 2.0)
    load_w = np.zeros(at_s.shape)
    for name in _LOADS:
        if name in channels:
            load_w += channels[name].at(at_s, max_gap_s=max(channels[name].max_gap_s, 5.0))
    with np.errstate(invalid="ignore", divide="ignore"):
        beyond = current.value - load_w / channels["pack_voltage"].at(at_s)
    known = beyond[settled & np.isfinite(beyond)]
    return _mean(known, f"median at standstill beyond {', '.join(name for name in _LOADS if name in channels)}")


def _held_for_s(time_s: FloatArray, state: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> FloatArray:
    """How long a state has held at each sample. [s]"""
    last_other = np.maximum.accumulate(np.where(state, -np.inf, time_s))
    return np.asarray(np.where(state, time_s - np.maximum(last_other, time_s[0]), 0.0))


def _mean(known: FloatArray, how: str) -> Figure:
    if known.size < _FEWEST:
        return Refusal(f"only {known.size} samples ({how}); {_FEWEST} are needed")
    middle = float(np.median(known))
    spread = 1.4826 * float(np.median(np.abs(known - middle)))
    resolution = float(np.min(np.diff(np.unique(known)), initial=np.inf))
    floor = resolution / np.sqrt(12.0) if np.isfinite(resolution) else 0.0
    # Neighbouring samples repeat each other, so only the tenth root of their number is trusted to average out.
    return Estimate(middle, "A", float(np.hypot(spread / np.sqrt(known.size / 10.0), floor)), how)
