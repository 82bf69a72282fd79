"""Heating and cooling of the cabin as logged."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.results import result
from logan.settings import AuxiliarySettings
from logan.units import FloatArray

_HEATER: Final = "heater_power"
_AIR_CONDITIONING: Final = "air_conditioning_power"
_UNKNOWN_WEATHER_K: Final = 10.0
_UNLOGGED_SIGMA_SHARE: Final = 0.6


@result()
class CabinLoad:
    """Logged cabin power on a time grid.

    Parameters
    ----------
    power_w : ndarray, shape (n,)
        Heater and air conditioning together. [W]
    heater_logged, air_conditioning_logged : bool
        True when it is logged.
    base_power_w : float or None
        Mean of the other logged auxiliaries. [W]
    """

    power_w: FloatArray
    heater_logged: bool
    air_conditioning_logged: bool
    base_power_w: float | None

    @property
    def is_logged(self) -> bool:
        """True when at least one of the two is logged."""
        return self.heater_logged or self.air_conditioning_logged


def cabin_load(drive: Drive, time_s: FloatArray) -> CabinLoad:
    """Logged cabin power; a load that the pack does not feed is one of 0 W by now (``logan.admission``).

    Parameters
    ----------
    drive : Drive
        The drive.
    time_s : ndarray, shape (n,)
        Grid. [s]

    Returns
    -------
    CabinLoad
        Zero power where nothing is logged.
    """
    total_w, logged = np.zeros(time_s.shape), set()
    for kind in (_HEATER, _AIR_CONDITIONING):
        for channel in drive.of_kind(kind):
            total_w += _on_grid(channel, time_s)
            logged.add(kind)
    return CabinLoad(
        power_w=total_w,
        heater_logged=_HEATER in logged,
        air_conditioning_logged=_AIR_CONDITIONING in logged,
        base_power_w=_base_power_w(drive, time_s, total_w),
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
