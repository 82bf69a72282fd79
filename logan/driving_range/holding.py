"""What a gearing holds for ever, of the plain vehicle that gearings are compared on."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logan.heat.fit import HeatModel
from logan.heat.losses import is_possible
from logan.heat.network import expected_losses
from logan.heat.road import held_forces
from logan.heat.series import RoadVehicle
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.parameters import Conditions, Environment, ParameterDistribution
from logan.model.plan import plan_of
from logan.physics.air import air_density_kg_per_m3
from logan.physics.battery import max_discharge_power_w
from logan.physics.machine import MachineLosses
from logan.physics.powertrain import force_loss_w, peak_wheel_force_n
from logan.settings import BuildSettings
from logan.units import RADIANS_PER_SECOND_PER_RPM, STANDARD_GRAVITY_M_PER_S2, FloatArray

WEIGHT_ON_DRIVEN_RATIO: Final = {"rear": 0.55, "": 0.55, "front": 0.5, "four": 1.0, "all": 1.0}
"""Share of the weight on the driven wheels when pulling away; one axle where not said (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainVehicle:
    """Plain numbers of a build that every chain shares: medians of plan or fit, limits of motor and pack, losses."""

    build: BuildSettings
    road: RoadVehicle
    drive_efficiency_ratio: float
    density_kg_per_m3: float
    headwind_m_per_s: float
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
        environment: Environment,
    ) -> PlainVehicle:
        """Of a build with the medians of its plan or fit, in given conditions."""
        motor, pack, drive = build.powertrain.motor, build.pack, float(distribution.median[3])
        road = road_vehicle_of(build, distribution.median, environment).as_driven(
            ambient_degc=conditions.ambient_temperature_degc,
            payload_kg=conditions.payload_kg,
            drag_factor=conditions.drag_area_factor,
            rolling_factor=conditions.rolling_factor,
        )
        pack_w = max_discharge_power_w(
            nominal_open_circuit_voltage_v(build),
            max(pack.resistance_ohm.value, 1e-6),
            floor_v=(pack.cell_voltage_floor_v or 0.0) * pack.cells_in_series,
            current_limit_a=pack.discharge_current_limit_a,
        )
        # Pack to wheel is known, shaft to wheel is common practice: what lies between is inverter and motor.
        from_pack_w = max(0.0, pack_w - road.auxiliary_w) * drive / GEAR_EFFICIENCY_RATIO
        return cls(
            build=build,
            road=road,
            drive_efficiency_ratio=drive,
            density_kg_per_m3=air_density_kg_per_m3(
                conditions.ambient_temperature_degc, conditions.pressure_pa, conditions.relative_humidity_ratio
            ),
            headwind_m_per_s=conditions.headwind_m_per_s,
            shaft_power_w=min(motor.max_power_w * motor.count, from_pack_w),
            from_pack_w=from_pack_w,
            pack_power_w=pack_w,
            losses=losses,
        )

    def load_n(self, speed_m_per_s: FloatArray, grade_ratio: float = 0.0) -> FloatArray:
        """Force that holds a speed. [N]"""
        return self.road.load_n(speed_m_per_s, self.density_kg_per_m3, self.headwind_m_per_s, grade_ratio)

    def peak_n(self, speed_m_per_s: FloatArray, total_ratio: float) -> FloatArray:
        """Most force at the wheels that motor and pack give, grip left aside. [N]"""
        return peak_wheel_force_n(
            speed_m_per_s,
            max_torque_nm=self.max_torque_nm,
            max_power_w=self.shaft_power_w,
            max_speed_rad_per_s=self.max_speed_rad_per_s,
            total_ratio=total_ratio,
            rolling_circumference_m=self.road.circumference_m,
            efficiency_ratio=GEAR_EFFICIENCY_RATIO,
        )

    def battery_w(self, speed_m_per_s: FloatArray, total_ratio: float, grade_ratio: float = 0.0) -> FloatArray:
        """Power at the terminals that holds a speed: learned in the gear driven, and what this one loses more. [W]"""
        load_n = self.load_n(speed_m_per_s, grade_ratio)
        driven = self.build.powertrain.gearing.total_ratio
        more_w = self._loss_w(speed_m_per_s, load_n, total_ratio) - self._loss_w(speed_m_per_s, load_n, driven)
        road = self.road
        lost_w = force_loss_w(load_n, road.constant_loss_w, road.copper_loss_w_per_n2)
        return np.asarray(load_n * speed_m_per_s / self.drive_efficiency_ratio + lost_w + road.auxiliary_w + more_w)

    def _loss_w(self, speed_m_per_s: FloatArray, force_n: FloatArray, total_ratio: float) -> FloatArray:
        per_metre = 2.0 * np.pi * total_ratio / self.road.circumference_m
        torque = force_n / per_metre / GEAR_EFFICIENCY_RATIO
        return self.losses.loss_w(torque, speed_m_per_s * per_metre)

    @property
    def mass_kg(self) -> float:
        """As driven. [kg]"""
        return float(self.road.mass_kg)

    @property
    def max_speed_rad_per_s(self) -> float:
        """The motor's speed limit. [rad/s]"""
        return self.build.powertrain.motor.max_speed_rpm * RADIANS_PER_SECOND_PER_RPM

    @property
    def max_torque_nm(self) -> float:
        """Of all motors. [N m]"""
        return self.build.powertrain.motor.max_torque_nm * self.build.powertrain.motor.count

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


GEAR_EFFICIENCY_RATIO: Final = 0.97
"""Motor shaft to wheels (common practice)."""

SAMPLES: Final = 24
NO_LIMIT: Final = "no limit given"
DATASHEET: Final = "motor datasheet"
_SEED: Final = 20_191


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Holding:
    """Forces at the wheels that one gearing holds, by road speed.

    Parameters
    ----------
    speeds_m_per_s : ndarray, shape (s,)
        Rising. [m/s]
    continuous_n, half_hour_n : ndarray, shape (s,)
        Held for ever, nine times in ten at least; for half an hour from cold. Infinite where
        nothing limits, by the words of ``source``. [N]
    source : str
        What sets the limit at 55 mph, or "no limit given".
    hottest : str
        Part nearest to its red limit there, by the thermal network; empty where no drive teaches it.
    notes : tuple of str
        What may not be said, and why.
    """

    speeds_m_per_s: FloatArray
    continuous_n: FloatArray
    half_hour_n: FloatArray
    source: str
    hottest: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def is_given(self) -> bool:
        """Whether anything says what is held."""
        return self.source != NO_LIMIT

    def at(self, speed_m_per_s: FloatArray, of: str = "continuous") -> FloatArray:
        """Force held at other speeds: ``continuous`` or ``half_hour``. [N]"""
        # As power: straight both where torque is held and where power is.
        power_w = np.interp(speed_m_per_s, self.speeds_m_per_s, getattr(self, f"{of}_n") * self.speeds_m_per_s)
        return np.asarray(power_w / np.maximum(speed_m_per_s, 1e-3))


def losses_of_build(build: BuildSettings, model: HeatModel | None) -> MachineLosses:
    """Losses as the drives taught them, or as the datasheet's size lets one expect.

    Those of the drives are taken where they are possible for a machine; see also ``learned_losses``.
    """
    if model is None or not np.all(is_possible(model.losses, build)):
        return expected_losses(build)
    return model.losses


def road_vehicle_of(
    build: BuildSettings, medians: FloatArray, environment: Environment, total_ratio: float | None = None
) -> RoadVehicle:
    """What turns a road into torque and pack power, with all that the prediction counts.

    Parameters
    ----------
    build : BuildSettings
        Tire, inertia and gear; a certified B.
    medians : ndarray, shape (6,)
        Of plan or fit.
    environment : Environment
        What drives taught besides.
    total_ratio : float, optional
        Another gear than the one in the vehicle. [ratio]
    """
    return replace(
        RoadVehicle.of(build, medians, total_ratio),
        driveline_n=float(environment.driveline_drag_n),
        driveline_n_s_per_m=float(environment.driveline_n_s_per_m),
        linear_n_s_per_m=plan_of(build).linear_n_s_per_m,
        tire_rise_ratio=float(environment.tire_rise_ratio),
        rolling_per_k=float(environment.rolling_temperature_coefficient_per_k),
        constant_loss_w=float(environment.constant_loss_w),
        copper_loss_w_per_n2=float(environment.copper_loss_w_per_n2),
    )


def holding_of(
    build: BuildSettings,
    distribution: ParameterDistribution,
    total_ratio: float,
    speeds_m_per_s: FloatArray,
    model: HeatModel | None,
    environment: Environment,
    *,
    at_m_per_s: float,
) -> Holding:
    """Forces that a gearing holds at the design ambient.

    Parameters
    ----------
    build, distribution : BuildSettings, ParameterDistribution
        Settings; plan or fit.
    total_ratio : float
        Of the gearing. [ratio]
    speeds_m_per_s : ndarray, shape (s,)
        Rising. [m/s]
    model : HeatModel or None
        What the drives taught of heat.
    environment : Environment
        What they taught besides of road load and losses.
    at_m_per_s : float
        Speed whose limiting part gives the source. [m/s]

    Returns
    -------
    Holding
        The least of motor, inverter, coolant, cells and oil by their lower bounds; never above the datasheet's
        rating, unless drives have shown the motor as hot as its limit.
    """
    vehicle = road_vehicle_of(build, distribution.median, environment, total_ratio)
    rated_n = _rated_n(build, vehicle, speeds_m_per_s)
    lows, by_part = dict[str, FloatArray](), dict[str, FloatArray]()
    halves, notes = list[FloatArray](), list[str]()
    is_shown = False
    if model is not None:
        rng = np.random.default_rng(_SEED)
        parts = held_forces(
            model,
            vehicle,
            build,
            speeds_m_per_s,
            distribution.sample(SAMPLES, rng),
            rng,
            ambient_degc=build.limits.design_ambient_degc,
        )
        for part in parts:
            if part.refusal is not None:
                notes.append(f"{part.part}: refused, {part.refusal.reason}")
                continue
            lows[f"{part.part}, by the thermal network"] = by_part[part.part] = part.low_n
            if np.interp(at_m_per_s, speeds_m_per_s, part.is_guess):
                notes.append(
                    f"{part.part}: what spins alone heats it nearly to its limit in this gear, so the force left is "
                    "known as a lower bound only"
                )
            halves.append(part.half_hour_n)
            is_shown |= part.part == "motor" and part.extrapolation_ratio <= 1.0
    if rated_n is not None:
        if is_shown and np.interp(at_m_per_s, speeds_m_per_s, np.min(list(lows.values()), axis=0) - rated_n) > 0.0:
            notes.append(
                "the drives showed the motor at its limit's temperature: more than the datasheet's rating holds"
            )
        else:
            lows[DATASHEET] = rated_n
    if not lows:
        endless = np.full(speeds_m_per_s.shape, np.inf)
        return Holding(
            speeds_m_per_s=speeds_m_per_s, continuous_n=endless, half_hour_n=endless, source=NO_LIMIT,
            notes=tuple(notes),
        )  # fmt: skip

    def first(of: dict[str, FloatArray]) -> str:
        return min(of, key=lambda name: float(np.interp(at_m_per_s, speeds_m_per_s, of[name])), default="")

    least = np.min(list(lows.values()), axis=0)
    return Holding(
        speeds_m_per_s=speeds_m_per_s,
        continuous_n=least,
        half_hour_n=np.maximum(np.min(halves, axis=0), least) if halves else np.full(speeds_m_per_s.shape, np.nan),
        source=first(lows),
        hottest=first(by_part),
        notes=tuple(notes),
    )


def _rated_n(build: BuildSettings, vehicle: RoadVehicle, speeds_m_per_s: FloatArray) -> FloatArray | None:
    """Force of the datasheet's continuous power; below base speed, of the torque that it has there."""
    motor = build.powertrain.motor
    if motor.continuous_power_w is None:
        return None
    base = motor.max_power_w / motor.max_torque_nm
    shaft = np.maximum(speeds_m_per_s * vehicle.radians_per_metre, base)
    torque = motor.continuous_power_w / shaft * motor.count
    return np.asarray(torque * vehicle.radians_per_metre * vehicle.gear_efficiency_ratio)
