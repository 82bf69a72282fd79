"""What many detectors ask of one drive, computed once; and runs, steps and resolution of sampled values."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cached_property

import numpy as np

from logan.drive.clock_alignment import ClockAlignment, align_clocks
from logan.drive.drive import STANDSTILL_M_PER_S, Channel, Drive, is_charging_at
from logan.drive.logged_loads import LoadVerdict, judged_loads
from logan.numerics import integrate, nominal_period_s, true_runs
from logan.results import Span, read_only
from logan.settings import BuildSettings
from logan.units import (
    DRY_AIR_GAS_CONSTANT_J_PER_KG_K,
    JOULES_PER_WATT_HOUR,
    STANDARD_GRAVITY_M_PER_S2,
    STANDARD_PRESSURE_PA,
    ZERO_CELSIUS_K,
    BoolArray,
    FloatArray,
)

_ENOUGH = 10_000
_LONGEST_LAG_S = 10.0
MAX_SPANS = 50
"""No flag lists more spans than this; the evidence gives the full count."""


def within(time_s: FloatArray, spans: Iterable[Span]) -> BoolArray:
    """True at times inside any of the spans, shape (n,)."""
    inside = np.zeros(time_s.shape, dtype=bool)
    for span in spans:
        inside |= (time_s >= span.start_s) & (time_s <= span.end_s)
    return inside


def resolution(value: FloatArray) -> float:
    """Smallest step between different values that occurs often; zero for one value only."""
    steps = np.abs(np.diff(value))
    steps = steps[steps > 0]
    if steps.size == 0:
        return 0.0
    return float(np.quantile(_some(steps), 0.02))


def _some(value: FloatArray) -> FloatArray:
    """At most some ten thousand of the values, evenly spread: enough for a quantile."""
    return value[:: max(value.size // _ENOUGH, 1)]


def middle_of(value: FloatArray) -> float:
    """Median of what is known; NaN where nothing is."""
    known = value[np.isfinite(value)]
    return float(np.median(known)) if known.size else float("nan")


def span_range(value: FloatArray, low_ratio: float = 0.01, high_ratio: float = 0.99) -> float:
    """Distance between two quantiles of the values; zero where there are none."""
    if value.size == 0:
        return 0.0
    low, high = np.quantile(value if low_ratio == 0.0 else _some(value), [low_ratio, high_ratio])
    return float(high - low)


def spans_of(time_s: FloatArray, condition: BoolArray, *, min_samples: int = 1) -> tuple[Span, ...]:
    """Spans in which a condition holds for at least ``min_samples`` samples, the longest first few."""
    starts, lengths = true_runs(condition)
    keep = lengths >= min_samples
    starts, lengths = starts[keep], lengths[keep]
    if starts.size > MAX_SPANS:
        chosen = np.sort(np.argsort(-lengths, kind="stable")[:MAX_SPANS])
        starts, lengths = starts[chosen], lengths[chosen]
    return tuple(
        Span(float(time_s[start]), float(time_s[start + length - 1]))
        for start, length in zip(starts, lengths, strict=True)
    )


def when(spans: tuple[Span, ...]) -> str:
    """The first spans in words, such as ``at 12 s to 15 s and 3 more``."""
    if not spans:
        return ""
    first = spans[0]
    text = f"at {first.start_s:.1f} s"
    if first.duration_s > 0:
        text += f" to {first.end_s:.1f} s"
    return text if len(spans) == 1 else f"{text} and {len(spans) - 1} more"


_SMOOTH_S = 1.0
_ROTATING_MASS_RATIO = 0.04
_LOAD_CHANNELS = ("heater_power", "air_conditioning_power", "dcdc_power")


class DriveSurvey:
    """A drive with its build, and the shared quantities that detectors look at.

    Quantities on the common grid have shape (n,) and are NaN where a channel they rest on
    is absent. Nothing here is a result: a rough estimate from planning values is enough to
    see that data contradict themselves.

    Parameters
    ----------
    drive : Drive
        What was measured.
    build : BuildSettings
        What the user says about the vehicle.
    """

    def __init__(self, drive: Drive, build: BuildSettings) -> None:
        self.drive = drive
        self.build = build
        self._grids: dict[str, FloatArray] = {}
        self._finite: dict[str, tuple[FloatArray, FloatArray] | None] = {}
        self._aligned: dict[str, ClockAlignment | None] = {}

    def has(self, *names: str) -> bool:
        """True when every named channel has at least two finite samples."""
        return all(self.finite(name) is not None for name in names)

    def finite(self, name: str) -> tuple[FloatArray, FloatArray] | None:
        """Times and values of a channel without its NaN; None where fewer than two are left."""
        if name not in self._finite:
            channel = self.drive.get(name)
            self._finite[name] = None if channel is None else finite_samples(channel)
        return self._finite[name]

    def samples(self, name: str) -> tuple[FloatArray, FloatArray]:
        """Times and values of a channel that a detector needs, without its NaN."""
        found = self.finite(name)
        if found is None:
            raise KeyError(name)
        return found

    def speed_against(self, reference: str) -> ClockAlignment | None:
        """Lag and drift of the speed against another; None where one is absent or nothing can be told."""
        if reference not in self._aligned:
            found = None
            if self.has(reference, "speed"):
                first = self.drive[reference]
                if reference == "motor_speed":
                    first = replace(first, value=np.abs(first.value))
                found = align_clocks(first, self.drive["speed"], max_lag_s=_LONGEST_LAG_S)
            self._aligned[reference] = found if isinstance(found, ClockAlignment) else None
        return self._aligned[reference]

    @cached_property
    def every_sample_s(self) -> FloatArray:
        """Times of all samples of all channels, sorted; repeats are left in. [s]"""
        axes = {id(c.time_s.base if c.time_s.base is not None else c.time_s): c.time_s
                for c in self.drive.channels.values() if not c.is_derived}  # fmt: skip
        parts = [time_s for time_s in axes.values() if time_s.size]
        return np.sort(np.concatenate(parts), kind="stable") if parts else np.empty(0)

    @cached_property
    def is_charging(self) -> BoolArray:
        """Plugged in and charging, on the grid."""
        return is_charging_at(self.drive, self.time_s)

    @cached_property
    def period_s(self) -> float:
        """Step of the common grid: that of the slower of current and speed, 0.1 to 5 s. [s]"""
        periods = [
            nominal_period_s(channel.time_s)
            for name in ("pack_current", "speed")
            if (channel := self.drive.get(name)) is not None and channel.time_s.size > 1
        ]
        return min(max(periods, default=1.0), 5.0) if max(periods, default=1.0) > 0.1 else 0.1

    @cached_property
    def time_s(self) -> FloatArray:
        """Common grid, shape (n,). [s]"""
        ends = [
            (samples[0][0], samples[0][-1])
            for name in ("speed", "pack_current", "pack_power", "motor_speed", "gnss_speed")
            if (samples := self.finite(name)) is not None
        ]
        if not ends:
            return np.empty(0)
        start_s, end_s = min(start for start, _ in ends), max(end for _, end in ends)
        return np.asarray(np.arange(start_s, end_s + 0.5 * self.period_s, self.period_s))

    def on_grid(self, name: str) -> FloatArray:
        """A channel on the common grid, shape (n,), in its own unit; all NaN where absent."""
        if name not in self._grids:
            channel = self.drive.get(name)
            known = channel is not None and channel.time_s.size > 0
            self._grids[name] = self._at_grid(channel) if known and channel else np.full(self.time_s.shape, np.nan)
        return self._grids[name]

    def _at_grid(self, channel: Channel) -> FloatArray:
        return read_only(channel.at(self.time_s, max_gap_s=max(channel.max_gap_s, 2.0 * self.period_s)))

    def smooth(self, value: FloatArray) -> FloatArray:
        """Centred mean over about one second on the common grid, shape (n,)."""
        return centred_mean(value, self._half_width)

    @cached_property
    def _half_width(self) -> int:
        return max(round(0.5 * _SMOOTH_S / self.period_s), 1 if self.period_s < _SMOOTH_S else 0)

    @cached_property
    def speed_m_per_s(self) -> FloatArray:
        """Road speed on the grid, or what replaces it (satellite, wheel, motor). [m/s]"""
        for name in ("speed", "gnss_speed", "wheel_speed"):
            if self.has(name):
                return self.on_grid(name)
        return self.on_grid("motor_speed") * self.metres_per_motor_radian

    @cached_property
    def metres_per_motor_radian(self) -> float:
        """Distance per radian of the motor shaft, as planned. [m/rad]"""
        circumference_m = self.build.vehicle.tyre_rolling_circumference_m.value
        return circumference_m / (2.0 * np.pi * self.build.powertrain.gearing.total_ratio)

    @cached_property
    def acceleration_m_per_s2(self) -> FloatArray:
        """Slope of the speed over about a second. [m/s2]"""
        speed = self.speed_m_per_s
        half = max(self._half_width, 1)
        result = np.full(speed.shape, np.nan)
        if speed.size > 2 * half:
            result[half:-half] = (speed[2 * half :] - speed[: -2 * half]) / (2 * half * self.period_s)
        return result

    @cached_property
    def current_a(self) -> FloatArray:
        """Pack current on the grid. [A]"""
        return self.on_grid("pack_current")

    @cached_property
    def voltage_v(self) -> FloatArray:
        """Pack voltage on the grid. [V]"""
        return self.on_grid("pack_voltage")

    @cached_property
    def power_w(self) -> FloatArray:
        """Pack power: voltage times current, or the logged power where one of them is missing. [W]"""
        if self.has("pack_voltage", "pack_current"):
            return np.asarray(self.voltage_v * self.current_a)
        return self.on_grid("pack_power")

    @cached_property
    def grade_ratio(self) -> FloatArray:
        """Slope, from the channel or from elevation over some 20 s; zero where unknown. [ratio]"""
        if self.has("grade"):
            return np.nan_to_num(self.on_grid("grade"))
        if not self.has("elevation"):
            return np.zeros(self.time_s.shape)
        half = max(round(10.0 / self.period_s), 1)
        height_m = self.on_grid("elevation")
        travelled_m = self.travelled_m
        slope = np.zeros(self.time_s.shape)
        if height_m.size > 2 * half:
            rise_m = height_m[2 * half :] - height_m[: -2 * half]
            run_m = travelled_m[2 * half :] - travelled_m[: -2 * half]
            slope[half:-half] = np.where(run_m > 20.0, rise_m / np.maximum(run_m, 20.0), 0.0)
        return np.clip(np.nan_to_num(slope), -0.25, 0.25)

    @cached_property
    def travelled_m(self) -> FloatArray:
        """Distance since the start, on the grid. [m]"""
        speed = np.nan_to_num(self.speed_m_per_s)
        return np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(self.time_s))))[: speed.size]

    @cached_property
    def wheel_power_w(self) -> FloatArray:
        """Power that the planned vehicle would need at the wheels for this motion. [W]"""
        vehicle = self.build.vehicle
        speed = self.smooth(self.speed_m_per_s)
        mass_kg = vehicle.mass_kg.value + (self.drive.conditions.payload_kg or 0.0)
        ambient = self.finite("ambient_temperature")
        ambient_degc = float(np.median(ambient[1])) if ambient is not None else 20.0
        ambient_degc = min(max(ambient_degc, -40.0), 50.0)
        density = STANDARD_PRESSURE_PA / (DRY_AIR_GAS_CONSTANT_J_PER_KG_K * (ambient_degc + ZERO_CELSIUS_K))
        force_n = mass_kg * (1.0 + _ROTATING_MASS_RATIO) * self.acceleration_m_per_s2
        force_n += mass_kg * STANDARD_GRAVITY_M_PER_S2 * (self.grade_ratio + vehicle.rolling_coefficient.value)
        force_n += 0.5 * density * vehicle.drag_area_m2.value * speed**2
        return np.asarray(np.where(speed > STANDSTILL_M_PER_S, force_n * speed, 0.0 * speed))

    @cached_property
    def shaft_power_w(self) -> FloatArray:
        """Mechanical power of the motors, torque times speed; NaN where not logged. [W]"""
        return np.asarray(self.on_grid("motor_torque") * self.on_grid("motor_speed"))

    @property
    def asked_w(self) -> FloatArray:
        """Power that was asked for: at the motors' shafts where logged, else the planned road power. [W]"""
        return self.shaft_power_w if self.has("motor_torque", "motor_speed") else self.wheel_power_w

    @cached_property
    def is_moving(self) -> BoolArray:
        """Faster than standstill, on the grid."""
        return np.asarray(np.nan_to_num(self.speed_m_per_s) > STANDSTILL_M_PER_S)

    @cached_property
    def is_resting(self) -> BoolArray:
        """At standstill for 2 s before and 1 s after, on the grid."""
        known_stop = np.isfinite(self.speed_m_per_s) & (np.abs(np.nan_to_num(self.speed_m_per_s)) < STANDSTILL_M_PER_S)
        before, after = int(np.ceil(2.0 / self.period_s)), int(np.ceil(1.0 / self.period_s))
        moving = np.concatenate(([0], np.cumsum(~known_stop)))
        index = np.arange(known_stop.size)
        low, high = np.maximum(index - before, 0), np.minimum(index + after + 1, known_stop.size)
        return np.asarray(known_stop & (moving[high] - moving[low] == 0))

    @cached_property
    def load_verdicts(self) -> Mapping[str, LoadVerdict]:
        """Whether the pack feeds each logged heater and air conditioner."""
        return judged_loads(self.drive, self.build)

    @cached_property
    def loads_not_drawn(self) -> dict[str, str]:
        """Logged heaters and air conditioners that the pack does not feed, and the numbers that show it."""
        return {name: verdict.reason for name, verdict in self.load_verdicts.items() if not verdict.is_real}

    @cached_property
    def logged_load_w(self) -> FloatArray:
        """Sum of the auxiliary powers that are logged and really drawn, on the grid; zero where none is. [W]"""
        if self._believes("auxiliary_power"):
            return np.nan_to_num(self.on_grid("auxiliary_power"))
        total = np.zeros(self.time_s.shape)
        for name in _LOAD_CHANNELS:
            if self._believes(name):
                total += np.nan_to_num(self.on_grid(name))
        return total

    def _believes(self, name: str) -> bool:
        return self.has(name) and name not in self.loads_not_drawn

    @cached_property
    def unlogged_base_w(self) -> tuple[float, float]:
        """Auxiliary power still to be expected beside what is logged, and its uncertainty. [W]"""
        base = self.build.auxiliary.base_power_w
        if self._believes("auxiliary_power"):
            return 0.0, 30.0
        if self._believes("dcdc_power"):
            return 0.0, max(0.1 * base.value, 30.0)
        return base.value, base.sigma

    @cached_property
    def has_unlogged_climate(self) -> bool:
        """True when a heater or air conditioner may run without being logged."""
        auxiliary = self.build.auxiliary
        if self._believes("auxiliary_power"):
            return False
        # One that is logged and refused is off, not unlogged.
        heats = auxiliary.heater_limit_w > 0 and not self.has("heater_power")
        cools = auxiliary.air_conditioning_limit_w > 0 and not self.has("air_conditioning_power")
        ambient = self.finite("ambient_temperature")
        if ambient is None:
            return heats or cools
        degc = float(np.median(ambient[1]))
        return (heats and degc < auxiliary.comfort_low_degc) or (cools and degc > auxiliary.comfort_high_degc)

    @cached_property
    def distance_km(self) -> float:
        """Distance by the grid speed. [km]"""
        return float(self.travelled_m[-1]) / 1000.0 if self.time_s.size else 0.0

    @cached_property
    def net_wh(self) -> float:
        """Net pack energy as logged. [Wh]"""
        return integrate(self.time_s, self.power_w).total / JOULES_PER_WATT_HOUR if self.time_s.size else 0.0

    @cached_property
    def is_drive(self) -> bool:
        """True when there is enough motion to compare with."""
        return self.time_s.size > 20 and self.distance_km > 0.2

    def per_km(self, energy_wh: float) -> float | None:
        """An energy spread over the distance; None for less than 100 m. [Wh/km]"""
        return energy_wh / self.distance_km if self.distance_km > 0.1 else None

    def net_times(self, factor: float) -> float | None:
        """Net consumption as logged, times something; None for less than 100 m. [Wh/km]"""
        return self.per_km(self.net_wh * factor)


def finite_samples(channel: Channel) -> tuple[FloatArray, FloatArray] | None:
    """Times and values of a channel without its NaN; None where fewer than two are left."""
    present = np.isfinite(channel.value)
    if int(present.sum()) < 2:
        return None
    return (channel.time_s, channel.value) if present.all() else (channel.time_s[present], channel.value[present])


def centred_mean(value: FloatArray, half_width: int) -> FloatArray:
    """Mean over ``2 * half_width + 1`` samples, shape (n,); NaN samples are left out, ends are shorter."""
    if half_width <= 0 or value.size == 0:
        return value
    present = np.isfinite(value)
    total = np.concatenate(([0.0], np.cumsum(np.where(present, value, 0.0))))
    count = np.concatenate(([0], np.cumsum(present)))
    index = np.arange(value.size)
    low, high = np.maximum(index - half_width, 0), np.minimum(index + half_width + 1, value.size)
    seen = count[high] - count[low]
    return np.asarray(np.where(present & (seen > 0), (total[high] - total[low]) / np.maximum(seen, 1), np.nan))
