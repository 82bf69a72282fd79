"""Whether a coolant is that of the cabin heater: it is warm by design, and a drive unit's limit says nothing of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.drive import Drive, pack_power
from logan.numerics import cumulative
from logan.physics.thermal import lagged
from logan.settings import TYPICAL_SOURCE, BuildSettings
from logan.units import FloatArray

COOLANTS: Final = ("coolant_temperature", "coolant_temperature_outlet")
LEAST_HEATER_SHARE_RATIO: Final = 0.6
"""From this share of its rise on, a coolant is the heater's."""

BLOCK_S: Final = 5.0
LEAST_BLOCKS: Final = 24
LEAST_MOVE_K: Final = 4.0
TIME_CONSTANTS_S: Final = (60.0, 120.0, 240.0, 480.0, 960.0, 1920.0)
"""Blocks, the least that tells anything, and what a coolant's time constant may be. [s, 1, K, s]"""

LEAST_HEATER_W: Final = 300.0
"""A heater that took less on average warms nothing that matters. [W]"""


def is_heating_circuit(drive: Drive, channel: str) -> bool:
    """Whether a coolant's rise follows the cabin heater rather than the drive's load.

    Parameters
    ----------
    drive : Drive
        The drive.
    channel : str
        Coolant temperature.

    Returns
    -------
    bool
        False where the heater is not logged or hardly ran, or where no law fits.
    """
    coolant, heater, power = drive.get(channel), drive.get("heater_power"), pack_power(drive)
    if coolant is None or heater is None or power is None:
        return False
    edges_s = np.arange(float(power.time_s[0]), float(power.time_s[-1]), BLOCK_S)
    if edges_s.size < 2:
        return False
    middle_s = 0.5 * (edges_s[1:] + edges_s[:-1])
    heating_w = np.nan_to_num(heater.at(middle_s, max_gap_s=30.0))
    if float(heating_w.mean()) < LEAST_HEATER_W:
        return False
    traction_w = np.maximum(_block_means(power.time_s, np.abs(power.power_w), edges_s) - heating_w, 0.0)
    inputs = np.column_stack([heating_w, traction_w])
    rises_k = _rises_k(coolant.at(middle_s, max_gap_s=30.0), inputs)
    return bool(rises_k[0] > LEAST_HEATER_SHARE_RATIO * rises_k.sum() > 0.0)


def _rises_k(observed_degc: FloatArray, inputs_w: FloatArray) -> FloatArray:
    """Mean rise by each input, by the time constant that leaves least; zero where nothing moved. [K]"""
    from scipy.optimize import nnls

    known, best, rises = np.isfinite(observed_degc), np.inf, np.zeros(inputs_w.shape[1])
    if int(known.sum()) < LEAST_BLOCKS or float(np.ptp(observed_degc[known])) < LEAST_MOVE_K:
        return rises
    scale = np.maximum(inputs_w.mean(axis=0), 1.0)
    ones = np.ones((inputs_w.shape[0], 1))
    for tau_s in TIME_CONSTANTS_S:
        fade = np.exp(-np.arange(ones.size) * BLOCK_S / tau_s)[:, np.newaxis]
        late = lagged(inputs_w / scale, step_s=BLOCK_S, time_constant_s=tau_s, is_settled=False)
        columns = np.hstack([late, fade, -fade, ones, -ones])[known]
        gains, left = nnls(columns, observed_degc[known])
        if left < best:
            best, rises = float(left), np.asarray(gains[: rises.size])
    return rises


def _block_means(time_s: FloatArray, value: FloatArray, edges_s: FloatArray) -> FloatArray:
    running = np.interp(edges_s, time_s, cumulative(time_s, np.nan_to_num(value), max_gap_s=np.inf))
    return np.asarray(np.diff(running) / np.diff(edges_s))


def limits_that_apply(drive: Drive, build: BuildSettings) -> tuple[BuildSettings, tuple[str, ...]]:
    """Leave typical limits out that do not belong to what was logged; a limit of the user's own always stands.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        With its limit sheet.

    Returns
    -------
    build : BuildSettings
        The same, or with a shorter sheet.
    notes : tuple of str
        What was left out, and why.
    """
    typical = [one.channel for one in build.limits.limits if one.source == TYPICAL_SOURCE and one.channel in COOLANTS]
    heated = [channel for channel in typical if is_heating_circuit(drive, channel)]
    if not heated:
        return build, ()
    kept = tuple(one for one in build.limits.limits if not (one.channel in heated and one.source == TYPICAL_SOURCE))
    notes = tuple(
        f"{channel} follows the cabin heater: the typical limit of a drive unit's coolant is not held against it; "
        "give a limit of its own, or map the drive unit's coolant"
        for channel in heated
    )
    return replace(build, limits=replace(build.limits, limits=kept)), notes
