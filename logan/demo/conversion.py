"""The demo's conversion: an invented bakery van, what its builder planned, and what it really is."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from logan.demo.messages import candump_lines, demo_text
from logan.demo.routes import TwinRoute, coastdown_route, highway_route, hill_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinDrive, TwinVehicle, TwinWeather, drive_twin
from logan.drive_library.durable import write_durably

SEED: Final = 20_240_519
SENSORS: Final = TwinSensors(
    pack_lag_s=0.1,
    elevation_sigma_m=2.0,
    lost_ratio=0.005,
    current_gain_ratio=1.008,
    current_offset_a=0.2,
    speed_gain_ratio=1.018,
)
"""As real ones are: the current reads 0.8 % high, and the speed 1.8 %, which the satellites show."""

DAY_SIGMA: Final = 0.025
"""Spread of road load from day to day: wet roads, tires, traffic, a half-open window."""

GUST_M_PER_S: Final = 0.8

TRUTH: Final = TwinVehicle(
    mass_kg=1705.0,
    drag_area_m2=1.05,
    rolling_coefficient=0.0108,
    dragging_brake_n=38.0,
    drive_efficiency_ratio=0.872,
    regen_efficiency_ratio=0.80,
    auxiliary_power_w=430.0,
    heater_w_per_k=95.0,
    total_ratio=9.34,
    tyre_rolling_circumference_m=1.996,
    pack_capacity_ah=186.0,
)

BUILD_TOML: Final = demo_text("build.toml")


_Route = Callable[[np.random.Generator], TwinRoute]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoDrive:
    """One drive of the demo: its route and weather, and when it was."""

    name: str
    make_route: _Route
    weather: TwinWeather
    start_state_of_charge_ratio: float
    start_ns: int


_DAY_NS = 86_400_000_000_000
_FIRST_NS = 1_714_989_600_000_000_000


def _drive(name: str, day: int, soc: float, ambient_degc: float, wind: tuple[float, float], route: _Route) -> DemoDrive:
    weather = TwinWeather(ambient_temperature_degc=ambient_degc, wind_m_per_s=wind[0], wind_from_deg=wind[1])
    start_ns = _FIRST_NS + day * _DAY_NS
    return DemoDrive(name=name, make_route=route, weather=weather, start_state_of_charge_ratio=soc, start_ns=start_ns)


DEMO_DRIVES: Final = (
    _drive("01-town", 0, 0.92, 19.0, (1.5, 250.0), lambda rng: urban_route(rng, duration_s=1800.0)),
    _drive("02-mixed", 1, 0.95, 22.0, (2.0, 200.0), lambda rng: mixed_route(rng, duration_s=3300.0)),
    _drive("03-highway", 3, 0.90, 24.0, (1.0, 90.0), lambda rng: highway_route(rng, duration_s=2700.0, speed_mph=64.0)),
    _drive("04-hill", 4, 0.85, 27.0, (0.0, 0.0), lambda rng: hill_route(rng, duration_s=1500.0, grade_ratio=0.06)),
    _drive("05-coastdown", 6, 0.80, 18.0, (0.8, 90.0), lambda rng: coastdown_route(rng, pairs=4, coast_s=150.0)),
    _drive("06-cold", 190, 0.93, 1.0, (2.5, 300.0), lambda rng: mixed_route(rng, duration_s=2400.0)),
)


def drive_demo() -> Iterator[tuple[DemoDrive, TwinDrive]]:
    """Drive the van six times; the same seed gives the same drives."""
    for index, demo in enumerate(DEMO_DRIVES):
        rng = np.random.default_rng([SEED, index])
        route = demo.make_route(rng)
        day = float(np.exp(DAY_SIGMA * rng.spawn(1)[0].standard_normal()))
        that_day = replace(
            TRUTH, drag_area_m2=day * TRUTH.drag_area_m2, rolling_coefficient=day * TRUTH.rolling_coefficient
        )
        yield (
            demo,
            drive_twin(
                that_day,
                route,
                rng=rng,
                weather=replace(demo.weather, gust_m_per_s=GUST_M_PER_S),
                sensors=SENSORS,
                start_state_of_charge_ratio=demo.start_state_of_charge_ratio,
                start_ns=demo.start_ns,
            ),
        )


def write_log(folder: Path, demo: DemoDrive, drive: TwinDrive) -> Path:
    """Write a drive as a candump log and return its path."""
    path = folder / f"{demo.name}.log"
    path.write_text("\n".join(candump_lines(drive.measured, demo.start_ns / 1e9)) + "\n", encoding="ascii")
    return path


def write_build(folder: Path) -> None:
    """Write ``build.toml``, ``channels.toml`` and the DBC of the demo."""
    (folder / "dbc_user").mkdir(parents=True, exist_ok=True)
    texts = {"dbc_user/demo.dbc": demo_text("demo.dbc"), "channels.toml": demo_text("channels.toml")}
    texts["build.toml"] = BUILD_TOML  # last: with it the folder is a build, which others may read at once
    for name, text in texts.items():
        write_durably(folder / name, text.encode())
