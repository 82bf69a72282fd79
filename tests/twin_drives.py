"""Twins of known truth for tests, driven once, and the build that describes them rightly."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import numpy as np

from logan.demo.routes import TwinRoute, coastdown_route, hill_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinDrive, TwinVehicle, drive_twin
from logan.drive.drive import Channel, Drive
from logan.settings import BuildSettings, GearingChoice, PlanningValue, Reduction
from tests.builds import example_build


def build_of(vehicle: TwinVehicle, **changes: object) -> BuildSettings:
    """A build whose parameters are the twin's own."""
    build = example_build()
    radius_m = vehicle.tyre_rolling_circumference_m / (2 * math.pi)
    told = replace(
        build,
        vehicle=replace(
            build.vehicle,
            mass_kg=PlanningValue(vehicle.mass_kg, 8.0, "weighed"),
            drag_area_m2=PlanningValue(vehicle.drag_area_m2, 0.02),
            rolling_coefficient=PlanningValue(vehicle.rolling_coefficient, 0.0003),
            tyre_rolling_circumference_m=PlanningValue(vehicle.tyre_rolling_circumference_m, 0.005),
            wheel_inertia_kg_m2=vehicle.mass_kg * vehicle.rotating_mass_ratio * radius_m**2,
        ),
        powertrain=replace(
            build.powertrain,
            drive_efficiency=PlanningValue(vehicle.drive_efficiency_ratio, 0.01),
            regen_efficiency=PlanningValue(vehicle.regen_efficiency_ratio, 0.01),
            gearing=GearingChoice(name="unit", reductions=(Reduction(name="gear", ratio=vehicle.total_ratio),)),
            motor=replace(build.powertrain.motor, rotor_inertia_kg_m2=0.0),
        ),
        pack=replace(
            build.pack,
            cells_in_series=vehicle.cells_in_series,
            resistance_ohm=PlanningValue(vehicle.pack_resistance_ohm + vehicle.pack_polarisation_ohm, 0.01),
        ),
    )
    return replace(told, **changes)


ROUTES = {"urban": urban_route, "mixed": mixed_route, "hill": hill_route, "coastdown": coastdown_route}


@cache
def twin_drive(
    route: str,
    seed: int = 0,
    *,
    duration_s: float | None = None,
    vehicle: TwinVehicle | None = None,
    **sensors: object,
) -> TwinDrive:
    """One drive of the twin, driven once per set of arguments; ``sensors`` are those of ``TwinSensors``."""
    rng = np.random.default_rng(seed)
    way = ROUTES[route](rng) if duration_s is None else ROUTES[route](rng, duration_s=duration_s)
    return drive_twin(vehicle or TwinVehicle(), way, rng=rng, sensors=TwinSensors(**sensors))


def with_true_height(drive: Drive) -> Drive:
    """The drive with its height known to be as good as the twin's is, where a satellite's would be assumed."""
    return drive.with_channels(replace(drive["elevation"], sigma=0.1))


def drive_of(route: TwinRoute, seed: int = 0, **settings: object) -> TwinDrive:
    """The twin on a route of one's own."""
    return drive_twin(TwinVehicle(), route, rng=np.random.default_rng(seed), **settings)


def made_drive(*columns: tuple[str, Iterable[float], Iterable[float]], **fields: object) -> Drive:
    """A drive of (name, times, values)."""
    channels = {
        name: Channel(name=name, time_s=np.asarray(time_s, dtype=float), value=np.asarray(value, dtype=float))
        for name, time_s, value in columns
    }
    return Drive(channels=channels, **fields)


def cut(drive: Drive, start_s: float, end_s: float) -> Drive:
    """The part of a drive between two times."""
    channels = {}
    for name, channel in drive.channels.items():
        inside = (channel.time_s >= start_s) & (channel.time_s < end_s)
        channels[name] = Channel(name=name, time_s=channel.time_s[inside], value=channel.value[inside])
    return replace(drive, channels=channels)


def without(drive: Drive, *names: str) -> Drive:
    """A drive without some channels."""
    return replace(drive, channels={name: channel for name, channel in drive.channels.items() if name not in names})


def hour_of(drive: Drive) -> Drive:
    """A drive of half an hour three times over, with ten more temperatures and eight wheels: forty channels."""
    length_s = drive.duration_s + 1.0
    channels = {
        name: Channel(
            name=name,
            time_s=np.concatenate([channel.time_s + length_s * part for part in range(3)]),
            value=np.tile(channel.value, 3),
        )
        for name, channel in drive.channels.items()
    }
    for source, numbers in (("motor_temperature", range(2, 12)), ("speed", range(1, 9))):
        stem = "wheel_speed" if source == "speed" else source
        channels |= {f"{stem}_{n}": replace(channels[source], name=f"{stem}_{n}") for n in numbers}
    return replace(drive, channels=channels)
