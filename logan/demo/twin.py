"""A vehicle twin of known truth: it integrates its own motion and shares no code with ``model``.

A driver follows a route's target speeds with pedal and brake; the equation of motion
is stepped at 20 Hz with plain floats; pack, heat and sensors are worked out from the
motion afterwards. Every number is invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from logan.demo.routes import TwinRoute
from logan.demo.sensors import TwinSensors, TwinTrace, measure
from logan.drive.drive import Channel, Drive
from logan.units import FloatArray

STEP_S = 0.05
GRAVITY_M_PER_S2 = 9.80665


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinVehicle:
    """What the vehicle really is, whatever its plan says.

    Parameters
    ----------
    mass_kg, drag_area_m2, rolling_coefficient : float
        Truth; the rolling coefficient is that of warm tyres at 25 °C.
    dragging_brake_n : float
        Constant drag of brakes that do not let go.
    drive_efficiency_ratio, regen_efficiency_ratio : float
        Pack to wheel and wheel to pack.
    spin_loss_w_per_m_per_s : float
        Extra drivetrain loss in proportion to speed, on top of the efficiencies.
    """

    mass_kg: float = 1650.0
    drag_area_m2: float = 0.78
    rolling_coefficient: float = 0.0105
    rolling_temperature_coefficient_per_k: float = 0.008
    tyre_warm_up_ratio: float = 0.0
    tyre_warm_up_s: float = 600.0
    dragging_brake_n: float = 0.0
    rotating_mass_ratio: float = 0.04
    drive_efficiency_ratio: float = 0.89
    regen_efficiency_ratio: float = 0.83
    spin_loss_w_per_m_per_s: float = 0.0
    regen_power_limit_w: float = 60_000.0
    regen_force_limit_n: float = 4_000.0
    regen_fade_speed_m_per_s: float = 2.5
    drive_power_limit_w: float = 140_000.0
    drive_force_limit_n: float = 7_000.0
    auxiliary_power_w: float = 420.0
    heater_w_per_k: float = 0.0
    total_ratio: float = 9.1
    tyre_rolling_circumference_m: float = 1.98
    cells_in_series: int = 96
    pack_capacity_ah: float = 190.0
    pack_resistance_ohm: float = 0.07
    pack_polarisation_ohm: float = 0.03
    pack_polarisation_s: float = 15.0
    motor_heat_capacity_j_per_k: float = 22_000.0
    motor_thermal_resistance_k_per_w: float = 0.018
    copper_w_per_nm2: float = 0.085
    iron_w_s_per_rad: float = 1.3
    inverter_w: tuple[float, float, float] = (140.0, 3.4, 0.012)
    """Heat of winding and iron by torque and shaft speed; of the inverter by torque, its magnitude and its square."""
    inverter_heat_capacity_j_per_k: float = 4_000.0
    inverter_thermal_resistance_k_per_w: float = 0.012
    coolant_heat_capacity_j_per_k: float = 60_000.0
    radiator_w_per_k: float = 260.0

    def steady_force_n(self, speed_m_per_s: float, weather: TwinWeather) -> float:
        """Road load at steady speed on the level, tyres warm. [N]."""
        rolling = self.rolling_coefficient * weather.rolling_factor(self.rolling_temperature_coefficient_per_k)
        air_m_per_s = speed_m_per_s + weather.headwind_m_per_s
        drag = 0.5 * weather.air_density_kg_per_m3 * self.drag_area_m2 * air_m_per_s * abs(air_m_per_s)
        return self.mass_kg * GRAVITY_M_PER_S2 * rolling + drag + self.dragging_brake_n

    def steady_consumption_wh_per_km(self, speed_m_per_s: float, weather: TwinWeather) -> float:
        """Pack energy per distance at steady speed on the level: the truth that a fit should find. [Wh/km]."""
        power_w = self.steady_force_n(speed_m_per_s, weather) * speed_m_per_s / self.drive_efficiency_ratio
        power_w += self.spin_loss_w_per_m_per_s * speed_m_per_s + self.auxiliary_power_w
        power_w += self.heater_w_per_k * max(0.0, 17.0 - weather.ambient_temperature_degc)
        return power_w / speed_m_per_s / 3.6


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinWeather:
    """The weather of a drive."""

    ambient_temperature_degc: float = 20.0
    pressure_pa: float = 101_325.0
    wind_m_per_s: float = 0.0
    wind_from_deg: float = 0.0
    headwind_m_per_s: float = 0.0
    gust_m_per_s: float = 0.0

    @property
    def air_density_kg_per_m3(self) -> float:
        """Dry ideal gas. [kg/m3]."""
        return self.pressure_pa / (287.05 * (self.ambient_temperature_degc + 273.15))

    def rolling_factor(self, coefficient_per_k: float) -> float:
        """Rise of rolling resistance when it is colder than 25 °C."""
        return 1.0 + coefficient_per_k * (25.0 - min(max(self.ambient_temperature_degc, -10.0), 40.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwinDrive:
    """A drive of the twin: what happened, and what its sensors said."""

    vehicle: TwinVehicle
    weather: TwinWeather
    trace: TwinTrace
    measured: dict[str, tuple[FloatArray, FloatArray]]
    start_ns: int = 1_700_000_000_000_000_000
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def net_wh(self) -> float:
        """True net energy through the pack terminals. [Wh]."""
        return float(np.sum(self.trace["pack_power"]) * STEP_S / 3600.0)

    @property
    def distance_m(self) -> float:
        """True distance. [m]."""
        return float(self.trace["distance"][-1])

    def to_drive(self) -> Drive:
        """The measured channels as a Drive."""
        channels = {
            name: Channel(name=name, time_s=time_s, value=value, source=f"twin.{name}")
            for name, (time_s, value) in self.measured.items()
        }
        return Drive(channels=channels, start_ns=self.start_ns)


def drive_twin(
    vehicle: TwinVehicle,
    route: TwinRoute,
    *,
    rng: np.random.Generator,
    weather: TwinWeather | None = None,
    sensors: TwinSensors | None = None,
    start_state_of_charge_ratio: float = 0.9,
    start_ns: int = 1_700_000_000_000_000_000,
) -> TwinDrive:
    """Drive the twin along a route and measure it.

    Parameters
    ----------
    vehicle, route, weather, sensors
        What drives, where, in which air, and how it is measured.
    rng : numpy.random.Generator
        Noise of the sensors.

    Returns
    -------
    TwinDrive
        Truth at 20 Hz, and the measured channels at their own rates.
    """
    weather = weather or TwinWeather()
    gusts = _gusts(weather, route, rng) if weather.gust_m_per_s else None
    trace = _move(vehicle, route, weather, gusts)
    _add_electrics(trace, vehicle, weather, start_state_of_charge_ratio)
    _add_heat(trace, vehicle, weather)
    measured = measure(trace, sensors or TwinSensors(), rng)
    return TwinDrive(vehicle=vehicle, weather=weather, trace=trace, measured=measured, start_ns=start_ns)


def _gusts(weather: TwinWeather, route: TwinRoute, rng: np.random.Generator) -> list[float]:
    """Gusts along the road with a memory of ten seconds, from numbers that the sensors' noise does not use. [m/s]"""
    count, keep = int(route.time_s[-1] / STEP_S) + 1, math.exp(-STEP_S / 10.0)
    shocks = rng.spawn(1)[0].normal(0.0, weather.gust_m_per_s * math.sqrt(1.0 - keep**2), count).tolist()
    gusts = [0.0] * count
    for k in range(1, count):
        gusts[k] = keep * gusts[k - 1] + shocks[k]
    return gusts


def _move(vehicle: TwinVehicle, route: TwinRoute, weather: TwinWeather, gusts: list[float] | None = None) -> TwinTrace:
    """Step the equation of motion; forces are held over a step, speed changes linearly in it."""
    count = int(route.time_s[-1] / STEP_S) + 1
    time_s = np.asarray(np.arange(count) * STEP_S, dtype=np.float64)
    target = np.interp(time_s, route.time_s, route.speed_m_per_s).tolist()
    # The driver looks a second ahead, as drivers do.
    ahead = np.interp(time_s + 1.0, route.time_s, route.speed_m_per_s).tolist()
    coasting = (np.interp(time_s, route.time_s, route.is_coasting.astype(float)) > 0.5).tolist()
    elevation, spacing_m = route.elevation_m.tolist(), route.elevation_spacing_m
    heading, last = route.heading_deg.tolist(), len(route.elevation_m) - 2
    turned = (np.searchsorted(route.turn_s, time_s, side="right") % 2 == 1).tolist()
    headwind_by_way = [
        [
            weather.headwind_m_per_s + way * weather.wind_m_per_s * math.cos(math.radians(weather.wind_from_deg - at))
            for at in heading
        ]
        for way in (1.0, -1.0)
    ]
    inertia_kg = vehicle.mass_kg * (1.0 + vehicle.rotating_mass_ratio)
    weight_n = vehicle.mass_kg * GRAVITY_M_PER_S2
    rolling_n = weight_n * vehicle.rolling_coefficient
    rolling_n *= weather.rolling_factor(vehicle.rolling_temperature_coefficient_per_k)
    half_drag = 0.5 * weather.air_density_kg_per_m3 * vehicle.drag_area_m2
    speeds, distances, drives, brakes = [0.0] * count, [0.0] * count, [0.0] * count, [0.0] * count
    rollings, drags = [0.0] * count, [0.0] * count
    speed, distance, place = float(target[0]), 0.0, route.start_m
    places = [place] * count
    warm_up = [vehicle.tyre_warm_up_ratio * math.exp(-k * STEP_S / vehicle.tyre_warm_up_s) for k in range(count)]
    for k in range(count):
        speeds[k], distances[k], places[k] = speed, distance, place
        if target[k] <= 0.0 and ahead[k] <= 0.0 and speed < 0.15 and not coasting[k]:
            speed = 0.0
            continue
        way = -1.0 if turned[k] else 1.0
        cell = min(max(int(place / spacing_m), 0), last)
        slope = way * (elevation[cell + 1] - elevation[cell]) / spacing_m
        wind = headwind_by_way[turned[k]][cell] + (gusts[k] if gusts else 0.0)
        drag_n = half_drag * (speed + wind) * abs(speed + wind)
        roll_n = (rolling_n * (1.0 + warm_up[k]) + vehicle.dragging_brake_n) if speed > 0.0 else 0.0
        load_n = drag_n + roll_n + weight_n * slope
        drive_n = brake_n = 0.0
        if not coasting[k]:
            wanted_n = load_n + inertia_kg * ((ahead[k] - target[k]) + 0.8 * (target[k] - speed))
            if wanted_n >= 0.0:
                limit_n = min(vehicle.drive_force_limit_n, vehicle.drive_power_limit_w / max(speed, 1.0))
                drive_n = min(wanted_n, limit_n)
            elif speed > 0.0:
                fade = min(1.0, max(0.0, speed / vehicle.regen_fade_speed_m_per_s - 0.5))
                limit_n = min(vehicle.regen_force_limit_n, vehicle.regen_power_limit_w / max(speed, 1.0)) * fade
                drive_n = max(wanted_n, -limit_n)
                brake_n = drive_n - wanted_n
        after = speed + (drive_n - brake_n - load_n) / inertia_kg * STEP_S
        after = max(after, 0.0)
        drives[k], brakes[k], rollings[k], drags[k] = drive_n, brake_n, roll_n, drag_n
        distance += 0.5 * (speed + after) * STEP_S
        place += way * 0.5 * (speed + after) * STEP_S
        speed = after
    return TwinTrace(
        time_s=time_s,
        values={
            "speed": np.array(speeds),
            "distance": np.array(distances),
            "wheel_force": np.array(drives),
            "brake_force": np.array(brakes),
            "rolling_force": np.array(rollings),
            "drag_force": np.array(drags),
            "is_coasting": np.array(coasting, dtype=float),
            "elevation": np.interp(places, np.arange(len(elevation)) * spacing_m, elevation),
            "heading": np.array(
                [
                    (heading[min(max(int(metres / spacing_m), 0), last)] + 180.0 * back) % 360.0
                    for metres, back in zip(places, turned, strict=True)
                ]
            ),
        },
    )


def cell_open_circuit_voltage_v(state_of_charge_ratio: FloatArray) -> FloatArray:
    """Open-circuit voltage of the twin's cells."""
    points = [0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0]
    volts = [3.0, 3.32, 3.43, 3.52, 3.58, 3.63, 3.69, 3.78, 3.87, 3.96, 4.06, 4.18]
    return np.interp(state_of_charge_ratio, points, volts)


def _add_electrics(trace: TwinTrace, vehicle: TwinVehicle, weather: TwinWeather, start_soc: float) -> None:
    speed = trace["speed"]
    mean_speed = 0.5 * (speed + np.append(speed[1:], speed[-1]))
    wheel_w = trace["wheel_force"] * mean_speed
    traction_w = np.where(
        wheel_w > 0, wheel_w / vehicle.drive_efficiency_ratio, wheel_w * vehicle.regen_efficiency_ratio
    )
    traction_w = traction_w + vehicle.spin_loss_w_per_m_per_s * mean_speed
    heater_w = vehicle.heater_w_per_k * max(0.0, 17.0 - weather.ambient_temperature_degc)
    power_w = traction_w + vehicle.auxiliary_power_w + heater_w
    cold = math.exp(25_000.0 / 8.314 * (1.0 / (weather.ambient_temperature_degc + 273.15) - 1.0 / 298.15))
    ohmic, polarisation = vehicle.pack_resistance_ohm * cold, vehicle.pack_polarisation_ohm * cold
    decay = math.exp(-STEP_S / vehicle.pack_polarisation_s)
    current = power_w / (3.7 * vehicle.cells_in_series)
    for _ in range(6):
        used_ah = np.concatenate(([0.0], np.cumsum(current)[:-1])) * STEP_S / 3600.0
        soc = start_soc - used_ah / vehicle.pack_capacity_ah
        behind_v = polarisation * np.asarray(lfilter([0.0, 1.0 - decay], [1.0, -decay], current))
        source_v = cell_open_circuit_voltage_v(soc) * vehicle.cells_in_series - behind_v
        current = (source_v - np.sqrt(np.maximum(source_v**2 - 4.0 * ohmic * power_w, 0.0))) / (2.0 * ohmic)
    voltage = source_v - current * ohmic
    turns = speed / vehicle.tyre_rolling_circumference_m * vehicle.total_ratio
    torque = trace["wheel_force"] * vehicle.tyre_rolling_circumference_m / (2 * math.pi * vehicle.total_ratio)
    trace.values.update(
        pack_power=voltage * current,
        pack_voltage=voltage,
        pack_current=current,
        state_of_charge=soc,
        heater_power=np.full(speed.shape, heater_w),
        dcdc_power=np.full(speed.shape, vehicle.auxiliary_power_w),
        motor_speed=2 * math.pi * turns,
        motor_torque=torque,
        motor_torque_command=torque.copy(),
        accelerator=np.clip(trace["wheel_force"] / vehicle.drive_force_limit_n, 0.0, 1.0),
        brake_switch=(trace["brake_force"] > 20.0).astype(float),
        brake_pressure=trace["brake_force"] * 800.0,
        loss_power=np.abs(traction_w - wheel_w),
        cell_voltage_min=voltage / vehicle.cells_in_series - 0.004 - 1.5e-5 * np.abs(current),
        cell_voltage_max=voltage / vehicle.cells_in_series + 0.004 + 1.0e-5 * np.abs(current),
        ambient_temperature=np.full(speed.shape, weather.ambient_temperature_degc),
        barometric_pressure=weather.pressure_pa - 11.8 * (trace["elevation"] - trace["elevation"][0]),
        contactor_closed=np.ones(speed.shape),
        odometer=48_000_000.0 + trace["distance"],
    )


def _add_heat(trace: TwinTrace, vehicle: TwinVehicle, weather: TwinWeather) -> None:
    """First-order nodes for motor, inverter and coolant, stepped once a second."""
    stride = round(1.0 / STEP_S)
    count = math.ceil(trace.time_s.size / stride)

    def second_means(value: FloatArray) -> list[float]:
        padded = np.zeros(count * stride)
        padded[: value.size] = value
        return [float(mean) for mean in padded.reshape(count, stride).mean(axis=1)]

    torque, idle = trace["motor_torque"], vehicle.inverter_w
    copper_w = second_means(vehicle.copper_w_per_nm2 * torque**2)
    iron_w = second_means(vehicle.iron_w_s_per_rad * np.abs(trace["motor_speed"]))
    inverter_w = second_means(idle[0] + idle[1] * np.abs(torque) + idle[2] * torque**2)
    loss_w = second_means(trace["loss_power"])
    ambient = weather.ambient_temperature_degc
    motor = inverter = coolant = ambient
    cells = max(ambient, 10.0)
    rows = []
    for copper, iron, switching, watts in zip(copper_w, iron_w, inverter_w, loss_w, strict=True):
        rows.append((motor, inverter, coolant, cells))
        to_coolant_motor = (motor - coolant) / vehicle.motor_thermal_resistance_k_per_w
        to_coolant_inverter = (inverter - coolant) / vehicle.inverter_thermal_resistance_k_per_w
        copper *= 1.0 + 0.0039 * (motor - 25.0)
        motor += (copper + iron - to_coolant_motor) / vehicle.motor_heat_capacity_j_per_k
        inverter += (switching - to_coolant_inverter) / vehicle.inverter_heat_capacity_j_per_k
        to_air = vehicle.radiator_w_per_k * (coolant - ambient)
        coolant += (to_coolant_motor + to_coolant_inverter - to_air) / vehicle.coolant_heat_capacity_j_per_k
        cells += 0.08 * watts / 250_000.0
    table = np.array(rows)
    at = np.arange(count, dtype=float)
    names = ("motor_temperature", "inverter_temperature", "coolant_temperature", "pack_temperature")
    for column, name in enumerate(names):
        trace.values[name] = np.interp(trace.time_s, at, table[:, column])
    outlet = trace["coolant_temperature"] + trace["loss_power"] * 0.6 / (0.15 * 3600.0)
    smooth = math.exp(-STEP_S / 20.0)
    trace.values["coolant_temperature_outlet"] = np.asarray(
        lfilter([1 - smooth], [1.0, -smooth], outlet - ambient) + ambient
    )
    trace.values["cell_temperature_min"] = trace["pack_temperature"] - 1.0
    trace.values["cell_temperature_max"] = trace["pack_temperature"] + 1.5
