"""What of a drive heats and cools: block means of torque, speed, current and temperatures (method/heat.md, 2)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.drive.context import slope_along
from logan.drive.drive import Channel, Drive, air_of, headwind_at, pack_power, road_speed
from logan.drive.wheel_work import rotating_mass_of
from logan.heat.network import expected_losses
from logan.numerics import interpolate
from logan.physics.machine import MachineLosses
from logan.physics.road_load import road_load_force_n
from logan.physics.tyre import temperature_factor
from logan.quality.survey import resolution
from logan.results import Refusal
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

SOURCES: Final = ("motor torque", "pack power", "wheel force")
"""What torque is taken from, best first; pack power goes with wheel force. Phase current holds what weakens the field
as well, and told less of another gear than pack power does (method/heat.md, 9)."""

BLOCK_S: Final = 4.0
"""Length of a block. [s]"""

CHANNELS: Final = {
    "motor": ("motor_temperature",),
    "rotor": ("rotor_temperature",),
    "inverter": ("inverter_temperature",),
    "coolant": ("coolant_temperature",),
    "cells": ("cell_temperature_max", "cell_temperature", "pack_temperature"),
    "oil": ("gearbox_oil_temperature",),
}
"""Parts, and the channels that show them, best first."""

LEAST_TORQUE_NM: Final = 25.0
SCALE_S: Final = 15
"""The load's scale is taken from means this long, so that a late or smoothed acceleration does not bias it. [s]"""

LEAST_SHARE_RATIO: Final = 0.9
LOSS_SIGMA_RATIO, PACK_SIGMA_RATIO, STANDBY_SIGMA_W = 0.25, 0.01, 150.0
"""What torque from pack power is known to: expected losses, gain of the pack's sensors, unlogged auxiliaries."""

FORCE_SIGMA_RATIO, SLOPE_SIGMA_RATIO, WIND_SIGMA_M_PER_S = 0.03, 0.005, 3.0
"""What torque from wheel force is known to: weight and road load, slope with payload, and the day's wind."""

COARSE_M_PER_S: Final = 0.15
"""A speed in steps wider than this is smoothed over three seconds: else the steps would be torque. [m/s]"""

_SMOOTH: Final = np.ones(3) / 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadVehicle:
    """What turns a road into torque: plain numbers of the plan or the fit.

    Parameters
    ----------
    mass_kg, rotating_kg, drag_area_m2, rolling_coefficient : float
        As driven; inertia of what turns, at the road.
    driveline_n, driveline_n_s_per_m, linear_n_s_per_m, tire_rise_ratio, rolling_per_k : float
        Road load besides: drag of the driveline, constant and by speed; a certified B; rise of rolling resistance
        with speed, and its fall per kelvin.
    constant_loss_w, copper_loss_w_per_n2 : float
        Losses besides the efficiencies, as ``force_loss_w`` takes them.
    auxiliary_w : float
        Auxiliary power that no channel logs.
    losses : MachineLosses or None
        Of motor and inverter, as their size lets one expect.
    total_ratio, circumference_m, gear_efficiency_ratio : float
        Motor turns per wheel turn, distance per wheel turn, shaft to wheels.
    """

    mass_kg: float | FloatArray
    rotating_kg: float
    drag_area_m2: float | FloatArray
    rolling_coefficient: float | FloatArray
    total_ratio: float
    circumference_m: float
    gear_efficiency_ratio: float = 0.97
    driveline_n: float = 0.0
    driveline_n_s_per_m: float = 0.0
    linear_n_s_per_m: float = 0.0
    tire_rise_ratio: float = 0.0
    rolling_per_k: float = 0.0
    constant_loss_w: float = 0.0
    copper_loss_w_per_n2: float = 0.0
    auxiliary_w: float = 0.0
    losses: MachineLosses | None = None

    @classmethod
    def of(cls, build: BuildSettings, medians: FloatArray, total_ratio: float | None = None) -> RoadVehicle:
        """Of a build with the parameters of its plan or fit, in the gear in the vehicle or another."""
        ratio = build.powertrain.gearing.total_ratio if total_ratio is None else total_ratio
        return cls(
            mass_kg=float(medians[0]),
            rotating_kg=rotating_mass_of(build, ratio),
            drag_area_m2=float(medians[1]),
            rolling_coefficient=float(medians[2]),
            total_ratio=ratio,
            circumference_m=build.vehicle.tyre_rolling_circumference_m.value,
            auxiliary_w=float(medians[5]) if len(medians) > 5 else 0.0,
            losses=expected_losses(build),
        )

    def as_driven(
        self, *, ambient_degc: float, payload_kg: float = 0.0, drag_factor: float = 1.0, rolling_factor: float = 1.0
    ) -> RoadVehicle:
        """The same with a load, in this air, on this road."""
        warmth = temperature_factor(np.asarray(ambient_degc), np.asarray(self.rolling_per_k))
        return replace(
            self,
            mass_kg=self.mass_kg + payload_kg,
            drag_area_m2=self.drag_area_m2 * drag_factor,
            rolling_coefficient=self.rolling_coefficient * rolling_factor * warmth,
            linear_n_s_per_m=self.linear_n_s_per_m * rolling_factor,
            rolling_per_k=0.0,
        )

    def load_n(
        self,
        speed_m_per_s: FloatArray,
        density_kg_per_m3: float,
        headwind_m_per_s: float | FloatArray = 0.0,
        grade_ratio: float | FloatArray = 0.0,
    ) -> FloatArray:
        """Force at the wheels that holds a speed, as driven. [N]"""
        return road_load_force_n(
            speed_m_per_s,
            mass_kg=self.mass_kg,
            rolling_coefficient=self.rolling_coefficient,
            drag_area_m2=self.drag_area_m2,
            air_density_kg_per_m3=density_kg_per_m3,
            headwind_m_per_s=headwind_m_per_s,
            grade_ratio=grade_ratio,
            driveline_n=self.driveline_n,
            linear_n_s_per_m=self.linear_n_s_per_m + self.driveline_n_s_per_m,
            tire_rise_ratio=self.tire_rise_ratio,
        )

    @property
    def radians_per_metre(self) -> float:
        """Motor angle per distance. [rad/m]"""
        return 2.0 * np.pi * self.total_ratio / self.circumference_m

    def torque_nm(self, wheel_force_n: FloatArray) -> FloatArray:
        """Motor torque for a force at the wheels; braking, the gear's loss helps. [N m]"""
        pull = wheel_force_n / self.gear_efficiency_ratio
        return np.asarray(
            np.where(wheel_force_n > 0.0, pull, wheel_force_n * self.gear_efficiency_ratio) / self.radians_per_metre
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatSeries:
    """One drive in blocks of four seconds, all arrays of shape (n,).

    Parameters
    ----------
    load_source : str
        What the torque is taken from, one of ``SOURCES``.
    square, magnitude : ndarray
        Mean of the load squared, and of its magnitude; in newton metres, or amperes of the phases.
    shaft_rad_per_s, shaft_square, road_m_per_s : ndarray
        Mean shaft speed and its square; road speed. [rad/s, (rad/s)2, m/s]
    current_a2 : ndarray
        Mean of pack current squared. [A2]
    ambient_degc : ndarray
        Outside air. [degC]
    temperatures : mapping of str to ndarray
        By part; NaN where not known. [degC]
    shaft_w, pack_w : ndarray or None
        Torque times shaft speed, and pack power less heater and air conditioning, where all are logged. [W]
    load_sum, torque_sum : float
        Sums over pulling samples of the load, and of torque from wheel force: their quotient is the scale.
    """

    load_source: str
    square: FloatArray
    magnitude: FloatArray
    shaft_rad_per_s: FloatArray
    shaft_square: FloatArray
    road_m_per_s: FloatArray
    current_a2: FloatArray
    ambient_degc: FloatArray
    temperatures: Mapping[str, FloatArray]
    load_sum: float = 0.0
    torque_sum: float = 0.0
    shaft_w: FloatArray | None = None
    pack_w: FloatArray | None = None


def heat_series(drive: Drive, vehicle: RoadVehicle, *, motors: int = 1) -> HeatSeries | Refusal:
    """Reduce a drive to what heats and cools.

    Parameters
    ----------
    drive : Drive
        The drive.
    vehicle : RoadVehicle
        What turns road into torque.
    motors : int
        Equal motors on the chain; the load is that of all together.

    Returns
    -------
    HeatSeries or Refusal
        In blocks, or why the drive cannot be used.
    """
    speed = road_speed(drive)
    if speed is None:
        return Refusal("road speed is not logged", "Log the speed")
    found = [(part, channel) for part, names in CHANNELS.items() if (channel := _first(drive, names)) is not None]
    if not found:
        return Refusal("no temperature of motor, inverter, coolant or cells is logged", "Log them")
    start_s = float(speed.time_s[0])
    count = int((float(speed.time_s[-1]) - start_s) / BLOCK_S)
    if count < 60:
        return Refusal("the drive is shorter than four minutes", "Drive longer")
    time_s: FloatArray = np.asarray(start_s + 0.5 + np.arange(count * int(BLOCK_S)), dtype=np.float64)
    ends = np.maximum(speed.at(np.append(time_s - 0.5, time_s[-1] + 0.5), max_gap_s=10.0), 0.0)
    if float(np.isfinite(ends).mean()) < LEAST_SHARE_RATIO:
        return Refusal("a tenth of the road speed is missing", "Log it all the way")
    ends = _filled(ends)
    if resolution(speed.value) > COARSE_M_PER_S:
        ends = np.convolve(np.pad(ends, 1, mode="edge"), _SMOOTH, mode="valid")
    road = 0.5 * (ends[1:] + ends[:-1])
    turning = drive.get("motor_speed")
    shaft = road * vehicle.radians_per_metre
    if turning is not None:
        logged = np.abs(turning.at(time_s, max_gap_s=10.0))
        shaft = np.where(np.isfinite(logged), logged, shaft)
    by_force = vehicle.torque_nm(_wheel_force_n(drive, vehicle, time_s, ends))
    watts = _pack_w(drive, time_s)
    pulled = _with_pack_power(vehicle, road, shaft, by_force, watts)
    logged_nm = _logged_torque_nm(drive, time_s, motors)
    load, source = (pulled, SOURCES[1 if watts is not None else 2]) if logged_nm is None else (logged_nm, SOURCES[0])
    steady = np.ones(SCALE_S) / SCALE_S
    load_mean, pulled_mean = (np.convolve(one, steady, mode="valid") for one in (load, by_force))
    pulls = load_mean > LEAST_TORQUE_NM
    current = drive.get("pack_current")
    amperes = np.zeros(time_s.shape) if current is None else np.nan_to_num(current.at(time_s, max_gap_s=10.0))
    ambient = _first(drive, ("ambient_temperature",))
    outside = np.full(time_s.shape, air_of(drive).temperature_degc)
    if ambient is not None:
        outside = _filled(ambient.at(time_s, max_gap_s=120.0))
    is_electric = source == "motor torque" and turning is not None and watts is not None
    return HeatSeries(
        load_source=source,
        shaft_w=_blocks(load * shaft) if is_electric else None,
        pack_w=_blocks(watts - vehicle.auxiliary_w) if is_electric and watts is not None else None,
        square=_blocks(load**2),
        magnitude=_blocks(np.abs(load)),
        shaft_rad_per_s=_blocks(shaft),
        shaft_square=_blocks(shaft**2),
        road_m_per_s=_blocks(road),
        current_a2=_blocks(amperes**2),
        ambient_degc=_blocks(outside),
        temperatures={part: _blocks(channel.at(time_s, max_gap_s=60.0)) for part, channel in found},
        load_sum=float(load_mean[pulls].sum()),
        torque_sum=float(pulled_mean[pulls].sum()),
    )


def _first(drive: Drive, names: tuple[str, ...]) -> Channel | None:
    for name in names:
        channel = drive.get(name)
        if channel is not None and int(np.isfinite(channel.value).sum()) > 10:
            return channel
    return None


def _logged_torque_nm(drive: Drive, time_s: FloatArray, motors: int) -> FloatArray | None:
    """Torque of all motors as logged; None where it is not, or hardly."""
    channel = drive.get("motor_torque")
    if channel is None:
        return None
    value = channel.at(time_s, max_gap_s=10.0)
    is_known = float(np.isfinite(value).mean()) >= LEAST_SHARE_RATIO and float(np.nanmax(np.abs(value))) > 1.0
    return _filled(value) * motors if is_known else None


def _pack_w(drive: Drive, time_s: FloatArray) -> FloatArray | None:
    """Power from the pack less heater and air conditioning; NaN where not known."""
    power = pack_power(drive)
    if power is None:
        return None
    watts = interpolate(time_s, power.time_s, power.power_w, max_gap_s=10.0)
    for name in ("heater_power", "air_conditioning_power"):
        if (comfort := drive.get(name)) is not None:
            watts = watts - np.nan_to_num(comfort.at(time_s, max_gap_s=30.0))
    return np.asarray(watts)


def _with_pack_power(
    vehicle: RoadVehicle, road: FloatArray, shaft: FloatArray, by_force: FloatArray, watts: FloatArray | None
) -> FloatArray:
    """Torque from wheel force and from pack power less expected losses, each by how well it is known there.

    Wheel force knows nothing of wind, payload and friction brakes, pack power little at low speed.

    Method: heat (1b).
    """
    if watts is None or vehicle.losses is None:
        return by_force
    turning, torque = np.maximum(shaft, 1.0), by_force
    for _ in range(6):
        loss_w, step_nm = _drive_loss_w(vehicle.losses, torque, shaft), 1.0
        slope = turning + (_drive_loss_w(vehicle.losses, torque + step_nm, shaft) - loss_w) / step_nm
        torque = torque - (torque * turning + loss_w + vehicle.auxiliary_w - watts) / np.maximum(slope, 0.3 * turning)
    known_w = np.sqrt((LOSS_SIGMA_RATIO * loss_w) ** 2 + (PACK_SIGMA_RATIO * watts) ** 2 + STANDBY_SIGMA_W**2)
    wind_n = 1.2 * vehicle.drag_area_m2 * road * WIND_SIGMA_M_PER_S
    slope_n = SLOPE_SIGMA_RATIO * vehicle.mass_kg * STANDARD_GRAVITY_M_PER_S2
    # What is braked away is the friction brakes' as well.
    share_nm = np.where(by_force > 0.0, FORCE_SIGMA_RATIO, 1.0) * by_force
    force_weight = 1.0 / (np.hypot(wind_n, slope_n) ** 2 / vehicle.radians_per_metre**2 + share_nm**2)
    power_weight = np.where(np.isfinite(watts) & (road > 0.3), (turning / np.nan_to_num(known_w, nan=1.0)) ** 2, 0.0)
    mean = np.nan_to_num(torque) * power_weight + by_force * force_weight
    return np.where(road > 0.3, mean / (power_weight + force_weight), 0.0)


def _drive_loss_w(losses: MachineLosses, torque_nm: FloatArray, shaft_rad_per_s: FloatArray) -> FloatArray:
    """Of motor and inverter, gear left aside. [W]"""
    return losses.loss_w(torque_nm, shaft_rad_per_s) - losses.gear_w(torque_nm, shaft_rad_per_s)


def _wheel_force_n(drive: Drive, vehicle: RoadVehicle, time_s: FloatArray, ends_m_per_s: FloatArray) -> FloatArray:
    """Force at the wheels from motion, slope and road load, brakes counted as the motor's."""
    road = 0.5 * (ends_m_per_s[1:] + ends_m_per_s[:-1])
    grade = drive.get("grade")
    slope = np.zeros(time_s.shape)
    if grade is not None:
        slope = np.nan_to_num(grade.at(time_s, max_gap_s=10.0))
    elif (along := slope_along(drive)) is not None:
        slope = np.nan_to_num(np.interp(time_s, along[0], np.nan_to_num(along[1])))
    air, wind = air_of(drive), headwind_at(drive, time_s)
    payload_kg = getattr(drive.conditions, "payload_kg", None) or 0.0
    driven = vehicle.as_driven(ambient_degc=air.temperature_degc, payload_kg=payload_kg)
    steady = driven.load_n(road, air.density_kg_per_m3, 0.0 if wind is None else wind, slope)
    inertia_n = (driven.mass_kg + driven.rotating_kg) * np.diff(ends_m_per_s)
    return np.where(road > 0.3, steady + inertia_n, 0.0)


def _filled(value: FloatArray) -> FloatArray:
    """Gaps bridged in a straight line."""
    known = np.isfinite(value)
    at = np.arange(value.size)
    return np.interp(at, at[known], value[known]) if known.any() else value


def _blocks(value: FloatArray) -> FloatArray:
    """Mean of each block over its known samples; NaN where there is none."""
    table = value.reshape(-1, int(BLOCK_S))
    known = np.isfinite(table)
    total, count = np.where(known, table, 0.0).sum(axis=1), known.sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
