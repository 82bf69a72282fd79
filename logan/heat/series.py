"""What of a drive heats and cools: block means of torque, speed, current and temperatures (method/heat.md, 2)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.context import slope_along
from logan.drive.drive import Channel, Drive, air_of, headwind_at, pack_power, road_speed
from logan.numerics import interpolate
from logan.physics.road_load import road_load_force_n
from logan.physics.tyre import rotating_mass_kg
from logan.quality.survey import resolution
from logan.results import Refusal
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray

BLOCK_S: Final = 4.0
"""Length of a block. [s]"""

CHANNELS: Final = {
    "motor": ("motor_temperature",),
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
    total_ratio, circumference_m, gear_efficiency_ratio : float
        Motor turns per wheel turn, distance per wheel turn, shaft to wheels.
    """

    mass_kg: float
    rotating_kg: float
    drag_area_m2: float
    rolling_coefficient: float
    total_ratio: float
    circumference_m: float
    gear_efficiency_ratio: float = 0.97

    @classmethod
    def of(cls, build: BuildSettings, medians: FloatArray, total_ratio: float | None = None) -> RoadVehicle:
        """Of a build with the parameters of its plan or fit, in the gear in the vehicle or another."""
        motor, vehicle = build.powertrain.motor, build.vehicle
        ratio = build.powertrain.gearing.total_ratio if total_ratio is None else total_ratio
        circumference_m = vehicle.tyre_rolling_circumference_m.value
        return cls(
            mass_kg=float(medians[0]),
            rotating_kg=rotating_mass_kg(
                wheel_inertia_kg_m2=vehicle.wheel_inertia_kg_m2,
                rotor_inertia_kg_m2=motor.rotor_inertia_kg_m2 * motor.count,
                total_ratio=ratio,
                rolling_circumference_m=circumference_m,
            ),
            drag_area_m2=float(medians[1]),
            rolling_coefficient=float(medians[2]),
            total_ratio=ratio,
            circumference_m=circumference_m,
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
        What the torque is taken from: ``motor torque``, ``motor current`` or ``wheel force``.
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
    pulled_square : ndarray or None
        Mean of torque from wheel force squared, where the motor pulls all through the block. [(N m)2]
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
    pulled_square: FloatArray | None = None


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
    pulled = vehicle.torque_nm(_wheel_force_n(drive, vehicle, time_s, ends))
    load, source = _load(drive, time_s, pulled, motors)
    steady = np.ones(SCALE_S) / SCALE_S
    load_mean, pulled_mean = (np.convolve(one, steady, mode="valid") for one in (load, pulled))
    pulls = load_mean > LEAST_TORQUE_NM
    current = drive.get("pack_current")
    amperes = np.zeros(time_s.shape) if current is None else np.nan_to_num(current.at(time_s, max_gap_s=10.0))
    ambient = _first(drive, ("ambient_temperature",))
    outside = np.full(time_s.shape, air_of(drive).temperature_degc)
    if ambient is not None:
        outside = _filled(ambient.at(time_s, max_gap_s=120.0))
    power = pack_power(drive)
    is_electric = source == "motor torque" and turning is not None and power is not None
    watts = interpolate(time_s, power.time_s, power.power_w, max_gap_s=10.0) if power is not None else outside
    for name in ("heater_power", "air_conditioning_power"):
        if (comfort := drive.get(name)) is not None:
            watts = watts - np.nan_to_num(comfort.at(time_s, max_gap_s=30.0))
    return HeatSeries(
        load_source=source,
        shaft_w=_blocks(load * shaft) if is_electric else None,
        pack_w=_blocks(watts) if is_electric else None,
        pulled_square=np.where((pulled > 0.0).reshape(-1, int(BLOCK_S)).all(axis=1), _blocks(pulled**2), np.nan),
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


def _load(drive: Drive, time_s: FloatArray, pulled_nm: FloatArray, motors: int) -> tuple[FloatArray, str]:
    """Torque as logged, else phase current with the torque's sign, else torque from the wheels' force."""
    for name, source in (("motor_torque", "motor torque"), ("motor_current", "motor current")):
        channel = drive.get(name)
        if channel is None:
            continue
        value = channel.at(time_s, max_gap_s=10.0)
        if float(np.isfinite(value).mean()) >= LEAST_SHARE_RATIO and float(np.nanmax(np.abs(value))) > 1.0:
            value = _filled(value) * motors
            return (value if name == "motor_torque" else np.abs(value) * np.sign(pulled_nm)), source
    return pulled_nm, "wheel force"


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
    steady = road_load_force_n(
        road,
        mass_kg=vehicle.mass_kg + payload_kg,
        rolling_coefficient=vehicle.rolling_coefficient,
        drag_area_m2=vehicle.drag_area_m2,
        air_density_kg_per_m3=air.density_kg_per_m3,
        grade_ratio=0.0,
    )
    if wind is not None:
        felt = (road + wind) * np.abs(road + wind) - road * np.abs(road)
        steady = steady + 0.5 * air.density_kg_per_m3 * vehicle.drag_area_m2 * felt
    weight_n = (vehicle.mass_kg + payload_kg) * STANDARD_GRAVITY_M_PER_S2
    inertia_n = (vehicle.mass_kg + payload_kg + vehicle.rotating_kg) * np.diff(ends_m_per_s)
    return np.where(road > 0.3, steady + weight_n * slope + inertia_n, 0.0)


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
