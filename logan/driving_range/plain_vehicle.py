"""The vehicle that gearings are compared on, as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.driving_range.holding import GEAR_EFFICIENCY_RATIO
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.environment import Conditions
from logan.model.parameters import ParameterDistribution
from logan.model.plan import plan_of
from logan.physics.air import air_density_kg_per_m3
from logan.physics.battery import max_discharge_power_w
from logan.physics.gearing import peak_wheel_force_n
from logan.physics.machine import MachineLosses
from logan.physics.road_load import road_load_force_n
from logan.settings import BuildSettings
from logan.units import RADIANS_PER_SECOND_PER_RPM, STANDARD_GRAVITY_M_PER_S2, FloatArray

WEIGHT_ON_DRIVEN_RATIO: Final = {"rear": 0.55, "": 0.55, "front": 0.5, "four": 1.0, "all": 1.0}
"""Share of the weight on the driven wheels when pulling away; one axle where not said (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainVehicle:
    """Plain numbers of a build that every chain shares: medians of plan or fit, limits of motor and pack, losses."""

    build: BuildSettings
    mass_kg: float
    drag_area_m2: float
    rolling_coefficient: float
    linear_n_s_per_m: float
    drive_efficiency_ratio: float
    auxiliary_w: float
    density_kg_per_m3: float
    headwind_m_per_s: float
    circumference_m: float
    max_speed_rad_per_s: float
    max_torque_nm: float
    shaft_power_w: float
    from_pack_w: float
    pack_power_w: float
    losses: MachineLosses

    @classmethod
    def of(
        cls,
        build: BuildSettings,
        distribution: ParameterDistribution,
        conditions: Conditions,
        losses: MachineLosses,
    ) -> PlainVehicle:
        """Of a build with the medians of its plan or fit, in given conditions."""
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
            linear_n_s_per_m=plan_of(build).linear_n_s_per_m * conditions.rolling_factor,
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
            from_pack_w=from_pack_w,
            pack_power_w=pack_w,
            losses=losses,
        )

    def load_n(self, speed_m_per_s: FloatArray, grade_ratio: float = 0.0) -> FloatArray:
        """Force that holds a speed. [N]"""
        plain_n = road_load_force_n(
            speed_m_per_s,
            mass_kg=self.mass_kg,
            rolling_coefficient=self.rolling_coefficient,
            drag_area_m2=self.drag_area_m2,
            air_density_kg_per_m3=self.density_kg_per_m3,
            headwind_m_per_s=self.headwind_m_per_s,
            grade_ratio=grade_ratio,
        )
        return np.asarray(plain_n + self.linear_n_s_per_m * speed_m_per_s)

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

    def battery_w(self, speed_m_per_s: FloatArray, total_ratio: float, grade_ratio: float = 0.0) -> FloatArray:
        """Power at the terminals that holds a speed: learned in the gear driven, and what this one loses more. [W]"""
        load_n = self.load_n(speed_m_per_s, grade_ratio)
        driven = self.build.powertrain.gearing.total_ratio
        more_w = self._loss_w(speed_m_per_s, load_n, total_ratio) - self._loss_w(speed_m_per_s, load_n, driven)
        return np.asarray(load_n * speed_m_per_s / self.drive_efficiency_ratio + self.auxiliary_w + more_w)

    def _loss_w(self, speed_m_per_s: FloatArray, force_n: FloatArray, total_ratio: float) -> FloatArray:
        per_metre = 2.0 * np.pi * total_ratio / self.circumference_m
        torque = force_n / per_metre / GEAR_EFFICIENCY_RATIO
        return self.losses.loss_w(torque, speed_m_per_s * per_metre)

    @property
    def grip_ratio(self) -> float:
        """Most force that the driven wheels put on the road, over weight. [ratio]"""
        chain = self.build.powertrain
        share = chain.driven_weight_ratio or WEIGHT_ON_DRIVEN_RATIO[self.build.vehicle.driven_wheels]
        return chain.grip_coefficient * share

    @property
    def grip_n(self) -> float:
        """Most force that the driven wheels put on a level road. [N]"""
        return self.grip_ratio * self.mass_kg * STANDARD_GRAVITY_M_PER_S2
