"""Every braking of a drive: what it gave up, what the pack got back, what the brakes burnt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Drive, PackPower
from logan.drive.logged_loads import AuxiliaryLoad
from logan.drive.wheel_work import WheelWork
from logan.numerics import cumulative, joined_spans, spans_where
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, BoolArray, FloatArray

REGEN_THRESHOLD_W: Final = 500.0
DECELERATION_THRESHOLD_W: Final = 2_000.0
LEAST_BRAKING_J: Final = 7_200.0
"""Brakings that give up less than 2 Wh are left out. [J]"""

AT_LIMIT_RATIO: Final = 0.95
BRAKE_PRESSURE_PA: Final = 100_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Braking:
    """One braking.

    Parameters
    ----------
    start_s, end_s : float
        [s]
    start_speed_m_per_s, end_speed_m_per_s : float
        [m/s]
    kinetic_j, potential_j, resisted_j : float
        Kinetic and height energy given up; of them, taken by rolling and air. [J]
    into_pack_j : float
        Put into the pack. [J]
    into_motor_j : float
        Put into pack and auxiliaries by the motor. [J]
    friction_j, capped_j : float
        Taken by friction brakes; of it, while a regen limit was reached. [J]
    sigma_j : float
        One standard uncertainty of the braking work. [J]
    brake_pressed : bool or None
        Whether the brake pedal was used; None where it is not logged.
    limited_by : str
        Limit that was reached; empty where none was seen.
    """

    start_s: float
    end_s: float
    start_speed_m_per_s: float
    end_speed_m_per_s: float
    kinetic_j: float
    potential_j: float
    resisted_j: float
    into_pack_j: float
    into_motor_j: float
    friction_j: float
    capped_j: float
    sigma_j: float
    brake_pressed: bool | None
    limited_by: str

    @property
    def braking_j(self) -> float:
        """Work that motor and brakes took from the wheels. [J]"""
        return self.kinetic_j + self.potential_j - self.resisted_j


def brakings(
    drive: Drive, build: BuildSettings, work: WheelWork, power: PackPower, auxiliary: AuxiliaryLoad
) -> tuple[Braking, ...]:
    """Every braking of a drive.

    A braking is a stretch in which the motor feeds back, the brake is pressed, or speed
    falls faster than rolling and air explain. Friction is what the wheels gave up beyond
    what the motor's electrical output needed; without a brake channel it counts only
    where it exceeds twice its uncertainty.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        Brake and limit channels; regen efficiency and cap.
    work : WheelWork
        Work at the wheels.
    power : PackPower
        Pack power.
    auxiliary : AuxiliaryLoad
        Auxiliaries, which the motor feeds too while it brakes.

    Returns
    -------
    tuple of Braking
        In order of time.
    """
    time_s = work.time_s
    back_w = _at(time_s, power, auxiliary.total_w - power.power_w)
    pressed = _pressed(drive, time_s)
    slowing_w = np.zeros(time_s.shape)
    slowing_w[1:] = _slowing_power_w(work)
    is_braking = (back_w > REGEN_THRESHOLD_W) | (slowing_w > DECELERATION_THRESHOLD_W)
    if pressed is not None:
        is_braking |= pressed
    is_braking &= work.speed_m_per_s > 0.3
    view = _View(drive, build, work, power, auxiliary, pressed)
    spans = joined_spans(spans_where(time_s, is_braking, min_duration_s=0.4), gap_s=1.0)
    found = (view.braking(start_s, end_s) for start_s, end_s in spans)
    return tuple(one for one in found if one.kinetic_j + one.potential_j > LEAST_BRAKING_J)


def _at(time_s: FloatArray, power: PackPower, value: FloatArray) -> FloatArray:
    known = np.isfinite(value)
    return np.interp(time_s, power.time_s[known], value[known]) if known.any() else np.zeros(time_s.shape)


def _pressed(drive: Drive, time_s: FloatArray) -> BoolArray | None:
    switch, pressure = drive.get("brake_switch"), drive.get("brake_pressure")
    if switch is None and pressure is None:
        return None
    pressed = np.zeros(time_s.shape, dtype=bool)
    if switch is not None:
        pressed |= np.nan_to_num(switch.at(time_s, max_gap_s=5.0)) > 0.5
    if pressure is not None:
        pressed |= np.nan_to_num(pressure.at(time_s, max_gap_s=5.0)) > BRAKE_PRESSURE_PA
    return pressed


def _slowing_power_w(work: WheelWork) -> FloatArray:
    """Power beyond rolling and air that slows the vehicle, from one second's fall of speed; hills left out."""
    step_s = np.diff(work.time_s)
    running = np.concatenate(([0.0], np.cumsum(work.kinetic_j + work.rolling_j + work.air_j)))
    half_s = max(0.5, float(np.median(step_s)))
    later = np.interp(work.time_s[1:] + half_s, work.time_s, running)
    sooner = np.interp(work.time_s[1:] - half_s, work.time_s, running)
    return np.asarray((sooner - later) / (2.0 * half_s))


class _View:
    """Running integrals of one drive, from which each braking takes its differences."""

    def __init__(
        self,
        drive: Drive,
        build: BuildSettings,
        work: WheelWork,
        power: PackPower,
        auxiliary: AuxiliaryLoad,
        pressed: BoolArray | None,
    ) -> None:
        self.work, self.power, self.pressed = work, power, pressed
        self.regen_efficiency = build.powertrain.regen_efficiency
        self.running = {
            name: np.concatenate(([0.0], np.cumsum(getattr(work, name))))
            for name in ("kinetic_j", "hills_j", "rolling_j", "air_j")
        }
        watts = np.nan_to_num(power.power_w)
        gap_s = power.max_gap_s
        self.into_pack = cumulative(power.time_s, np.maximum(-watts, 0.0), max_gap_s=gap_s)
        back_w = np.maximum(auxiliary.total_w - watts, 0.0)
        self.into_motor = cumulative(power.time_s, back_w, max_gap_s=gap_s)
        self.limits = _limits_reached(drive, build, power)
        self.at_limit = {
            name: (
                cumulative(power.time_s, np.where(reached, back_w, 0.0), max_gap_s=gap_s),
                cumulative(power.time_s, reached.astype(np.float64), max_gap_s=gap_s),
            )
            for name, reached in self.limits.items()
        }

    def _fallen(self, name: str, start_s: float, end_s: float) -> float:
        before, after = np.interp([start_s, end_s], self.work.time_s, self.running[name])
        return float(before - after)

    def _gained(self, running: FloatArray, start_s: float, end_s: float) -> float:
        before, after = np.interp([start_s, end_s], self.power.time_s, running)
        return float(after - before)

    def braking(self, start_s: float, end_s: float) -> Braking:
        """Energies of one span."""
        kinetic, potential = self._fallen("kinetic_j", start_s, end_s), self._fallen("hills_j", start_s, end_s)
        resisted = -self._fallen("rolling_j", start_s, end_s) - self._fallen("air_j", start_s, end_s)
        braking = kinetic + potential - resisted
        motor = self._gained(self.into_motor, start_s, end_s)
        efficiency = self.regen_efficiency
        height_j = self.work.mass_kg * STANDARD_GRAVITY_M_PER_S2 * (self.work.height_sigma_m or 0.0)
        relative = efficiency.sigma / efficiency.value
        # Satellite height wanders slowly: over one braking only a tenth of its error shows.
        sigma = float(
            np.sqrt((0.03 * kinetic) ** 2 + (0.1 * height_j) ** 2 + (relative * motor / efficiency.value) ** 2)
        )
        unexplained = braking - motor / efficiency.value
        pressed = self._is_pressed(start_s, end_s)
        if pressed is None:
            friction = unexplained if unexplained > 2.0 * sigma else 0.0
        else:
            friction = max(unexplained, 0.0) if pressed else 0.0
        limited_by, share = self._limit(start_s, end_s, motor)
        first, last = np.interp([start_s, end_s], self.work.time_s, self.work.speed_m_per_s)
        return Braking(
            start_s=start_s,
            end_s=end_s,
            start_speed_m_per_s=float(first),
            end_speed_m_per_s=float(last),
            kinetic_j=kinetic,
            potential_j=potential,
            resisted_j=resisted,
            into_pack_j=self._gained(self.into_pack, start_s, end_s),
            into_motor_j=motor,
            friction_j=friction,
            capped_j=friction * share,
            sigma_j=sigma,
            brake_pressed=pressed,
            limited_by=limited_by,
        )

    def _is_pressed(self, start_s: float, end_s: float) -> bool | None:
        if self.pressed is None:
            return None
        inside = (self.work.time_s >= start_s) & (self.work.time_s <= end_s)
        return bool(self.pressed[inside].any())

    def _limit(self, start_s: float, end_s: float, motor_j: float) -> tuple[str, float]:
        """Limit under which most of the energy flowed back or the time passed, and the share that did."""
        shares = {}
        for name, (energy, duration) in self.at_limit.items():
            of_time = self._gained(duration, start_s, end_s) / max(end_s - start_s, 1e-9)
            of_energy = self._gained(energy, start_s, end_s) / motor_j if motor_j > 0.0 else 0.0
            shares[name] = max(of_time, of_energy)
        name = max(shares, key=lambda key: shares[key], default="")
        return (name, min(shares[name], 1.0)) if name and shares[name] > 0.05 else ("", 0.0)


def _limits_reached(drive: Drive, build: BuildSettings, power: PackPower) -> dict[str, BoolArray]:
    """Where on the times of pack power each regen limit was reached."""
    reached: dict[str, BoolArray] = {}
    watts = power.power_w
    pairs = (("charge_current_limit", "pack_current"), ("regen_torque_limit", "motor_torque"))
    for limit_name, name in pairs:
        limit, channel = drive.get(limit_name), drive.get(name)
        if limit is not None and channel is not None:
            allowed = limit.at(power.time_s, max_gap_s=30.0)
            value = -channel.at(power.time_s, max_gap_s=1.0)
            grace = max(2.0, 0.01 * float(np.nanmax(np.abs(channel.value), initial=0.0)))
            # A few amperes or newton metres of grace: at a limit of zero the auxiliaries' own draw remains.
            reached[limit_name] = np.nan_to_num(value - AT_LIMIT_RATIO * allowed + grace, nan=-1.0) > 0.0
    announced = drive.get("charge_power_limit")
    if announced is not None:
        allowed = announced.at(power.time_s, max_gap_s=30.0)
        reached["charge_power_limit"] = np.nan_to_num(-watts - AT_LIMIT_RATIO * allowed, nan=-1.0) > 0.0
    cap_w = build.powertrain.regen_power_limit_w
    if cap_w is not None:
        reached["regen power limit of the build"] = np.nan_to_num(-watts) > AT_LIMIT_RATIO * cap_w
    return reached
