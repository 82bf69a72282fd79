"""Invented fleets: vehicles of one kit, each with its own level and mass, and their logs."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from logan.demo.conversion import SENSORS, TRUTH, write_build
from logan.demo.messages import candump_lines
from logan.demo.routes import TwinRoute, mixed_route, urban_route
from logan.demo.twin import TwinVehicle, TwinWeather, drive_twin
from logan.drive.drive import LogSource
from logan.drive_library.repository import DriveLibrary

LEVEL_SPREAD = 0.06
DAY_NS = 86_400_000_000_000
FIRST_NS = 1_714_989_600_000_000_000


def twin_level(vehicle: int, seed: int = 0) -> float:
    """True factor on a vehicle's drag area and rolling resistance."""
    return float(np.exp(np.random.default_rng([seed, vehicle]).normal(0.0, LEVEL_SPREAD)))


def twin_vehicle(vehicle: int, seed: int = 0) -> TwinVehicle:
    level = twin_level(vehicle, seed)
    return replace(
        TRUTH,
        drag_area_m2=TRUTH.drag_area_m2 * level,
        rolling_coefficient=TRUTH.rolling_coefficient * level,
        dragging_brake_n=0.0,
        heater_w_per_k=0.0,
    )


def fleet_route(rng: np.random.Generator, duration_s: float) -> TwinRoute:
    """A mixed route, or a short one in town: town, country and motorway together take a quarter of an hour."""
    return (urban_route if duration_s < 900.0 else mixed_route)(rng, duration_s=duration_s)


def write_fleet(root: Path, *, vehicles: int, drives: int, duration_s: float = 900.0, seed: int = 0) -> Path:
    """Write the folders of a fleet, with settings and candump logs."""
    for vehicle in range(vehicles):
        folder = root / f"van-{vehicle + 1:03d}"
        (folder / "logs").mkdir(parents=True)
        write_build(folder)
        for number in range(drives):
            rng = np.random.default_rng([seed, vehicle, number])
            weather = TwinWeather(ambient_temperature_degc=float(rng.uniform(10.0, 25.0)))
            start_ns = FIRST_NS + (vehicle * drives + number) * DAY_NS
            drive = drive_twin(
                twin_vehicle(vehicle, seed),
                fleet_route(rng, duration_s),
                rng=rng,
                weather=weather,
                sensors=SENSORS,
                start_ns=start_ns,
            )
            text = "\n".join(candump_lines(drive.measured, start_ns / 1e9)) + "\n"
            (folder / "logs" / f"{number + 1:03d}.log").write_text(text, encoding="ascii")
    return root


def store_fleet(root: Path, *, vehicles: int, drives: int, duration_s: float = 900.0, seed: int = 0) -> Path:
    """Store a fleet's drives without logs: quicker than importing them."""
    for vehicle in range(vehicles):
        folder = root / f"van-{vehicle + 1:03d}"
        folder.mkdir(parents=True)
        write_build(folder)
        with DriveLibrary.open(folder / "drives", create=True) as library:
            for number in range(drives):
                rng = np.random.default_rng([seed, vehicle, number])
                weather = TwinWeather(ambient_temperature_degc=float(rng.uniform(10.0, 25.0)))
                route = fleet_route(rng, duration_s)
                drive = drive_twin(
                    twin_vehicle(vehicle, seed),
                    route,
                    rng=rng,
                    weather=weather,
                    sensors=SENSORS,
                    start_ns=FIRST_NS + (vehicle * drives + number) * DAY_NS,
                )
                sha256 = hashlib.sha256(f"{vehicle} {number}".encode()).hexdigest()
                source = LogSource(name=f"{number}.log", sha256=sha256, size_bytes=1, log_format="candump")
                library.add(replace(drive.to_drive(), sources=(source,)))
    return root
