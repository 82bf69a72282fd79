"""Every braking of a drive: what it gave up, what the pack got back, what the brakes burnt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from logan.drive.drive import STANDSTILL_M_PER_S, Drive, PackPower
from logan.drive.logged_loads import AuxiliaryLoad
from logan.drive.wheel_work import HILL_S_PER_M, WheelWork
from logan.numerics import cumulative, joined_spans, spans_where
from logan.settings import BuildSettings, PlanningValue
from logan.units import STANDARD_GRAVITY_M_PER_S2, BoolArray, FloatArray

REGEN_THRESHOLD_W: Final = 500.0
DECELERATION_THRESHOLD_W: Final = 2_000.0
LEAST_BRAKING_J: Final = 7_200.0
"""Brakings that give up less than 2 Wh are left out. [J]"""

SPEED_SIGMA_RATIO: Final = 0.03
"""One standard uncertainty of kinetic energy over one stretch (common practice)."""

LIMIT_GAP_S: Final = 0.3
"""Shorter times below a limit are within it. [s]"""

AT_LIMIT_RATIO: Final = 0.95
BRAKE_PRESSURE_PA: Final = 100_000.0


_MOST_STEPS: Final = 30
_SCALED_AT: Final = (5, 10, 15)

KNOWN_REGEN_RATIO: Final = 0.02
"""A regen efficiency known better than this, relative, was measured apart from friction (common practice)."""

MACHINE_SIGMA_RATIO: Final = 0.05
"""How far a machine's efficiency as a generator may be from its losses as a motor (common practice)."""

BRAKE_WORK_PER_PA_M: Final = 2e-3
BRAKE_WORK_SIGMA_LOG: Final = 0.7
"""Brake force per pressure, and how vehicles stray from it: small cars' discs on all wheels (from memory). [N/Pa]"""

PAD_SIGMA_RATIO: Final = 0.1
"""How far pads' grip strays from stop to stop, and with their heat over a drive (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What the wheels gave up over a stretch, or over several, and what the motor made of it.

    Parameters
    ----------
    kinetic_j, potential_j, resisted_j : float
        Kinetic and height energy given up; of them, taken by tires, air and driveline. [J]
    into_motor_j : float
        Put into pack and auxiliaries by the motor. [J]
    moving_s, squared_n2_s : float
        Time in motion, and the integral of the square of the motor's force at the wheels. [s, N2 s]
    noise_j2 : float
        Variance of the work from speed and height, each stretch by itself. [J2]
    """

    kinetic_j: float = 0.0
    potential_j: float = 0.0
    resisted_j: float = 0.0
    into_motor_j: float = 0.0
    moving_s: float = 0.0
    squared_n2_s: float = 0.0
    noise_j2: float = 0.0

    @property
    def braking_j(self) -> float:
        """Work that motor and brakes took from the wheels. [J]"""
        return self.kinetic_j + self.potential_j - self.resisted_j

    @classmethod
    def sum_of(cls, parts: Iterable[Held]) -> Held:
        """All stretches together."""
        listed = tuple(parts)
        return cls(**{one.name: float(sum(getattr(part, one.name) for part in listed)) for one in fields(Held)})


def is_known_apart(build: BuildSettings) -> bool:
    """Whether regen efficiency was measured apart from friction, so that friction can be told from it."""
    efficiency = build.powertrain.regen_efficiency
    return build.basis == "plan" and efficiency.sigma <= KNOWN_REGEN_RATIO * efficiency.value


@dataclass(frozen=True, slots=True, kw_only=True)
class Generator:
    """The drivetrain while it brakes: efficiency, and losses besides it where drives taught them.

    A regen efficiency that was measured apart is it. What else goes by that name has swallowed friction, so then the
    machine loses of its power as a generator what it loses as a motor: 2 - 1 / drive efficiency.
    """

    efficiency: PlanningValue
    constant_w: PlanningValue
    copper_w_per_n2: PlanningValue

    @classmethod
    def of(cls, build: BuildSettings) -> Generator:
        """Return a build's, as planned or as fitted."""
        train = build.powertrain
        efficiency, drive = train.regen_efficiency, train.drive_efficiency
        if not is_known_apart(build):
            sigma = float(np.hypot(MACHINE_SIGMA_RATIO, drive.sigma / drive.value**2))
            efficiency = PlanningValue(min(max(2.0 - 1.0 / drive.value, efficiency.value), 1.0), sigma, "as a motor")
        return cls(efficiency=efficiency, constant_w=train.constant_loss_w, copper_w_per_n2=train.copper_loss_w_per_n2)

    def taken_j(self, held: Held) -> float:
        """Work at the wheels that the motor's output took. [J]"""
        losses_j = self.constant_w.value * held.moving_s + self.copper_w_per_n2.value * held.squared_n2_s
        return (held.into_motor_j + losses_j) / self.efficiency.value

    def sigma_j(self, held: Held) -> float:
        """One standard uncertainty of what the motor took; the same error in every stretch. [J]"""
        of_losses = np.hypot(self.constant_w.sigma * held.moving_s, self.copper_w_per_n2.sigma * held.squared_n2_s)
        of_efficiency = self.efficiency.sigma / self.efficiency.value * self.taken_j(held)
        return float(np.hypot(of_efficiency, of_losses / self.efficiency.value))


@dataclass(frozen=True, slots=True, kw_only=True)
class Braking(Held):
    """One braking.

    Parameters
    ----------
    start_s, end_s : float
        [s]
    start_speed_m_per_s, end_speed_m_per_s : float
        [m/s]
    into_pack_j : float
        Put into the pack. [J]
    friction_j, capped_j : float
        Taken by friction brakes; of it, while a regen limit was reached. [J]
    sigma_j : float
        One standard uncertainty of the braking work. [J]
    brake_pressed : bool or None
        Whether the brake pedal was used; None where it is not logged.
    limited_by : str
        Limit that was reached; empty where none was seen.
    limited : Held
        The stretches of it in which that limit was reached.
    """

    start_s: float
    end_s: float
    start_speed_m_per_s: float
    end_speed_m_per_s: float
    into_pack_j: float
    friction_j: float
    capped_j: float
    sigma_j: float
    brake_pressed: bool | None
    limited_by: str
    limited: Held


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
    pressed = brake_pressed(drive, time_s)
    slowing_w = np.zeros(time_s.shape)
    slowing_w[1:] = _slowing_power_w(work)
    is_braking = (back_w > REGEN_THRESHOLD_W) | (slowing_w > DECELERATION_THRESHOLD_W)
    if pressed is not None:
        is_braking |= pressed
    is_braking &= work.speed_m_per_s > STANDSTILL_M_PER_S
    view = _View(drive, build, work, power, auxiliary, pressed)
    spans = joined_spans(spans_where(time_s, is_braking, min_duration_s=0.4), gap_s=1.0)
    found = (view.braking(start_s, end_s) for start_s, end_s in spans)
    return tuple(one for one in found if one.kinetic_j + one.potential_j > LEAST_BRAKING_J)


def friction_by_pressure(
    drive: Drive, build: BuildSettings, work: WheelWork, found: Sequence[Braking]
) -> tuple[float, float] | None:
    """Work of friction brakes over a drive by their pressure, and its standard uncertainty; None without pressure. [J]

    Friction is force per pressure times the integral of pressure above its threshold and speed; that force, the
    machine's efficiency and its losses are fitted together over the brakings, each with its prior (MAP, weights of
    Huber, noise scaled by the scatter itself).
    """
    pressure = drive.get("brake_pressure")
    if pressure is None or not np.isfinite(pressure.value).any() or not found:
        return None
    bite = np.maximum(np.nan_to_num(pressure.at(work.time_s, max_gap_s=1.0)) - BRAKE_PRESSURE_PA, 0.0)
    running = cumulative(work.time_s, bite * work.speed_m_per_s, max_gap_s=2.0)
    ends = np.array([[one.start_s, one.end_s] for one in found])
    pressed = np.diff(np.interp(ends, work.time_s, running), axis=1)[:, 0]
    values, precision = _pads_and_machine(found, pressed, Generator.of(build))
    whole = float(np.exp(values[0]) * running[-1])
    return whole, whole * float(np.hypot(np.sqrt(np.linalg.inv(precision)[0, 0]), PAD_SIGMA_RATIO))


def _pads_and_machine(
    found: Sequence[Braking], pressed: FloatArray, generator: Generator
) -> tuple[FloatArray, FloatArray]:
    """Log force per pressure, inverse efficiency and losses over it that explain the brakings best; their precision."""
    names = ("braking_j", "into_motor_j", "moving_s", "squared_n2_s", "noise_j2")
    braking, *columns, noise = np.array([[getattr(one, name) for name in names] for one in found]).T
    priors, back = (generator.constant_w, generator.copper_w_per_n2), 1.0 / generator.efficiency.value
    start = np.array([np.log(BRAKE_WORK_PER_PA_M), back, *(one.value * back for one in priors)])
    sigma = (BRAKE_WORK_SIGMA_LOG, generator.efficiency.sigma * back**2, *(one.sigma * back for one in priors))
    weight = np.diag(1.0 / np.maximum(sigma, 1e-12) ** 2)
    values, scale = start, 1.0
    for step in range(_MOST_STEPS):
        pads = np.exp(values[0]) * pressed
        noise_j = scale * np.sqrt(noise + (PAD_SIGMA_RATIO * pads) ** 2)
        rows = np.stack([pads, *columns], axis=1) / noise_j[:, None]
        left = (braking - pads) / noise_j - rows[:, 1:] @ values[1:]
        if step in _SCALED_AT:
            scale = max(scale * 1.4826 * float(np.median(np.abs(left - np.median(left)))), 0.3)
        huber = np.minimum(1.0, 2.0 / np.maximum(np.abs(left), 1e-9))[:, None]
        precision = rows.T @ (huber * rows) + weight
        moved = np.linalg.solve(precision, rows.T @ (huber[:, 0] * left) + weight @ (start - values))
        moved[0] = np.clip(moved[0], -1.0, 1.0)
        values = values + moved
    return values, precision


def _at(time_s: FloatArray, power: PackPower, value: FloatArray) -> FloatArray:
    known = np.isfinite(value)
    return np.interp(time_s, power.time_s[known], value[known]) if known.any() else np.zeros(time_s.shape)


def brake_pressed(drive: Drive, time_s: FloatArray) -> BoolArray | None:
    """Where a switch or the pressure shows the brake pressed; None where neither is logged."""
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
    """Power that is held back beyond tires, air and driveline, over one second."""
    step_s = np.diff(work.time_s)
    running = np.concatenate(([0.0], np.cumsum(work.kinetic_j + work.resisted_j))) + work.climbed_j
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
        self.generator = Generator.of(build)
        self.wheels = {
            "kinetic_j": np.concatenate(([0.0], -np.cumsum(work.kinetic_j))),
            "potential_j": -work.climbed_j,
            "resisted_j": np.concatenate(([0.0], np.cumsum(work.resisted_j))),
        }
        watts, self.gap_s = np.nan_to_num(power.power_w), power.max_gap_s
        self.into_pack = self._running(np.maximum(-watts, 0.0))
        back_w = np.maximum(auxiliary.total_w - watts, 0.0)
        speed = np.interp(power.time_s, work.time_s, work.speed_m_per_s)
        force_n = back_w / self.generator.efficiency.value / np.maximum(speed, 1.0)
        self.motor = {
            "into_motor_j": self._running(back_w),
            "moving_s": self._running((speed > STANDSTILL_M_PER_S).astype(np.float64)),
            "squared_n2_s": self._running(force_n**2),
        }
        self.limits = _limits_reached(drive, build, power)
        self.at_limit = {
            name: (self._running(np.where(reached, back_w, 0.0)), self._running(reached.astype(np.float64)))
            for name, reached in self.limits.items()
        }
        self.limited_spans = {
            name: joined_spans(spans_where(power.time_s, reached), gap_s=LIMIT_GAP_S)
            for name, reached in self.limits.items()
        }

    def _running(self, rate: FloatArray) -> FloatArray:
        return cumulative(self.power.time_s, rate, max_gap_s=self.gap_s)

    def _gained(self, running: FloatArray, start_s: float, end_s: float) -> float:
        before, after = np.interp([start_s, end_s], self.power.time_s, running)
        return float(after - before)

    def held(self, start_s: float, end_s: float) -> dict[str, float]:
        """Energies of one stretch, by the names of ``Held``."""
        at_s = [start_s, end_s]
        found = {name: float(np.diff(np.interp(at_s, self.work.time_s, run))[0]) for name, run in self.wheels.items()}
        found |= {name: self._gained(run, start_s, end_s) for name, run in self.motor.items()}
        weight_n, sigma_m = self.work.mass_kg * STANDARD_GRAVITY_M_PER_S2, self.work.height_sigma_m or 0.0
        # Of a height that is averaged over a minute, a stop sees the part that its own seconds are of it.
        height_j = weight_n * min(sigma_m, np.sqrt(2.0) * (end_s - start_s) / HILL_S_PER_M)
        return found | {"noise_j2": (SPEED_SIGMA_RATIO * found["kinetic_j"]) ** 2 + float(height_j) ** 2}

    def braking(self, start_s: float, end_s: float) -> Braking:
        """Energies of one span."""
        whole = self.held(start_s, end_s)
        held = Held(**whole)
        sigma = float(np.hypot(np.sqrt(held.noise_j2), self.generator.sigma_j(held)))
        unexplained = held.braking_j - self.generator.taken_j(held)
        pressed = self._is_pressed(start_s, end_s)
        if pressed is None:
            friction = unexplained if unexplained > 2.0 * sigma else 0.0
        else:
            friction = max(unexplained, 0.0) if pressed else 0.0
        limited_by = self._limit(start_s, end_s, held.into_motor_j)
        limited = self._limited(limited_by, start_s, end_s)
        first, last = np.interp([start_s, end_s], self.work.time_s, self.work.speed_m_per_s)
        return Braking(
            **whole,
            start_s=start_s,
            end_s=end_s,
            start_speed_m_per_s=float(first),
            end_speed_m_per_s=float(last),
            into_pack_j=self._gained(self.into_pack, start_s, end_s),
            friction_j=friction,
            capped_j=limited.braking_j - self.generator.taken_j(limited),
            sigma_j=sigma,
            brake_pressed=pressed,
            limited_by=limited_by,
            limited=limited,
        )

    def _limited(self, name: str, start_s: float, end_s: float) -> Held:
        """All stretches of a braking in which a limit was reached; nothing for no limit."""
        within = ((max(a, start_s), min(b, end_s)) for a, b in self.limited_spans.get(name, ()))
        return Held.sum_of(Held(**self.held(a, b)) for a, b in within if b > a)

    def _is_pressed(self, start_s: float, end_s: float) -> bool | None:
        if self.pressed is None:
            return None
        inside = (self.work.time_s >= start_s) & (self.work.time_s <= end_s)
        return bool(self.pressed[inside].any())

    def _limit(self, start_s: float, end_s: float, motor_j: float) -> str:
        """Limit under which most of the energy flowed back or the time passed; empty where none was reached."""
        shares = {}
        for name, (energy, duration) in self.at_limit.items():
            of_time = self._gained(duration, start_s, end_s) / max(end_s - start_s, 1e-9)
            of_energy = self._gained(energy, start_s, end_s) / motor_j if motor_j > 0.0 else 0.0
            shares[name] = max(of_time, of_energy)
        name = max(shares, key=lambda key: shares[key], default="")
        return name if name and shares[name] > 0.05 else ""


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
