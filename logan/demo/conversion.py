"""The demo's conversion: an invented bakery van, what its builder planned, and what it really is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from logan.demo.messages import candump_lines, channels_toml, dbc_text
from logan.demo.routes import TwinRoute, coastdown_route, highway_route, hill_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinDrive, TwinVehicle, TwinWeather, drive_twin

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

BUILD_TOML: Final = """\
# The demo: an invented bakery van of the 1960s with a salvaged drive unit.
# Its builder guessed the mass and the drag area; the van that was built is heavier,
# blunter, and its brakes drag. The log will show it.

[build]
name = "Bakery van (demo)"
dbc = ["dbc_user/demo.dbc"]
units = "us"

[vehicle]
mass = "1600 kg ± 60 kg"
drag_area = "0.95 m2 ± 0.09 m2"
rolling_coefficient = { value = "0.0108 ± 0.0016", source = "common practice: ordinary radial" }
tire = "195/70R15"
tire_rolling_circumference = "1.996 m"

[gearing]
name = "9.34:1"
reductions = { "drive unit" = 9.34 }

[[gearing.alternative]]
name = "11.2:1"
reductions = { "drive unit" = 9.34, "axle" = 1.2 }

[motor]
max_speed = "13000 rpm"
max_torque = "320 N m"
max_power = "140 kW"
continuous_power = "50 kW"

[powertrain]
drive_efficiency = "0.88 ± 0.02"
regen_efficiency = "0.80 ± 0.05"
regen_power_limit = "60 kW"

[pack]
cells_in_series = 96
cells_in_parallel = 3
cell_capacity = "62 Ah"
cell_nominal_voltage = "3.70 V"
usable_window = [0.04, 0.97]
usable_energy = "61.5 kWh ± 1.5 kWh"
resistance = "0.09 ohm ± 0.02 ohm"
discharge_current_limit = "550 A"
charge_current_limit = "200 A"
cell_voltage_floor = "3.0 V"
cell_voltage_ceiling = "4.2 V"

[auxiliary]
base_power = "400 W ± 120 W"
heating_per_kelvin = "90 W/K ± 25 W/K"
heater_limit = "5 kW"

[limits]
design_ambient = "35 °C"
motor_temperature = { amber = "120 degC", red = "150 degC", source = "invented datasheet" }
inverter_temperature = { amber = "75 degC", red = "85 degC", source = "invented datasheet" }
coolant_temperature = { amber = "60 degC", red = "65 degC", source = "invented datasheet" }
cell_temperature_max = { amber = "45 degC", red = "55 degC", source = "invented datasheet" }
cell_voltage_min = { amber = "3.1 V", red = "3.0 V", source = "invented datasheet" }

[[limits.curve]]
component = "main fuse"
points = [["1 s", "900 A"], ["10 s", "600 A"], ["60 s", "400 A"], ["1800 s", "260 A"]]
source = "invented datasheet"

[[limits.conductor]]
name = "pack cable"
area = "50 mm2"

[target]
range = "140 mi"
scenario = "highway 65"
reserve = "10 %"
confidence = "90 %"

[[scenario]]
name = "highway 65"
speed = "65 mph"
ambient = "20 °C"

[[scenario]]
name = "steady 45"
speed = "45 mph"

[[scenario]]
name = "town"
cycle = "udds"

[[scenario]]
name = "country road"
cycle = "hwfet"

[[scenario]]
name = "brisk"
cycle = "us06"

[[scenario]]
name = "delivery day"
mix = { "town" = 0.5, "country road" = 0.5 }

[[scenario]]
name = "highway 65, freezing"
speed = "65 mph"
ambient = "20 °F"

[[scenario]]
name = "steady 45, loaded"
speed = "45 mph"
payload = "400 kg"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoDrive:
    """One drive of the demo: its route and weather, and when it was."""

    name: str
    make_route: Callable[[np.random.Generator], TwinRoute]
    weather: TwinWeather
    start_state_of_charge_ratio: float
    start_ns: int


_DAY_NS = 86_400_000_000_000
_FIRST_NS = 1_714_989_600_000_000_000

DEMO_DRIVES: Final = (
    DemoDrive(
        name="01-town",
        make_route=lambda rng: urban_route(rng, duration_s=1800.0),
        weather=TwinWeather(ambient_temperature_degc=19.0, wind_m_per_s=1.5, wind_from_deg=250.0),
        start_state_of_charge_ratio=0.92,
        start_ns=_FIRST_NS,
    ),
    DemoDrive(
        name="02-mixed",
        make_route=lambda rng: mixed_route(rng, duration_s=3300.0),
        weather=TwinWeather(ambient_temperature_degc=22.0, wind_m_per_s=2.0, wind_from_deg=200.0),
        start_state_of_charge_ratio=0.95,
        start_ns=_FIRST_NS + _DAY_NS,
    ),
    DemoDrive(
        name="03-highway",
        make_route=lambda rng: highway_route(rng, duration_s=2700.0, speed_mph=64.0),
        weather=TwinWeather(ambient_temperature_degc=24.0, wind_m_per_s=1.0, wind_from_deg=90.0),
        start_state_of_charge_ratio=0.90,
        start_ns=_FIRST_NS + 3 * _DAY_NS,
    ),
    DemoDrive(
        name="04-hill",
        make_route=lambda rng: hill_route(rng, duration_s=1500.0, grade_ratio=0.06),
        weather=TwinWeather(ambient_temperature_degc=27.0),
        start_state_of_charge_ratio=0.85,
        start_ns=_FIRST_NS + 4 * _DAY_NS,
    ),
    DemoDrive(
        name="05-coastdown",
        make_route=lambda rng: coastdown_route(rng, pairs=4, coast_s=150.0),
        weather=TwinWeather(ambient_temperature_degc=18.0, wind_m_per_s=0.8, wind_from_deg=90.0),
        start_state_of_charge_ratio=0.80,
        start_ns=_FIRST_NS + 6 * _DAY_NS,
    ),
    DemoDrive(
        name="06-cold",
        make_route=lambda rng: mixed_route(rng, duration_s=2400.0),
        weather=TwinWeather(ambient_temperature_degc=1.0, wind_m_per_s=2.5, wind_from_deg=300.0),
        start_state_of_charge_ratio=0.93,
        start_ns=_FIRST_NS + 190 * _DAY_NS,
    ),
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
    (folder / "build.toml").write_text(BUILD_TOML, encoding="utf-8")
    (folder / "channels.toml").write_text(channels_toml(), encoding="utf-8")
    (folder / "dbc_user" / "demo.dbc").write_text(dbc_text(), encoding="utf-8")
