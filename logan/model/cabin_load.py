"""Heating and cooling of the cabin as logged, where the log can be believed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.results import read_only
from logan.settings import AuxiliarySettings
from logan.units import FloatArray

STANDSTILL_M_PER_S: Final = 0.3
_HEATER: Final = "heater_power"
_AIR_CONDITIONING: Final = "air_conditioning_power"
_UNKNOWN_WEATHER_K: Final = 10.0
_UNLOGGED_SIGMA_SHARE: Final = 0.6
_MARGIN_W: Final = 200.0
_STEP_W: Final = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CabinLoad:
    """Logged cabin power on a time grid.

    Parameters
    ----------
    power_w : ndarray, shape (n,)
        Heater and air conditioning together. [W]
    heater_logged, air_conditioning_logged : bool
        True when it is logged and believed.
    base_power_w : float or None
        Mean of the other logged auxiliaries. [W]
    warnings : tuple of str
        Why a channel is not believed.
    """

    power_w: FloatArray
    heater_logged: bool
    air_conditioning_logged: bool
    base_power_w: float | None
    warnings: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "power_w", read_only(self.power_w))

    @property
    def is_logged(self) -> bool:
        """True when at least one of the two is logged and believed."""
        return self.heater_logged or self.air_conditioning_logged


def cabin_load(drive: Drive, time_s: FloatArray, pack_power_w: FloatArray, speed_m_per_s: FloatArray) -> CabinLoad:
    """Logged cabin power, without channels that the pack power contradicts.

    Parameters
    ----------
    drive : Drive
        The drive.
    time_s, pack_power_w, speed_m_per_s : ndarray, shape (n,)
        Grid, and what the pack and the wheels did on it. [s, W, m/s]

    Returns
    -------
    CabinLoad
        Zero power where nothing is logged.
    """
    total_w, warnings, logged = np.zeros(time_s.shape), [], set()
    for kind, name in ((_HEATER, "heater"), (_AIR_CONDITIONING, "air conditioning")):
        for channel in drive.of_kind(kind):
            power_w = _on_grid(channel, time_s)
            if reason := _contradiction(time_s, power_w, pack_power_w, speed_m_per_s):
                warnings.append(f"the {name} channel is left out: {reason}")
                continue
            total_w += power_w
            logged.add(kind)
    return CabinLoad(
        power_w=total_w,
        heater_logged=_HEATER in logged,
        air_conditioning_logged=_AIR_CONDITIONING in logged,
        base_power_w=_base_power_w(drive, time_s, total_w),
        warnings=tuple(warnings),
    )


def unlogged_cabin(
    load: CabinLoad, ambient_temperature_degc: float, auxiliary: AuxiliarySettings, *, temperature_known: bool
) -> tuple[float, float]:
    """By what log factor heating or cooling that nobody logged may have raised the auxiliary power.

    Nobody knows whether it was on, so half of the whole rise is expected, and none as well as
    all of it lies within one standard uncertainty (common practice).

    Parameters
    ----------
    load : CabinLoad
        What was logged.
    ambient_temperature_degc : float
        Mean over the drive.
    auxiliary : AuxiliarySettings
        What heating and cooling draw, and at most.
    temperature_known : bool
        False where the temperature is assumed.

    Returns
    -------
    mean, sigma : float
        Zero where both are logged, not fitted, or not needed. [ratio]
    """
    cold_k = max(0.0, auxiliary.comfort_low_degc - ambient_temperature_degc)
    hot_k = max(0.0, ambient_temperature_degc - auxiliary.comfort_high_degc)
    if not temperature_known:
        cold_k = hot_k = _UNKNOWN_WEATHER_K
    heating_w = min(auxiliary.heating_w_per_k.value * cold_k, auxiliary.heater_limit_w)
    cooling_w = min(auxiliary.cooling_w_per_k.value * hot_k, auxiliary.air_conditioning_limit_w)
    # Heating and cooling do not run together.
    unlogged_w = max(0.0 if load.heater_logged else heating_w, 0.0 if load.air_conditioning_logged else cooling_w)
    whole = float(np.log1p(unlogged_w / max(auxiliary.base_power_w.value, 1.0)))
    return (0.5 * whole if temperature_known else 0.0), _UNLOGGED_SIGMA_SHARE * whole


def _on_grid(channel: Channel, time_s: FloatArray) -> FloatArray:
    power_w = channel.at(time_s, max_gap_s=max(60.0, channel.max_gap_s))
    return np.maximum(np.nan_to_num(power_w, nan=0.0), 0.0)


def _base_power_w(drive: Drive, time_s: FloatArray, cabin_w: FloatArray) -> float | None:
    everything = drive.get("auxiliary_power")
    if everything is not None and everything.time_s.size > 1:
        return max(float(np.mean(_on_grid(everything, time_s) - cabin_w)), 0.0)
    converter = drive.of_kind("dcdc_power")
    if not converter:
        return None
    return float(sum(np.mean(_on_grid(channel, time_s)) for channel in converter))


def _contradiction(time_s: FloatArray, power_w: FloatArray, pack_power_w: FloatArray, speed_m_per_s: FloatArray) -> str:
    """Why the pack cannot have fed this load; empty when nothing speaks against it."""
    known = np.isfinite(pack_power_w) & np.isfinite(speed_m_per_s)
    still = known & (np.abs(speed_m_per_s) < STANDSTILL_M_PER_S)
    if still.sum() >= 20 and np.mean(pack_power_w[still] < power_w[still] - _MARGIN_W) > 0.2:
        return "at standstill it shows more power than the pack gave"
    answered = _step_answers(time_s, power_w, pack_power_w)
    if answered.size >= 4 and np.median(answered) < 0.4:
        return "the pack power does not follow when it is switched"
    return ""


def _step_answers(time_s: FloatArray, power_w: FloatArray, pack_power_w: FloatArray) -> FloatArray:
    """Change of pack power over change of load, at each switching of 1 kW or more. [ratio]"""
    second_s = np.arange(np.ceil(time_s[0]), time_s[-1], 1.0)
    if second_s.size < 8:
        return np.empty(0)
    load_w = np.interp(second_s, time_s, power_w)
    known = np.isfinite(pack_power_w)
    pack_w = np.interp(second_s, time_s[known], pack_power_w[known]) if known.any() else np.zeros(second_s.shape)
    change_w, pack_change_w = load_w[4:] - load_w[:-4], pack_w[4:] - pack_w[:-4]
    switched = np.flatnonzero(np.abs(change_w) > _STEP_W)
    if switched.size == 0:
        return np.empty(0)
    # One answer per switching: neighbours within five seconds are the same event.
    first = switched[np.concatenate(([True], np.diff(switched) > 5))]
    return np.asarray(pack_change_w[first] / change_w[first])
