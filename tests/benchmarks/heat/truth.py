"""A drivetrain of known heat, built otherwise than logan's network: an unfriendly truth for its forecasts.

Five nodes in the motor (slot, end winding, iron, rotor, housing), current from a voltage ellipse with saturating
field weakening, alternating-current loss, junction and plate in the inverter, core and skin in the cells, a pump and
a fan that switch, wind that comes and goes, sensors with offsets, a biased outside sensor. It shares no code with
``logan.heat`` or ``logan.physics``. Every number is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from logan.drive.drive import Channel, Drive

G = 9.80665


@dataclass
class Truth:
    """One vehicle, drawn at random."""

    mass: float
    drag: float
    rolling: float
    driveline_n: float
    ratio: float
    tyre: float
    torque_peak: float
    power_peak: float
    values: dict[str, float] = field(default_factory=dict)


def draw(rng: np.random.Generator) -> Truth:
    """One vehicle; spreads as between machines of one class."""

    def around(median, spread):
        return float(median * np.exp(spread * rng.normal()))

    peak = float(rng.uniform(260.0, 340.0))
    size = peak / 330.0
    return Truth(
        mass=float(rng.uniform(1400.0, 2300.0)), drag=float(rng.uniform(0.7, 1.1)), rolling=around(0.0108, 0.08),
        driveline_n=float(rng.uniform(15.0, 60.0)), ratio=9.0, tyre=1.98, torque_peak=peak,
        power_peak=float(rng.uniform(100e3, 140e3)),
        values={
            "amp_per_nm": around(1.35 / size, 0.08), "r_phase": around(0.0085 / size ** (-1 / 3), 0.2),
            "ac": around(0.25, 0.5), "hyst": around(0.75 * size, 0.3), "eddy": around(9e-3 * size, 0.4),
            "windage": around(2.5e-8, 0.4), "rotor": around(0.35 * size, 0.4),
            "c_slot": around(2900.0 * size, 0.15), "c_end": around(1250.0 * size, 0.15),
            "c_iron": around(13500.0 * size, 0.12), "c_rotor": around(6500.0 * size, 0.15),
            "c_house": around(8200.0 * size, 0.15), "g_slot": around(32.0 * size, 0.2),
            "g_end_slot": around(22.0 * size, 0.2), "g_end_air": around(3.0, 0.3), "g_iron_house": around(260.0, 0.2),
            "g_rotor": around(9.0, 0.3), "g_house_cool": around(110.0, 0.25), "g_house_air": around(5.0, 0.4),
            "vce": around(1.9, 0.2), "r_on": around(0.0042, 0.25), "switch": around(0.016, 0.3),
            "idle": around(120.0, 0.3), "c_junction": 350.0, "c_plate": around(3600.0, 0.2),
            "g_junction": around(150.0, 0.2), "g_plate": around(75.0, 0.2),
            "c_cool": around(21000.0, 0.2), "ua": around(75.0, 0.3), "ua_v": around(17.0, 0.3),
            "fan": around(130.0, 0.3), "r_pack": around(0.085, 0.15), "c_core": around(210e3, 0.1),
            "c_skin": around(55e3, 0.1), "g_cell": around(110.0, 0.2), "ua_cell": around(9.0, 0.4),
            "ua_cell_v": around(0.7, 0.4), "pump_low": float(rng.uniform(0.5, 0.9)),
            "flux": float(rng.uniform(0.6, 0.9)), "short": float(rng.uniform(150.0, 260.0)),
            "lag": float(rng.uniform(5.0, 14.0)), "share": float(rng.uniform(0.35, 0.75)),
            "off_motor": 1.5 * rng.normal(), "off_inverter": rng.normal(), "off_coolant": rng.normal(),
            "off_cells": 0.4 * rng.normal(), "off_ambient": 1.5 + rng.normal(), "torque_gain": around(1.0, 0.04),
        },
    )  # fmt: skip


@dataclass
class Trip:
    """A road: wanted speed and slope, once a second; what is carried and towed, and the weather."""

    speed: np.ndarray
    grade: np.ndarray
    payload: float = 0.0
    drag_factor: float = 1.0
    ambient: float = 22.0
    wind: float = 0.0
    ratio: float | None = None
    start: float | None = None


def ordinary_trips(rng: np.random.Generator) -> list[Trip]:
    """Town, country road over hills, highway: 31 to 39 minutes each."""
    trips = []
    for kind in ("town", "country", "highway"):
        seconds = int(rng.uniform(31, 39) * 60)
        top = {"town": 14.0, "country": 24.0, "highway": 30.0}[kind]
        wanted = np.zeros(seconds)
        at = 0
        while at < seconds:
            length = int(rng.uniform(15, 60) if kind == "town" else rng.uniform(40, 150))
            stop = rng.uniform() < {"town": 0.45, "country": 0.15, "highway": 0.02}[kind]
            wanted[at : at + length] = top * rng.uniform(0.6, 1.05)
            at += length
            if stop:
                wanted[at : at + 25] = 0.0
                at += 25
        smooth = np.zeros(seconds)
        quick = float(rng.uniform(1.0, 1.7))
        for k in range(1, seconds):
            smooth[k] = smooth[k - 1] + float(np.clip(wanted[k] - smooth[k - 1], -1.5, quick))
        distance = np.cumsum(smooth)
        phases = rng.uniform(0, 2 * np.pi, 4)
        steep = {"town": 0.012, "country": 0.04, "highway": 0.016}[kind]
        grade = sum(
            steep / 1.4 * np.sin(2 * np.pi * distance / length + phase)
            for length, phase in zip((900.0, 2300.0, 5200.0, 11000.0), phases, strict=True)
        )
        trips.append(
            Trip(smooth, grade / 1.4, float(rng.uniform(0, 120)), 1.0, float(rng.uniform(12, 28)), 3.0 * rng.normal())
        )
    return trips


def climb(rng, *, tow=False, ratio=None, minutes=20, mph=None, grade=0.06, ambient=None):
    """Six percent for twenty minutes, alone or with a trailer of 3,000 lb."""
    speed = (45.0 if tow else 55.0) if mph is None else mph
    t = np.arange(minutes * 60, dtype=float)
    v = np.minimum(speed * 0.44704, t * 1.2)
    heat = float(rng.uniform(22, 34)) if ambient is None else ambient
    return Trip(
        v, np.where(t > 10, grade, 0.0), 1361.0 if tow else 0.0, 1.6 if tow else 1.0, heat, 2.5 * rng.normal(), ratio
    )


def launches(rng, ratio=None):
    """Three hard launches to 60 mph, each followed by a minute and a half of gentle driving."""
    one = np.concatenate(
        [
            np.zeros(10),
            np.minimum(np.arange(12) * 2.9, 26.8),
            np.full(8, 26.8),
            np.linspace(26.8, 12, 15),
            np.full(60, 12.0),
            np.linspace(12, 0, 8),
        ]
    )
    return Trip(
        np.tile(one, 3), np.zeros(one.size * 3), 0.0, 1.0, float(rng.uniform(15, 30)), 2.5 * rng.normal(), ratio
    )


def drive(truth: Truth, trip: Trip, rng: np.random.Generator):
    """Step the truth once a second (ten heat steps each) and return the true traces."""
    p, n = truth.values, trip.speed.size
    ratio = truth.ratio if trip.ratio is None else trip.ratio
    rad_per_m = 2 * np.pi * ratio / truth.tyre
    gust = np.zeros(n)
    for k in range(1, n):
        gust[k] = 0.97 * gust[k - 1] + 0.25 * rng.normal()
    mass = truth.mass + trip.payload
    start = trip.ambient if trip.start is None else trip.start
    slot = end = iron = rotor = house = junction = plate = cool = core = skin = start
    sensor = start
    v = float(trip.speed[0])
    rows = np.empty((n, 15))
    base = truth.power_peak / truth.torque_peak
    volts = 355.0
    flux = volts / (base * np.sqrt(3.0)) * p["flux"]
    is_pump_high = is_fan = False
    for k in range(n):
        w = v * rad_per_m
        wanted = (trip.speed[min(k + 1, n - 1)] - v) * 1.0
        air = v + trip.wind + gust[k]
        road = mass * G * (truth.rolling + trip.grade[k]) + 0.6 * 0.98 * truth.drag * trip.drag_factor * air * abs(air)
        road = (road + truth.driveline_n) if v > 0.1 else 0.0
        force = road + mass * 1.05 * wanted
        top = min(truth.torque_peak, truth.power_peak / max(w, 1.0)) * 0.97 * rad_per_m
        force_motor = min(force, top) if force > 0 else max(force, -0.45 * top)
        brake = force - force_motor if force < force_motor else 0.0
        v_next = max(0.0, v + (force_motor + brake - road) / (mass * 1.05))
        torque = force_motor / rad_per_m / (0.975 if force_motor > 0 else 1 / 0.975)
        iq = abs(torque) * p["amp_per_nm"] * (1 + 0.05 * (abs(torque) / truth.torque_peak) ** 2)
        room = max((volts / np.sqrt(3.0) / max(w, 1.0)) ** 2 - (0.35 * flux * iq / 500.0) ** 2, 0.0)
        weak = max(0.0, flux - np.sqrt(room)) / flux * p["short"] * (truth.torque_peak / 330.0)
        amps = np.hypot(iq, weak) / np.sqrt(1.0)
        load = (amps / 1.35) ** 2
        copper = 0.0062 / 0.0085 * p["r_phase"] * 10.2 * load * 0.95
        eddy = 1 + p["ac"] * (w / 600.0) ** 2 / (1 + 0.15 * (w / 600.0) ** 2)
        core_w = p["hyst"] * w * (0.75 + 0.25 * abs(torque) / truth.torque_peak) + p["eddy"] * w**1.7 * 0.02
        rotor_w = p["rotor"] * w**1.0 * 0.25 + p["windage"] * w**3
        inv_w = p["idle"] + p["vce"] * amps * 0.9 + p["r_on"] * amps**2 + p["switch"] * amps * volts * 0.18 / 0.6
        flow = 1.0 if is_pump_high else p["pump_low"]
        if cool > 44:
            is_pump_high = True
        if cool < 38:
            is_pump_high = False
        if cool > 56:
            is_fan = True
        if cool < 50:
            is_fan = False
        moved = flow**0.6
        g_hc, g_p = p["g_house_cool"] * moved, p["g_plate"] * moved
        for _ in range(4):
            h = 0.25
            r = 1 + 0.00393 * (slot - 25)
            r_end = 1 + 0.00393 * (end - 25)
            q_si = p["g_slot"] * (slot - iron)
            q_es, q_eh = p["g_end_slot"] * (end - slot), p["g_end_air"] * (end - house)
            q_ih, q_ri = p["g_iron_house"] * (iron - house), p["g_rotor"] * (rotor - iron)
            q_hc = g_hc * (house - cool)
            q_ha = p["g_house_air"] * (0.5 + v / 25) * (house - trip.ambient)
            q_jp, q_pc = p["g_junction"] * (junction - plate), g_p * (plate - cool)
            ua = p["ua"] + p["ua_v"] * v**0.75 + (p["fan"] if is_fan else 0.0)
            q_ca = ua * (0.75 + 0.25 * flow) * (cool - trip.ambient)
            slot += h * (0.68 * copper * eddy * r - q_si + q_es) / p["c_slot"]
            end += h * (0.32 * copper * (1 + 0.4 * (eddy - 1)) * r_end - q_es - q_eh) / p["c_end"]
            iron += h * (core_w + q_si + q_ri - q_ih) / p["c_iron"]
            rotor += h * (rotor_w - q_ri) / p["c_rotor"]
            house += h * (q_ih + q_eh - q_hc - q_ha) / p["c_house"]
            junction += h * (inv_w - q_jp) / p["c_junction"]
            plate += h * (q_jp - q_pc) / p["c_plate"]
            cool += h * (q_hc + q_pc - q_ca) / p["c_cool"]
        read = p["share"] * end + (1 - p["share"]) * slot
        sensor += (read - sensor) / p["lag"]
        loss = copper * eddy * (1 + 0.0039 * (slot - 25)) + core_w + rotor_w + inv_w
        pack_w = torque * w + loss + 450.0
        amps_pack = pack_w / volts
        r_pack = p["r_pack"] * np.exp(2300.0 * (1 / (core + 273.15) - 1 / 298.15))
        core += (r_pack * amps_pack**2 - p["g_cell"] * (core - skin)) / p["c_core"]
        skin += (p["g_cell"] * (core - skin) - (p["ua_cell"] + p["ua_cell_v"] * v) * (skin - trip.ambient)) / p[
            "c_skin"
        ]
        rows[k] = (
            v,
            w,
            torque,
            amps,
            pack_w,
            sensor,
            end,
            plate,
            cool,
            skin,
            trip.grade[k],
            force_motor,
            flow,
            trip.ambient,
            rotor,
        )
        v = v_next
    names = (
        "speed",
        "shaft",
        "torque",
        "amps",
        "pack",
        "motor",
        "winding",
        "inverter",
        "coolant",
        "cells",
        "grade",
        "force",
        "flow",
        "ambient",
        "rotor",
    )
    return dict(zip(names, rows.T, strict=True))


def logged(truth: Truth, trace, rng, *, what="torque", has_coolant=True, has_rotor=False) -> Drive:
    """What the log holds: sensors with offsets, noise and resolution; torque or phase current where asked for."""
    p, n = truth.values, trace["speed"].size
    t = np.arange(n, dtype=float)

    def step(value, resolution):
        return np.round(value / resolution) * resolution

    columns = {
        "speed": trace["speed"] + 0.03 * rng.normal(size=n), "motor_speed": trace["shaft"] + 0.3 * rng.normal(size=n),
        "pack_voltage": np.full(n, 355.0), "pack_current": trace["pack"] / 355.0 + 0.5 * rng.normal(size=n),
        "motor_temperature": step(trace["motor"] + p["off_motor"] + 0.2 * rng.normal(size=n), 0.5),
        "inverter_temperature": step(trace["inverter"] + p["off_inverter"] + 0.2 * rng.normal(size=n), 0.5),
        "cell_temperature_max": step(trace["cells"] + p["off_cells"] + 0.1 * rng.normal(size=n), 0.5),
        "ambient_temperature": step(trace["ambient"] + p["off_ambient"], 0.5),
        "grade": trace["grade"] + 0.003 * rng.normal(size=n),
    }  # fmt: skip
    if has_coolant:
        columns["coolant_temperature"] = step(trace["coolant"] + p["off_coolant"] + 0.2 * rng.normal(size=n), 0.5)
    if has_rotor:
        columns["rotor_temperature"] = step(trace["rotor"] + 0.3 * rng.normal(size=n), 0.5)
    if what == "torque":
        columns["motor_torque"] = trace["torque"] * p["torque_gain"] + 2.0 * rng.normal(size=n)
    elif what == "current":
        columns["motor_current"] = np.abs(trace["amps"] + 3.0 * rng.normal(size=n))
    elif what == "force":
        del columns["motor_speed"]
    columns = {name: np.maximum(value, 0.0) if name == "speed" else value for name, value in columns.items()}
    return Drive(
        channels={name: Channel(name=name, time_s=t, value=np.asarray(value)) for name, value in columns.items()}
    )
