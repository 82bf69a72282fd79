"""What the twin's sensors make of the truth: rate, lag, noise, resolution, lost frames."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from logan.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwinTrace:
    """The truth on one time axis; ``values`` grows while the twin runs."""

    time_s: FloatArray
    values: dict[str, FloatArray]

    def __getitem__(self, name: str) -> FloatArray:
        return self.values[name]


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor: sampling rate, standard noise and resolution in the channel's SI unit."""

    rate_hz: float
    noise: float = 0.0
    resolution: float = 0.0


DEFAULT_SENSORS: Mapping[str, Sensor] = {
    "speed": Sensor(10.0, 0.03, 0.01),
    "gnss_speed": Sensor(5.0, 0.05, 0.01),
    "pack_voltage": Sensor(10.0, 0.05, 0.1),
    "pack_current": Sensor(10.0, 0.2, 0.1),
    "motor_speed": Sensor(10.0, 0.3, 0.1),
    "motor_torque": Sensor(10.0, 0.5, 0.5),
    "motor_torque_command": Sensor(10.0, 0.0, 0.5),
    "accelerator": Sensor(10.0, 0.0, 0.004),
    "brake_switch": Sensor(10.0),
    "brake_pressure": Sensor(10.0, 2000.0, 10_000.0),
    "state_of_charge": Sensor(1.0, 0.0, 0.005),
    "cell_voltage_min": Sensor(1.0, 0.001, 0.001),
    "cell_voltage_max": Sensor(1.0, 0.001, 0.001),
    "pack_temperature": Sensor(1.0, 0.0, 0.5),
    "cell_temperature_min": Sensor(1.0, 0.0, 0.5),
    "cell_temperature_max": Sensor(1.0, 0.0, 0.5),
    "motor_temperature": Sensor(1.0, 0.1, 0.5),
    "inverter_temperature": Sensor(1.0, 0.1, 0.5),
    "coolant_temperature": Sensor(1.0, 0.1, 0.5),
    "coolant_temperature_outlet": Sensor(1.0, 0.1, 0.5),
    "ambient_temperature": Sensor(1.0, 0.0, 0.5),
    "barometric_pressure": Sensor(1.0, 10.0, 10.0),
    "heater_power": Sensor(1.0, 0.0, 50.0),
    "dcdc_power": Sensor(1.0, 3.0, 1.0),
    "contactor_closed": Sensor(1.0),
    "odometer": Sensor(1.0, 0.0, 100.0),
    "heading": Sensor(1.0, 1.0, 1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TwinSensors:
    """How a drive of the twin is measured.

    Parameters
    ----------
    rate_factor : float
        Multiplies every sampling rate.
    pack_lag_s : float
        Voltage and current are both late by this, against the speed.
    current_lag_s : float
        Current alone is late by this, against the voltage.
    current_offset_a, current_gain_ratio : float
        Errors of the current sensor.
    speed_gain_ratio : float
        Of the vehicle's own speed: its tires are not as large as it thinks.
    elevation_sigma_m, elevation_correlation_s : float
        Size and correlation time of the satellite height error.
    lost_ratio : float
        Share of samples that are lost at random.
    without : tuple of str
        Channels that this logger does not have.
    """

    rate_factor: float = 1.0
    pack_lag_s: float = 0.0
    current_lag_s: float = 0.0
    current_offset_a: float = 0.0
    current_gain_ratio: float = 1.0
    speed_gain_ratio: float = 1.0
    elevation_sigma_m: float = 0.0
    elevation_correlation_s: float = 30.0
    lost_ratio: float = 0.0
    noise_factor: float = 1.0
    without: tuple[str, ...] = ()
    sensors: Mapping[str, Sensor] = field(default_factory=lambda: DEFAULT_SENSORS)


def measure(
    trace: TwinTrace, sensors: TwinSensors, rng: np.random.Generator
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Return (time, value) of every channel that the logger has."""
    measured: dict[str, tuple[FloatArray, FloatArray]] = {}
    for name, sensor in sensors.sensors.items():
        if name in sensors.without:
            continue
        lag_s = sensors.pack_lag_s if name in ("pack_voltage", "pack_current") else 0.0
        if name == "pack_current":
            lag_s += sensors.current_lag_s
        time_s = _sample_times(trace, sensor.rate_hz * sensors.rate_factor, sensors.lost_ratio, rng)
        source = trace["speed"] if name == "gnss_speed" else trace[name]
        value = _sample(trace.time_s, source, time_s - lag_s, is_state=name in ("brake_switch", "contactor_closed"))
        if name == "pack_current":
            value = value * sensors.current_gain_ratio + sensors.current_offset_a
        elif name == "speed":
            value = value * sensors.speed_gain_ratio
        value = value + rng.normal(0.0, 1.0, value.shape) * sensor.noise * sensors.noise_factor
        if name in ("speed", "gnss_speed"):
            value = np.maximum(value, 0.0)
        measured[name] = (time_s, _quantise(value, sensor.resolution))
    if "elevation" not in sensors.without:
        measured.update(_place(trace, sensors, rng))
    return measured


def _sample_times(trace: TwinTrace, rate_hz: float, lost_ratio: float, rng: np.random.Generator) -> FloatArray:
    count = max(2, int(trace.time_s[-1] * rate_hz))
    time_s = (np.arange(count) + rng.uniform(0.0, 0.3)) / rate_hz
    if lost_ratio > 0.0:
        time_s = time_s[rng.uniform(size=count) >= lost_ratio]
    return np.asarray(time_s)


def _sample(time_s: FloatArray, value: FloatArray, at_s: FloatArray, *, is_state: bool) -> FloatArray:
    if not is_state:
        return np.interp(at_s, time_s, value)
    index = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, time_s.size - 1)
    return np.asarray(value[index])


def _quantise(value: FloatArray, resolution: float) -> FloatArray:
    return np.asarray(np.round(value / resolution) * resolution) if resolution > 0.0 else value


def _place(
    trace: TwinTrace, sensors: TwinSensors, rng: np.random.Generator
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Satellite position and height once a second; the height error wanders (first-order Gauss-Markov)."""
    time_s = np.arange(int(trace.time_s[-1]) + 1, dtype=float)
    keep = np.exp(-1.0 / sensors.elevation_correlation_s)
    error = np.zeros(time_s.size)
    if sensors.elevation_sigma_m > 0.0:
        error[0] = rng.normal(0.0, sensors.elevation_sigma_m)
        kicks = rng.normal(0.0, sensors.elevation_sigma_m * np.sqrt(1.0 - keep**2), time_s.size)
        for k in range(1, time_s.size):
            error[k] = keep * error[k - 1] + kicks[k]
    elevation = np.interp(time_s, trace.time_s, trace["elevation"]) + error
    metres = np.interp(time_s, trace.time_s, trace["distance"])
    bearing = np.radians(np.interp(time_s, trace.time_s, trace["heading"]))
    step_m = np.diff(metres, prepend=metres[0])
    north, east = np.cumsum(step_m * np.cos(bearing)), np.cumsum(step_m * np.sin(bearing))
    return {
        "elevation": (time_s, _quantise(elevation, 0.1)),
        # An invented place in the middle of an ocean: no real road is shown.
        "latitude": (time_s, 10.0 + north / 111_320.0),
        "longitude": (time_s, -40.0 + east / (111_320.0 * np.cos(np.radians(10.0)))),
    }
