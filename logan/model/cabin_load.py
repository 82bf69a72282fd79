"""Heating and cooling of the cabin as logged."""

from collections.abc import Iterable
from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.physics.battery import open_circuit_voltage_v
from logan.physics.tyre import WARM_UP_TIME_S
from logan.results import Estimate, result
from logan.settings import AuxiliarySettings, BuildSettings, PlanningValue
from logan.units import FloatArray

_HEATER: Final = "heater_power"
_AIR_CONDITIONING: Final = "air_conditioning_power"
_UNKNOWN_WEATHER_K: Final = 10.0
_UNLOGGED_SIGMA_SHARE: Final = 0.6
_TELLING_K: Final = 3.0
"""How far beyond the comfort band a logged load begins to tell the power per kelvin."""
_DAY_CABIN_RATIO: Final = 0.25
"""Of the power per kelvin, from one drive to another: set point, sun, people (common practice)."""
_CABIN_RATIO: Final = 0.05
"""What no number of drives averages away (common practice)."""


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
    """Logged cabin power; a load that the pack does not feed has been set to 0 W before (``logan.admission``).

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


def taught_cabin(
    drives: Iterable[tuple[float, float, float]], settings: AuxiliarySettings
) -> tuple[Estimate | None, Estimate | None]:
    """Cabin power per kelvin that drives with a logged heater or air conditioner teach.

    Parameters
    ----------
    drives : iterable of (float, float, float)
        Ambient temperature [degC], mean cabin power [W] and length [s] of each drive that logged what the weather asks.
    settings : AuxiliarySettings
        Comfort band, and the planned power; where none is planned the drives alone tell.

    Returns
    -------
    tuple of Estimate or None
        Heating and cooling; None where no drive was cold or hot enough. [W/K]
    """
    needs: tuple[list[float], list[float]] = ([], [])
    powers: tuple[list[float], list[float]] = ([], [])
    for ambient_degc, power_w, duration_s in drives:
        rise = 1.0 + WARM_UP_TIME_S / duration_s * (1.0 - np.exp(-duration_s / WARM_UP_TIME_S))
        beyond_k = settings.comfort_low_degc - ambient_degc, ambient_degc - settings.comfort_high_degc
        for side, kelvin in enumerate(beyond_k):
            if kelvin >= _TELLING_K:
                needs[side].append(float(kelvin * rise))
                powers[side].append(power_w)
    return (
        _per_kelvin(needs[0], powers[0], settings.heating_w_per_k),
        _per_kelvin(needs[1], powers[1], settings.cooling_w_per_k),
    )


def _per_kelvin(need_k: list[float], power_w: list[float], planned: PlanningValue) -> Estimate | None:
    if not need_k:
        return None
    value = sum(power_w) / sum(need_k)
    sigma = float(np.hypot(_DAY_CABIN_RATIO / np.sqrt(len(need_k)), _CABIN_RATIO)) * max(value, planned.value)
    if planned.value > 0.0 and planned.sigma > 0.0 and sigma > 0.0:
        share = planned.sigma**2 / (planned.sigma**2 + sigma**2)
        value, sigma = value * share + planned.value * (1.0 - share), float(np.sqrt(share)) * sigma
    drives = "one drive" if len(need_k) == 1 else f"{len(need_k)} drives"
    return Estimate(value, "W/K", sigma, f"logged in {drives}, and the plan")


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


def nominal_open_circuit_voltage_v(build: BuildSettings) -> float:
    """Open-circuit voltage of the pack in the middle of its usable window. [V]"""
    pack = build.pack
    if not pack.state_of_charge_points:
        return pack.cells_in_series * pack.cell_nominal_voltage_v
    middle = np.array([0.5 * (pack.usable_low_ratio + pack.usable_high_ratio)])
    cell_v = open_circuit_voltage_v(middle, pack.state_of_charge_points, pack.open_circuit_voltage_points_v)
    return pack.cells_in_series * float(cell_v[0])
