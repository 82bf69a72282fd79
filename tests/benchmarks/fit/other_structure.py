"""Drives of vehicles whose physics is not the fit's, for judging its intervals: numpy alone, none of logan's model.

Tires stiffen in the cold and rise with the square of speed; gears and bearings drag at the wheels, more with cold oil;
motor and inverter lose by the square of force, by speed and by power; crosswind raises drag; gusts blow; regen is
capped and blended with friction; days differ. The sensors have a gain and a zero that all drives of a vehicle share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GRAVITY = 9.80665
MPH = 0.44704
STEP_S = 0.2
_V65 = 65.0 * MPH
_V80 = 80.0 / 3.6


@dataclass(frozen=True)
class OtherVehicle:
    """True values of one vehicle and of its sensors."""

    mass_kg: float
    drag_area_m2: float
    rolling: float
    tire_rise: float
    cold_per_k: float
    warm_up: float
    driveline_n: float
    driveline_n_s_per_m: float
    cold_oil: float
    copper_w_per_n2: float
    iron_w_s_per_m: float
    inverter_w: float
    inverter_ratio: float
    gear_ratio: float
    regen_cap_w: float
    friction_share: float
    auxiliary_w: float
    yaw_rise: float
    current_gain: float
    current_zero_a: float
    speed_gain: float
    newton_per_pa: float = 2e-3
    volts: float = 350.0
    rotating_ratio: float = 0.04

    @classmethod
    def draw(cls, rng: np.random.Generator, *, has_gnss: bool) -> OtherVehicle:
        """One vehicle with sensors of common quality."""
        return cls(
            mass_kg=rng.uniform(1200, 2400), drag_area_m2=rng.uniform(0.6, 1.2), rolling=rng.uniform(0.008, 0.013),
            tire_rise=rng.normal(0.10, 0.05), cold_per_k=0.010 * np.exp(rng.normal(0, 0.3)),
            warm_up=rng.uniform(0.1, 0.4), driveline_n=max(rng.normal(30, 12), 5.0),
            driveline_n_s_per_m=max(rng.normal(0.6, 0.3), 0.0), cold_oil=rng.uniform(0.3, 1.0),
            copper_w_per_n2=rng.uniform(1.5e-4, 5e-4), iron_w_s_per_m=rng.uniform(4.0, 14.0),
            inverter_w=rng.uniform(60, 160), inverter_ratio=rng.uniform(0.012, 0.025),
            gear_ratio=rng.uniform(0.015, 0.03), regen_cap_w=rng.uniform(25e3, 70e3),
            friction_share=rng.uniform(0.0, 0.25), auxiliary_w=rng.uniform(250, 700), yaw_rise=rng.uniform(0.0, 0.01),
            current_gain=rng.normal(0, 0.014), current_zero_a=rng.normal(0, 0.3),
            speed_gain=rng.normal(0, 0.003 if has_gnss else 0.01),
        )  # fmt: skip

    def wheel_n(self, speed, *, ambient_degc, time_s, head, cross, density, level):
        """Road force of steady motion on the level. [N]"""
        cold = 1.0 - self.cold_per_k * (ambient_degc - 25.0) + self.warm_up * np.exp(-time_s / 600.0)
        tire = self.mass_kg * GRAVITY * self.rolling * cold * (1 + self.tire_rise * (speed**2 - _V80**2) / _V65**2)
        oil = 1.0 + self.cold_oil * np.maximum(0.0, 15.0 - ambient_degc) / 20.0 * np.exp(-time_s / 900.0)
        along = speed + head
        yaw = np.minimum(np.degrees(np.arctan2(np.abs(cross), np.maximum(along, 1.0))), 15.0)
        air = 0.5 * density * self.drag_area_m2 * (1 + self.yaw_rise * yaw) * along * np.hypot(along, cross)
        return level * (tire + air) + (self.driveline_n + self.driveline_n_s_per_m * speed) * oil

    def pack_w(self, force_n, speed, auxiliary_w):
        """Power at the pack for a force at the wheels: losses as a motor's and an inverter's, regen capped and blended.

        [W]
        """
        return self.terminal_w(self.held_w(force_n * speed, speed), speed, auxiliary_w)

    def held_w(self, wheel_w, speed):
        """Of the power at the wheels what the motor takes; friction brakes take the rest. [W]"""
        held = np.where(wheel_w < 0.0, np.maximum(wheel_w * (1.0 - self.friction_share), -self.regen_cap_w), wheel_w)
        return np.where((wheel_w < 0.0) & (speed < 2.0), 0.0, held)

    def terminal_w(self, held, speed, auxiliary_w):
        """Power at the pack for what the motor gives or takes. [W]"""
        motor_n = held / np.maximum(speed, 1.0)
        moving = speed > 0.1
        loss = self.copper_w_per_n2 * motor_n**2 + self.iron_w_s_per_m * speed + self.inverter_w * moving
        return held + loss + (self.inverter_ratio + self.gear_ratio) * np.abs(held) + auxiliary_w

    def steady_wh_per_km(self, speed=_V65, ambient_degc=20.0, *, level=1.0, head=0.0, cross=0.0):
        """True consumption at a steady speed, warm, on the level."""
        density = 101_325.0 / (287.058 * (ambient_degc + 273.15))
        force = self.wheel_n(
            np.array(speed), ambient_degc=ambient_degc, time_s=np.array(1e5), head=head, cross=cross,
            density=density, level=level,
        )  # fmt: skip
        return float(self.pack_w(force, np.array(speed), self.auxiliary_w) / speed / 3.6)

    def efficiencies(self):
        """Pack to wheel and back at moderate load, gears and bearings counted in: what a planner would call them."""
        drawn, held = 600.0, -900.0
        speed = np.array(18.0)
        drag = self.driveline_n + self.driveline_n_s_per_m * speed
        drive = drawn * speed / self.pack_w(np.array(drawn) + drag, speed, 0.0)
        regen = self.pack_w(np.array(held) + drag, speed, 0.0) / (held * speed)
        return float(drive), float(regen)


def speeds(rng, kind, duration_s):
    """Speed against time: targets held for a while, reached with some acceleration, stops in town. [m/s]"""
    count = int(duration_s / STEP_S)
    low, high, stop = {"town": (8, 16, 0.35), "country": (14, 25, 0.08), "highway": (24, 31, 0.02)}[kind]
    speed, now, target, hold, rate = np.zeros(count), 0.0, rng.uniform(low, high), 20.0, 1.2
    for k in range(count):
        hold -= STEP_S
        if hold <= 0.0:
            target = 0.0 if rng.random() < stop else rng.uniform(low, high)
            hold = rng.uniform(8, 20) if target == 0.0 else rng.uniform(15, 60)
            rate = rng.uniform(0.5, 1.8)
        now += np.clip(target - now, -rate * STEP_S * 1.2, rate * STEP_S)
        speed[k] = now
    ripple = np.convolve(rng.normal(0, 1, count), np.ones(40) / 40, mode="same") * 1.2
    return np.maximum(np.where(speed > 3.0, speed + ripple, speed), 0.0)


def wander(rng, count, sigma, tau_s):
    """First-order wander with a standard deviation and a time."""
    keep = np.exp(-STEP_S / tau_s)
    shock = rng.normal(0, sigma * np.sqrt(1 - keep**2), count)
    out = np.empty(count)
    state = rng.normal(0, sigma)
    for k in range(count):
        state = keep * state + shock[k]
        out[k] = state
    return out


def drive(
    vehicle, rng, *, kind, duration_s=1500.0, has_gnss=True, height_sigma_m=3.0, wind_sigma_m_per_s=1.4, braked=None
):
    """One drive as its logger saw it: time and columns by channel; and its true energy [J] and distance [m].

    ``braked`` is a dictionary that takes what the brakes did and adds their channels, without drawing from ``rng``.
    """
    speed = speeds(rng, kind, duration_s)
    count = speed.size
    time_s = np.arange(count) * STEP_S
    along_m = np.cumsum(speed) * STEP_S
    # Rolling country: five waves, none steeper than 1.5 %.
    waves = [(rng.uniform(0.003, 0.015), rng.uniform(1500, 12000), rng.uniform(0, 6.28)) for _ in range(5)]
    height = sum(slope * w / 6.28 * np.sin(6.28 * along_m / w + phase) for slope, w, phase in waves)
    heading = np.cumsum(np.where(np.arange(count) % 150 == 0, rng.normal(0, 25, count), 0.0)) + rng.uniform(0, 360)
    ambient = rng.uniform(0, 30)
    density = 101_325.0 / (287.058 * (ambient + 273.15))
    # At the vehicle's height, where a station's 2 m/s is some 1.4.
    wind, origin = abs(rng.normal(0, wind_sigma_m_per_s)), rng.uniform(0, 360)
    turn = np.radians(origin - heading)
    gust = wander(rng, count, 0.2 * wind, 8.0)
    head, cross = (wind + gust) * np.cos(turn), (wind + gust) * np.sin(turn)
    level, auxiliary = float(np.exp(rng.normal(0, 0.02))), vehicle.auxiliary_w * float(np.exp(rng.normal(0, 0.15)))
    force = vehicle.wheel_n(
        speed, ambient_degc=ambient, time_s=time_s, head=head, cross=cross, density=density, level=level
    )
    force = np.where(speed > 0.05, force, 0.0)
    force += vehicle.mass_kg * (1 + vehicle.rotating_ratio) * np.gradient(speed, STEP_S)
    climb = np.gradient(height, STEP_S)
    force += np.where(speed > 0.5, vehicle.mass_kg * GRAVITY * climb / np.maximum(speed, 0.5), 0.0)
    power = vehicle.pack_w(force, speed, auxiliary)
    current = power / vehicle.volts * np.exp(vehicle.current_gain) + vehicle.current_zero_a
    channels = {
        "speed": speed * np.exp(vehicle.speed_gain) + rng.normal(0, 0.03, count) * (speed > 0),
        "pack_voltage": np.full(count, vehicle.volts),
        "pack_current": current + rng.normal(0, 0.5, count),
        "elevation": np.round(height + 150.0 + wander(rng, count, height_sigma_m, 30.0)),
        "ambient_temperature": np.full(count, ambient),
        "heading": heading % 360.0,
        "barometric_pressure": np.full(count, 101_325.0),
    }
    if has_gnss:
        channels["gnss_speed"] = speed + rng.normal(0, 0.1, count)
    if braked is not None:
        channels |= brakes(vehicle, rng.spawn(1)[0], force * speed, speed, auxiliary, braked)
    return time_s, channels, float(power.sum() * STEP_S), float(along_m[-1])


def brakes(vehicle, rng, wheel_w, speed, auxiliary_w, truth):
    """Brake pressure and the announced limit of the charge current; what friction took, of it at the limit. [J]

    The pads' force per pressure is the vehicle's own, and strays by a tenth from stop to stop.
    """
    held = vehicle.held_w(wheel_w, speed)
    friction_w = np.where(wheel_w < 0.0, held - wheel_w, 0.0)
    is_capped = (wheel_w < 0.0) & (speed >= 2.0) & (held <= -vehicle.regen_cap_w)
    truth["friction_j"] = float(friction_w.sum() * STEP_S)
    truth["capped_j"] = float(friction_w[is_capped].sum() * STEP_S)
    truth["braking_j"] = float(np.maximum(-wheel_w, 0.0).sum() * STEP_S)
    stop = np.cumsum(np.diff((friction_w > 0.0).astype(int), prepend=0) > 0)
    bite = vehicle.newton_per_pa * np.exp(rng.normal(0, 0.1, stop.max() + 1))[stop]
    force_n = friction_w / np.maximum(speed, 0.5)
    pressure = np.where(friction_w > 0.0, 1e5 + force_n / bite, 0.0) + rng.normal(0, 5e3, speed.size)
    # No motor makes the cap's power at a crawl: below the speed of 5 kN the limit stays what it is there.
    fast = np.maximum(speed, vehicle.regen_cap_w / 5_000.0)
    limit_a = -vehicle.terminal_w(np.full(speed.size, -vehicle.regen_cap_w), fast, auxiliary_w) / vehicle.volts
    return {"brake_pressure": np.maximum(pressure, 0.0), "charge_current_limit": np.maximum(limit_a, 0.0)}
