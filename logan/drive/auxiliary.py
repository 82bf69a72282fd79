"""What the pack feeds besides the motor, as a power over time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Drive, PackPower, is_charging_at, road_speed
from logan.results import read_only
from logan.settings import BuildSettings
from logan.units import FloatArray

PART_CHANNELS: Final = {
    "heater": "heater_power",
    "air conditioning": "air_conditioning_power",
    "DC-DC": "dcdc_power",
}
"""Auxiliaries with a channel of their own."""

LEAST_STANDSTILL_S: Final = 20.0
"""Standing time from which the idle load is believed. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AuxiliaryLoad:
    """Auxiliary power on the times of pack power.

    Parameters
    ----------
    total_w : ndarray, shape (n,)
        [W]
    parts_w : mapping of str to ndarray, shape (n,)
        heater, air conditioning, DC-DC, other auxiliaries, traction-idle; they add up to the total. [W]
    basis : mapping of str to str
        "measured" or "modelled", part by part.
    sigma_w : float
        One standard uncertainty of the mean total. [W]
    notes : tuple of str
        What was assumed.
    """

    total_w: FloatArray
    parts_w: Mapping[str, FloatArray]
    basis: Mapping[str, str]
    sigma_w: float
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "total_w", read_only(self.total_w))
        object.__setattr__(self, "parts_w", {name: read_only(part) for name, part in self.parts_w.items()})


def auxiliary_load(drive: Drive, build: BuildSettings, power: PackPower) -> AuxiliaryLoad:
    """Auxiliary power: what is logged, and at standstill what pack power is left over.

    What the pack gives at standstill beyond the logged auxiliaries is taken to flow while
    driving too ("traction-idle"). Without enough standstill, the build's base power is
    used where neither DC-DC nor total auxiliary power is logged.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        Channels; base power.
    power : PackPower
        Pack power, whose times are used.

    Returns
    -------
    AuxiliaryLoad
        Total, parts, uncertainty.
    """
    time_s = power.time_s
    parts: dict[str, FloatArray] = {}
    for part, name in PART_CHANNELS.items():
        channel = drive.get(name)
        if channel is not None and np.isfinite(channel.value).any():
            parts[part] = np.nan_to_num(channel.at(time_s, max_gap_s=30.0))
    logged = np.asarray(sum(parts.values(), np.zeros(time_s.shape)))
    total = drive.get("auxiliary_power")
    if total is not None and np.isfinite(total.value).any():
        parts["other auxiliaries"] = np.maximum(np.nan_to_num(total.at(time_s, max_gap_s=30.0)) - logged, 0.0)
        logged = logged + parts["other auxiliaries"]
    basis = dict.fromkeys(parts, "measured")
    idle_w, sigma_w, notes = _idle(drive, build, power, logged, has_base="DC-DC" in parts or total is not None)
    parts["traction-idle"] = np.full(time_s.shape, idle_w)
    basis["traction-idle"] = "modelled" if notes else "measured at standstill"
    return AuxiliaryLoad(
        total_w=logged + idle_w,
        parts_w=parts,
        basis=basis,
        sigma_w=float(np.hypot(sigma_w, 0.02 * logged.mean())),
        notes=notes,
    )


def _idle(
    drive: Drive, build: BuildSettings, power: PackPower, logged_w: FloatArray, *, has_base: bool
) -> tuple[float, float, tuple[str, ...]]:
    """Idle load beyond what is logged, its uncertainty, and what was assumed. [W]"""
    speed, base = road_speed(drive), build.auxiliary.base_power_w
    if speed is not None:
        moving = np.nan_to_num(np.abs(speed.at(power.time_s)), nan=1.0)
        still = (moving < 0.1) & ~is_charging_at(drive, power.time_s)
        left = (power.power_w - logged_w)[still]
        left = left[np.isfinite(left)]
        step_s = float(np.median(np.diff(power.time_s)))
        if left.size * step_s >= LEAST_STANDSTILL_S:
            median = float(np.median(left))
            # Standing time is one sample of the load, not many: its spread counts in full.
            spread = 1.4826 * float(np.median(np.abs(left - median)))
            return max(median, 0.0), spread + 10.0, ()
    if has_base:
        return 0.0, base.sigma, ("no standstill long enough: no idle load beyond the logged auxiliaries assumed",)
    return base.value, base.sigma, (f"auxiliaries not logged: {base.value:.0f} W of the build assumed",)
