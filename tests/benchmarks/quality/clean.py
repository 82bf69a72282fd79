"""Clean drives of the twin: honest, noisy and as varied as real logs, without a fault in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from logan.demo.routes import TwinRoute, coastdown_route, highway_route, hill_route, mixed_route, urban_route
from logan.demo.sensors import DEFAULT_SENSORS, Sensor, TwinSensors
from logan.demo.twin import TwinDrive, TwinVehicle, TwinWeather, drive_twin
from logan.drive.drive import Drive, DriveConditions
from logan.settings import BuildSettings, GearingChoice, MotorSettings, PlanningValue, Reduction
from tests.builds import example_build

SEED = 20_251_125
NOTED = DriveConditions(payload_kg=0.0, tyre_pressure_pa=240_000.0)
_COARSE: Mapping[str, Sensor] = {
    **DEFAULT_SENSORS,
    "pack_voltage": Sensor(10.0, 0.1, 1.0),
    "pack_current": Sensor(10.0, 0.3, 1.0),
    "speed": Sensor(10.0, 0.05, 0.28),
    "motor_torque": Sensor(10.0, 1.0, 1.0),
}
_FINE_GAUGE: Mapping[str, Sensor] = {**DEFAULT_SENSORS, "state_of_charge": Sensor(1.0, 0.0, 0.001)}
_WITHOUT_MOTOR = ("motor_speed", "motor_torque", "motor_torque_command")
_WITHOUT_BRAKES = ("brake_switch", "brake_pressure")


@dataclass(frozen=True, kw_only=True)
class CleanCase:
    """One clean drive; ``true_findings`` are codes that rightly apply to it."""

    name: str
    route: str = "mixed"
    duration_s: float = 1800.0
    vehicle: TwinVehicle = field(default_factory=TwinVehicle)
    weather: TwinWeather = field(default_factory=TwinWeather)
    sensors: TwinSensors = field(default_factory=lambda: TwinSensors(elevation_sigma_m=2.0))
    true_findings: tuple[str, ...] = ()


def _cold(**more: object) -> TwinVehicle:
    return TwinVehicle(heater_w_per_k=110.0, **more)  # type: ignore[arg-type]


CASES: tuple[CleanCase, ...] = (
    CleanCase(name="mixed, 10 Hz", duration_s=3600.0),
    CleanCase(name="town, flat", route="urban"),
    CleanCase(name="town, hills", route="urban hilly"),
    CleanCase(name="highway", route="highway"),
    CleanCase(
        name="highway, wind 5 m/s",
        route="highway",
        weather=TwinWeather(wind_m_per_s=5.0, wind_from_deg=200.0),
        true_findings=("wind_seen",),
    ),
    CleanCase(name="mountain", route="hill"),
    CleanCase(name="coastdowns", route="coastdown"),
    CleanCase(
        name="cold, heater logged",
        weather=TwinWeather(ambient_temperature_degc=-5.0),
        vehicle=_cold(),
    ),
    CleanCase(
        name="cold, heater not logged",
        weather=TwinWeather(ambient_temperature_degc=-5.0),
        vehicle=_cold(),
        sensors=TwinSensors(without=("heater_power",), elevation_sigma_m=2.0),
        true_findings=("unlogged_load", "load_nobody_logged"),
    ),
    CleanCase(name="hot", weather=TwinWeather(ambient_temperature_degc=35.0, pressure_pa=95_000.0)),
    CleanCase(name="regen limited to 15 kW", route="urban", vehicle=TwinVehicle(regen_power_limit_w=15_000.0)),
    CleanCase(name="no regen", route="urban", vehicle=TwinVehicle(regen_power_limit_w=10.0)),
    CleanCase(name="power limited", route="hill", vehicle=TwinVehicle(drive_power_limit_w=60_000.0)),
    CleanCase(name="1 Hz", duration_s=3600.0, sensors=TwinSensors(rate_factor=0.1, elevation_sigma_m=2.0)),
    CleanCase(name="1 Hz, town", route="urban", sensors=TwinSensors(rate_factor=0.1, elevation_sigma_m=2.0)),
    CleanCase(name="50 Hz", sensors=TwinSensors(rate_factor=5.0, elevation_sigma_m=2.0)),
    CleanCase(name="coarse sensors", sensors=TwinSensors(sensors=_COARSE, elevation_sigma_m=3.0)),
    CleanCase(name="coarse sensors, highway", route="highway", sensors=TwinSensors(sensors=_COARSE)),
    CleanCase(
        name="fine gauge",
        sensors=TwinSensors(sensors=_FINE_GAUGE),
        true_findings=("soc_circular",),  # the twin's gauge is the integral of its current
    ),
    CleanCase(
        name="brakes unlogged",
        route="urban",
        vehicle=TwinVehicle(regen_power_limit_w=15_000.0),
        sensors=TwinSensors(without=_WITHOUT_BRAKES, elevation_sigma_m=2.0),
        true_findings=("friction_braking_unlogged",),
    ),
    CleanCase(name="no motor channels", sensors=TwinSensors(without=_WITHOUT_MOTOR, elevation_sigma_m=2.0)),
    CleanCase(
        name="few channels",
        sensors=TwinSensors(
            without=(*_WITHOUT_MOTOR, "gnss_speed", "elevation", "barometric_pressure", "dcdc_power", "odometer")
        ),
    ),
    CleanCase(
        name="half a per cent lost", sensors=TwinSensors(lost_ratio=0.005, pack_lag_s=0.1, elevation_sigma_m=4.0)
    ),
    CleanCase(name="noisy", sensors=TwinSensors(noise_factor=3.0, elevation_sigma_m=6.0)),
    CleanCase(name="long highway", route="highway fast", duration_s=6000.0),
    CleanCase(name="heavy, fast", route="highway fast", vehicle=TwinVehicle(mass_kg=1720.0, drag_area_m2=0.84)),
)


def planned_build(vehicle: TwinVehicle) -> BuildSettings:
    """What the builder of the twin planned: a few per cent off the truth, as plans are."""
    build = example_build()
    return replace(
        build,
        vehicle=replace(
            build.vehicle,
            mass_kg=PlanningValue(1650.0, 40.0),
            drag_area_m2=PlanningValue(0.74, 0.08),
            rolling_coefficient=PlanningValue(0.0100, 0.0015),
            tyre_rolling_circumference_m=PlanningValue(1.99, 0.02),
        ),
        powertrain=replace(
            build.powertrain,
            drive_efficiency=PlanningValue(0.87, 0.025),
            regen_efficiency=PlanningValue(0.80, 0.05),
            gearing=GearingChoice(name="drive unit", reductions=(Reduction(name="gear", ratio=vehicle.total_ratio),)),
            motor=MotorSettings(max_speed_rpm=13_000.0, max_torque_nm=320.0, max_power_w=140e3),
        ),
        pack=replace(
            build.pack,
            cells_in_series=vehicle.cells_in_series,
            cell_capacity_ah=PlanningValue(vehicle.pack_capacity_ah / 3.0 * 1.02, 2.0),
            resistance_ohm=PlanningValue(0.09, 0.02),
        ),
    )


def _route(case: CleanCase, rng: np.random.Generator) -> TwinRoute:
    duration_s = case.duration_s
    match case.route:
        case "urban":
            return urban_route(rng, duration_s=duration_s)
        case "urban hilly":
            return urban_route(rng, duration_s=duration_s, climb_ratio=0.04)
        case "highway":
            return highway_route(rng, duration_s=duration_s)
        case "highway fast":
            return highway_route(rng, duration_s=duration_s, speed_mph=78.0)
        case "hill":
            return hill_route(rng)
        case "coastdown":
            return coastdown_route(rng, pairs=2)
        case _:
            return mixed_route(rng, duration_s=duration_s)


@cache
def clean_twin(name: str, seed: int = SEED) -> TwinDrive:
    """The twin's drive of one case."""
    index = next(position for position, case in enumerate(CASES) if case.name == name)
    case = CASES[index]
    rng = np.random.default_rng([seed, index])
    return drive_twin(case.vehicle, _route(case, rng), rng=rng, weather=case.weather, sensors=case.sensors)


@cache
def clean_drive(name: str, seed: int = SEED) -> tuple[Drive, BuildSettings]:
    """One clean drive with the notes that a careful driver makes, and the build as planned."""
    twin = clean_twin(name, seed)
    return replace(twin.to_drive(), conditions=NOTED), planned_build(twin.vehicle)
