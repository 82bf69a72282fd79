"""Gearing and performance of each reduction considered, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.model.conditions import Conditions
from logan.model.pack_heat import nominal_open_circuit_voltage_v
from logan.model.parameters import ParameterDistribution
from logan.physics.air import air_density_kg_per_m3
from logan.physics.battery import max_discharge_power_w
from logan.physics.gearing import motor_speed_rad_per_s, peak_wheel_force_n, road_speed_m_per_s
from logan.physics.road_load import climbable_grade_ratio, road_load_force_n
from logan.physics.tyre import rolling_radius_m, rotating_mass_kg
from logan.results import Estimate
from logan.settings import BuildSettings, GearingChoice
from logan.units import METRES_PER_SECOND_PER_MPH, RADIANS_PER_SECOND_PER_RPM, FloatArray

GEAR_EFFICIENCY_RATIO: Final = 0.97
"""Motor shaft to wheels (common practice)."""

GRIP_COEFFICIENT: Final = 0.8
DRIVEN_AXLE_SHARE_RATIO: Final = 0.55
"""Dry road, and the share of weight on one driven axle when pulling away (common practice)."""

HILL_GRADE_RATIO: Final = 0.06
HILL_SPEED_M_PER_S: Final = 55.0 * METRES_PER_SECOND_PER_MPH
SPRINT_SPEED_M_PER_S: Final = 60.0 * METRES_PER_SECOND_PER_MPH
CRUISE_SPEEDS_M_PER_S: Final = tuple(mph * METRES_PER_SECOND_PER_MPH for mph in (25.0, 35.0, 45.0, 55.0, 65.0, 75.0))

THE_PLAN: Final = "the plan"
_NO_CONTINUOUS = "no limit given"


@dataclass(frozen=True, slots=True, kw_only=True)
class CruisePoint:
    """One road speed in one gearing.

    Parameters
    ----------
    speed_m_per_s : float
        Road speed. [m/s]
    motor_speed_rad_per_s : float
        Shaft speed. [rad/s]
    motor_speed_ratio : float
        Of the motor's speed limit; above 1 the speed cannot be driven. [ratio]
    wheel_force_level_n : float
        Needed on a level road. [N]
    wheel_force_peak_n : float
        Most that motor and pack give. [N]
    climbable_grade_ratio : float
        Steepest grade that is held at this speed; None where not even a level road. [ratio]
    battery_power_level_w, battery_power_hill_w : float
        At the pack terminals, on a level road and on the 6 % grade. [W]
    """

    speed_m_per_s: float
    motor_speed_rad_per_s: float
    motor_speed_ratio: float
    wheel_force_level_n: float
    wheel_force_peak_n: float
    climbable_grade_ratio: float | None
    battery_power_level_w: float
    battery_power_hill_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GearingPerformance:
    """What one chain of reductions gives.

    Parameters
    ----------
    name : str
        Of the chain.
    total_ratio : float
        Motor turns per wheel turn. [ratio]
    top_speed_m_per_s : float
        The lower of the two below. [m/s]
    top_speed_by_motor_speed_m_per_s, top_speed_by_power_m_per_s : float
        Where the motor's speed limit is reached, and where force and road load meet on a level road. [m/s]
    launch_force_n, launch_force_without_grip_n : float
        At the wheels from standstill, with and without the limit of tyre grip. [N]
    launch_wheel_torque_nm : float
        Of all driven wheels together, grip left aside. [N m]
    launch_grade_ratio : float
        Steepest grade for pulling away. [ratio]
    sprint_s : float or None
        0 to 60 mph, fully loaded motor and pack, an estimate; None where it is not reached. [s]
    sprint_is_grip_limited : bool
        True when tyre grip sets the launch.
    hill_battery_power_w, hill_shaft_power_w : float
        On 6 % at 55 mph, at the pack terminals and at the motor shafts. [W]
    hill_is_within_peak : bool
        True when motor and pack hold 55 mph on 6 % at all.
    continuous_battery_power_w : float or None
        Power from the pack that can be held for ever; None where nothing says. [W]
    continuous_source : str
        Motor datasheet, thermal model of a temperature, or "no limit given".
    hill_continuous_ratio : float or None
        Battery power on that hill over the continuous one; None where it is not given. [ratio]
    hill_continuous_speed_m_per_s : float or None
        Fastest speed on 6 % within the continuous power. [m/s]
    cruise : tuple of CruisePoint
        Road speeds.
    """

    name: str
    total_ratio: float
    top_speed_m_per_s: float
    top_speed_by_motor_speed_m_per_s: float
    top_speed_by_power_m_per_s: float
    launch_force_n: float
    launch_wheel_torque_nm: float
    launch_force_without_grip_n: float
    launch_grade_ratio: float
    sprint_s: float | None
    sprint_is_grip_limited: bool
    hill_battery_power_w: float
    hill_shaft_power_w: float
    hill_is_within_peak: bool
    continuous_battery_power_w: float | None
    continuous_source: str
    hill_continuous_ratio: float | None
    hill_continuous_speed_m_per_s: float | None
    cruise: tuple[CruisePoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GearingSheet:
    """Every reduction considered, side by side.

    Parameters
    ----------
    choices : tuple of GearingPerformance
        The chain in the vehicle first.
    max_motor_speed_rad_per_s : float
        Motor's speed limit. [rad/s]
    rolling_circumference_m : float
        Distance per wheel turn. [m]
    mass_kg : float
        With driver and payload. [kg]
    pack_power_limit_w : float or None
        Most that the pack gives at mid charge; None where neither a current limit nor a voltage floor is given. [W]
    assumptions : tuple of str
        What no planning value says, with its source.
    basis : str
        What mass, road load and losses are taken from.
    """

    schema: ClassVar[str] = "gearing-sheet/1"

    choices: tuple[GearingPerformance, ...]
    max_motor_speed_rad_per_s: float
    rolling_circumference_m: float
    mass_kg: float
    pack_power_limit_w: float | None
    assumptions: tuple[str, ...]
    basis: str = THE_PLAN


def gearing_sheet(
    build: BuildSettings,
    distribution: ParameterDistribution,
    *,
    conditions: Conditions | None = None,
    speeds_m_per_s: Sequence[float] = CRUISE_SPEEDS_M_PER_S,
    thermal_limit: Estimate | None = None,
    basis: str = THE_PLAN,
) -> GearingSheet:
    """Compare the chains of reductions that a build considers.

    Parameters
    ----------
    build : BuildSettings
        Motor, pack, tyre and chains.
    distribution : ParameterDistribution
        Plan or fit; its medians are used.
    conditions : Conditions, optional
        Weather and payload; still air at 20 degC where left out.
    speeds_m_per_s : sequence of float
        Road speeds to show. [m/s]
    thermal_limit : Estimate, optional
        Power from the pack that fitted thermal models allow for ever at the design ambient; the motor
        datasheet's, carried to the pack, where left out. [W]
    basis : str
        Where the distribution is from, in words.

    Returns
    -------
    GearingSheet
        One entry per chain.
    """
    vehicle = _Vehicle.of(build, distribution, conditions or Conditions())
    rating_w, source = _continuous_battery_power_w(vehicle, thermal_limit)
    pack_is_limited = build.pack.discharge_current_limit_a is not None or build.pack.cell_voltage_floor_v is not None
    chains = (build.powertrain.gearing, *build.powertrain.alternatives)
    return GearingSheet(
        choices=tuple(_performance(chain, vehicle, speeds_m_per_s, rating_w, source) for chain in chains),
        max_motor_speed_rad_per_s=vehicle.max_speed_rad_per_s,
        rolling_circumference_m=vehicle.circumference_m,
        mass_kg=vehicle.mass_kg,
        pack_power_limit_w=vehicle.pack_power_w if pack_is_limited else None,
        assumptions=(
            f"gear efficiency {GEAR_EFFICIENCY_RATIO:.0%}, common practice",
            f"tyre grip {GRIP_COEFFICIENT} with {DRIVEN_AXLE_SHARE_RATIO:.0%} of the weight on the driven axle, "
            "common practice",
            "launch and sprint take motor torque, motor power and pack limits as given; no heat, no wheelspin control",
        ),
        basis=basis,
    )


def _continuous_battery_power_w(vehicle: _Vehicle, thermal_limit: Estimate | None) -> tuple[float | None, str]:
    """Power from the pack that can be held for ever, and what says so; the thermal model wins over the datasheet."""
    if thermal_limit is not None:
        return thermal_limit.value, thermal_limit.source
    motor = vehicle.build.powertrain.motor
    if motor.continuous_power_w is None:
        return None, _NO_CONTINUOUS
    wheel_w = motor.continuous_power_w * motor.count * GEAR_EFFICIENCY_RATIO
    return wheel_w / vehicle.drive_efficiency_ratio + vehicle.auxiliary_w, "motor datasheet"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Vehicle:
    """Plain numbers of a build that every chain shares."""

    build: BuildSettings
    mass_kg: float
    drag_area_m2: float
    rolling_coefficient: float
    drive_efficiency_ratio: float
    auxiliary_w: float
    density_kg_per_m3: float
    headwind_m_per_s: float
    circumference_m: float
    max_speed_rad_per_s: float
    max_torque_nm: float
    shaft_power_w: float
    pack_power_w: float

    @classmethod
    def of(cls, build: BuildSettings, distribution: ParameterDistribution, conditions: Conditions) -> _Vehicle:
        mass, drag, rolling, drive, _, auxiliary = (float(value) for value in distribution.median)
        motor, pack = build.powertrain.motor, build.pack
        pack_w = max_discharge_power_w(
            nominal_open_circuit_voltage_v(build),
            max(pack.resistance_ohm.value, 1e-6),
            floor_v=(pack.cell_voltage_floor_v or 0.0) * pack.cells_in_series,
            current_limit_a=pack.discharge_current_limit_a,
        )
        # Pack to wheel is known, shaft to wheel is common practice: what lies between is inverter and motor.
        from_pack_w = max(0.0, pack_w - auxiliary) * drive / GEAR_EFFICIENCY_RATIO
        return cls(
            build=build,
            mass_kg=mass + conditions.payload_kg,
            drag_area_m2=drag * conditions.drag_area_factor,
            rolling_coefficient=rolling * conditions.rolling_factor,
            drive_efficiency_ratio=drive,
            auxiliary_w=auxiliary,
            density_kg_per_m3=air_density_kg_per_m3(
                conditions.ambient_temperature_degc, conditions.pressure_pa, conditions.relative_humidity_ratio
            ),
            headwind_m_per_s=conditions.headwind_m_per_s,
            circumference_m=build.vehicle.tyre_rolling_circumference_m.value,
            max_speed_rad_per_s=motor.max_speed_rpm * RADIANS_PER_SECOND_PER_RPM,
            max_torque_nm=motor.max_torque_nm * motor.count,
            shaft_power_w=min(motor.max_power_w * motor.count, from_pack_w),
            pack_power_w=pack_w,
        )

    def load_n(self, speed_m_per_s: FloatArray, grade_ratio: float = 0.0) -> FloatArray:
        """Force that holds a speed. [N]"""
        return road_load_force_n(
            speed_m_per_s,
            mass_kg=self.mass_kg,
            rolling_coefficient=self.rolling_coefficient,
            drag_area_m2=self.drag_area_m2,
            air_density_kg_per_m3=self.density_kg_per_m3,
            headwind_m_per_s=self.headwind_m_per_s,
            grade_ratio=grade_ratio,
        )

    def peak_n(self, speed_m_per_s: FloatArray, total_ratio: float) -> FloatArray:
        """Most force at the wheels that motor and pack give, grip left aside. [N]"""
        return peak_wheel_force_n(
            speed_m_per_s,
            max_torque_nm=self.max_torque_nm,
            max_power_w=self.shaft_power_w,
            max_speed_rad_per_s=self.max_speed_rad_per_s,
            total_ratio=total_ratio,
            rolling_circumference_m=self.circumference_m,
            efficiency_ratio=GEAR_EFFICIENCY_RATIO,
        )

    def battery_w(self, speed_m_per_s: FloatArray, grade_ratio: float = 0.0) -> FloatArray:
        """Power at the pack terminals that holds a speed. [W]"""
        wheel_w = self.load_n(speed_m_per_s, grade_ratio) * speed_m_per_s
        return wheel_w / self.drive_efficiency_ratio + self.auxiliary_w

    @property
    def grip_n(self) -> float:
        """Most force that one driven axle puts on the road. [N]"""
        return GRIP_COEFFICIENT * DRIVEN_AXLE_SHARE_RATIO * self.mass_kg * STANDARD_GRAVITY_M_PER_S2


def _performance(
    chain: GearingChoice,
    vehicle: _Vehicle,
    speeds_m_per_s: Sequence[float],
    rating_w: float | None,
    source: str,
) -> GearingPerformance:
    ratio = chain.total_ratio
    by_motor = road_speed_m_per_s(vehicle.max_speed_rad_per_s, ratio, vehicle.circumference_m)
    by_power = _top_speed_by_power_m_per_s(vehicle)
    standstill = np.zeros(1)
    free_n = float(vehicle.peak_n(standstill, ratio)[0])
    launch_n = min(free_n, vehicle.grip_n)
    launch_grade = climbable_grade_ratio(np.array([launch_n]), vehicle.mass_kg, vehicle.rolling_coefficient)
    hill = np.array([HILL_SPEED_M_PER_S])
    hill_n = vehicle.load_n(hill, HILL_GRADE_RATIO)
    shaft_w = float(hill_n[0] * HILL_SPEED_M_PER_S) / GEAR_EFFICIENCY_RATIO
    battery_w = float(vehicle.battery_w(hill, HILL_GRADE_RATIO)[0])
    return GearingPerformance(
        name=chain.name,
        total_ratio=ratio,
        top_speed_m_per_s=min(by_motor, by_power),
        top_speed_by_motor_speed_m_per_s=by_motor,
        top_speed_by_power_m_per_s=by_power,
        launch_force_n=launch_n,
        launch_wheel_torque_nm=free_n * rolling_radius_m(vehicle.circumference_m),
        launch_force_without_grip_n=free_n,
        launch_grade_ratio=float(launch_grade[0]),
        sprint_s=_sprint_s(vehicle, ratio, min(by_motor, by_power)),
        sprint_is_grip_limited=free_n > vehicle.grip_n,
        hill_battery_power_w=battery_w,
        hill_shaft_power_w=shaft_w,
        hill_is_within_peak=bool(vehicle.peak_n(hill, ratio)[0] >= hill_n[0]),
        continuous_battery_power_w=rating_w,
        continuous_source=source,
        hill_continuous_ratio=None if rating_w is None else battery_w / rating_w,
        hill_continuous_speed_m_per_s=None if rating_w is None else _hill_speed_m_per_s(vehicle, rating_w, by_motor),
        cruise=_cruise(vehicle, ratio, np.asarray(speeds_m_per_s, dtype=np.float64)),
    )


def _cruise(vehicle: _Vehicle, ratio: float, speed_m_per_s: FloatArray) -> tuple[CruisePoint, ...]:
    shaft = motor_speed_rad_per_s(speed_m_per_s, ratio, vehicle.circumference_m)
    level_n, peak_n = vehicle.load_n(speed_m_per_s), vehicle.peak_n(speed_m_per_s, ratio)
    rolling_n = vehicle.rolling_coefficient * vehicle.mass_kg * STANDARD_GRAVITY_M_PER_S2
    grade = climbable_grade_ratio(peak_n - (level_n - rolling_n), vehicle.mass_kg, vehicle.rolling_coefficient)
    level_w, hill_w = vehicle.battery_w(speed_m_per_s), vehicle.battery_w(speed_m_per_s, HILL_GRADE_RATIO)
    return tuple(
        CruisePoint(
            speed_m_per_s=float(speed_m_per_s[index]),
            motor_speed_rad_per_s=float(shaft[index]),
            motor_speed_ratio=float(shaft[index] / vehicle.max_speed_rad_per_s),
            wheel_force_level_n=float(level_n[index]),
            wheel_force_peak_n=float(peak_n[index]),
            climbable_grade_ratio=float(grade[index]) if np.isfinite(grade[index]) else None,
            battery_power_level_w=float(level_w[index]),
            battery_power_hill_w=float(hill_w[index]),
        )
        for index in range(speed_m_per_s.size)
    )


def _top_speed_by_power_m_per_s(vehicle: _Vehicle) -> float:
    """Speed at which level road load takes all the power there is."""
    speed = np.linspace(0.5, 120.0, 24_000)
    wheel_w = vehicle.load_n(speed) * speed
    held = wheel_w <= vehicle.shaft_power_w * GEAR_EFFICIENCY_RATIO
    return float(speed[held].max(initial=0.0))


def _hill_speed_m_per_s(vehicle: _Vehicle, rating_w: float, by_motor_m_per_s: float) -> float:
    """Fastest speed on the hill within a continuous power from the pack."""
    speed = np.linspace(0.5, 120.0, 24_000)
    held = vehicle.battery_w(speed, HILL_GRADE_RATIO) <= rating_w
    return min(float(speed[held].max(initial=0.0)), by_motor_m_per_s)


def _sprint_s(vehicle: _Vehicle, ratio: float, top_m_per_s: float) -> float | None:
    """Time from standstill to 60 mph, by integrating mass over spare force."""
    if top_m_per_s <= SPRINT_SPEED_M_PER_S:
        return None
    speed = np.linspace(0.0, SPRINT_SPEED_M_PER_S, 1001)
    force_n = np.minimum(vehicle.peak_n(speed, ratio), vehicle.grip_n) - vehicle.load_n(speed)
    if force_n.min() <= 0:
        return None
    motor = vehicle.build.powertrain.motor
    effective_kg = vehicle.mass_kg + rotating_mass_kg(
        wheel_inertia_kg_m2=vehicle.build.vehicle.wheel_inertia_kg_m2,
        rotor_inertia_kg_m2=motor.rotor_inertia_kg_m2 * motor.count,
        total_ratio=ratio,
        rolling_circumference_m=vehicle.circumference_m,
    )
    return float(np.trapezoid(effective_kg / force_n, speed))
