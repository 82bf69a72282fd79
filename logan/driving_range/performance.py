"""Gearing and performance of each reduction considered, side by side."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.driving_range.holding import GEAR_EFFICIENCY_RATIO, Holding, PlainVehicle, holding_of, losses_of_build
from logan.heat.fit import HeatModel
from logan.model.parameters import Conditions, Environment, ParameterDistribution, environment_of
from logan.physics.powertrain import motor_speed_rad_per_s, road_speed_m_per_s
from logan.physics.road_load import climbable_grade_ratio, grip_limited_grade_ratio
from logan.physics.tyre import rolling_radius_m
from logan.results import result
from logan.settings import BuildSettings, GearingChoice, Reduction
from logan.units import METRES_PER_SECOND_PER_MPH, STANDARD_GRAVITY_M_PER_S2, FloatArray
from logan.wording import percent

HILL_GRADE_RATIO: Final = 0.06
HILL_SPEED_M_PER_S: Final = 55.0 * METRES_PER_SECOND_PER_MPH
SPRINT_SPEED_M_PER_S: Final = 60.0 * METRES_PER_SECOND_PER_MPH
METRIC_SPRINT_SPEED_M_PER_S: Final = 100.0 / 3.6
CRUISE_SPEEDS_M_PER_S: Final = tuple(
    mph * METRES_PER_SECOND_PER_MPH for mph in (25.0, 35.0, 45.0, 55.0, 65.0, 70.0, 75.0, 85.0)
)

HELD_SPEEDS_M_PER_S: Final = np.array([10.0, 25.0, 40.0, 55.0, 70.0, 85.0, 110.0]) * (METRES_PER_SECOND_PER_MPH)
"""Speeds at which heat is computed; straight lines between. [m/s]"""

SWEEP: Final = 7
LEAST_TOP_SPEED_M_PER_S: Final = 80.0 * METRES_PER_SECOND_PER_MPH
"""A ratio that does not reach it is not called the best."""

THE_PLAN: Final = "the plan"


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
    wheel_force_peak_n : float
        Most that motor and pack give. [N]
    climbable_grade_ratio : float
        Steepest grade at peak; None where not even a level road. [ratio]
    limited_by : str
        What ends that: grip, torque, power, pack or motor speed.
    half_hour_grade_ratio, continuous_grade_ratio : float or None
        Steepest grade for half an hour from cold, and for ever, nine times in ten; None where nothing says. [ratio]
    battery_power_level_w : float
        At the pack terminals, on a level road. [W]
    """

    speed_m_per_s: float
    motor_speed_rad_per_s: float
    motor_speed_ratio: float
    wheel_force_peak_n: float
    climbable_grade_ratio: float | None
    limited_by: str
    half_hour_grade_ratio: float | None
    continuous_grade_ratio: float | None
    battery_power_level_w: float


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
        On a level road, by the motor's speed limit or by power, whichever comes first. [m/s]
    top_speed_ended_by : str
        Motor speed, power or pack.
    top_speed_by_power_m_per_s : float
        Where force and road load meet on a level road, whatever the motor's speed. [m/s]
    launch_force_n, launch_force_without_grip_n : float
        At the wheels from standstill, with and without the limit of tyre grip. [N]
    launch_wheel_torque_nm : float
        Of all driven wheels together, grip left aside. [N m]
    launch_grade_ratio : float
        Steepest grade for pulling away. [ratio]
    sprint_s, sprint_to_100_km_per_h_s : float or None
        0 to 60 mph and to 100 km/h, fully loaded motor and pack, an estimate; None where it is not reached. [s]
    hill_battery_power_w, hill_shaft_power_w : float
        On 6 % at 55 mph, at the pack terminals and at the motor shafts. [W]
    hill_is_within_peak : bool
        True when motor and pack hold 55 mph on 6 % at all.
    continuous_battery_power_w : float or None
        Power from the pack at 55 mph that is held for ever nine times in ten; None where nothing says. [W]
    continuous_source : str
        Part or datasheet that sets it, or "no limit given".
    hottest_part : str
        On that hill, against its limit, by the thermal network; empty where no drive teaches it.
    hill_continuous_ratio : float or None
        Force on that hill over the continuous one; None where it is not given. [ratio]
    hill_continuous_speed_m_per_s : float or None
        Fastest speed on 6 % within what is held for ever. [m/s]
    is_pareto : bool
        No other gearing listed is better in heat, consumption and launch at once.
    notes : tuple of str
        What of its heat may not be said, and why.
    cruise : tuple of CruisePoint
        Road speeds.
    """

    name: str
    total_ratio: float
    top_speed_m_per_s: float
    top_speed_ended_by: str
    top_speed_by_power_m_per_s: float
    launch_force_n: float
    launch_wheel_torque_nm: float
    launch_force_without_grip_n: float
    launch_grade_ratio: float
    sprint_s: float | None
    sprint_to_100_km_per_h_s: float | None = None
    hill_battery_power_w: float
    hill_shaft_power_w: float
    hill_is_within_peak: bool
    continuous_battery_power_w: float | None
    continuous_source: str
    hottest_part: str = ""
    hill_continuous_ratio: float | None
    hill_continuous_speed_m_per_s: float | None
    cruise: tuple[CruisePoint, ...]
    is_pareto: bool = True
    notes: tuple[str, ...] = ()

    @property
    def merits(self) -> tuple[float, float, float]:
        """Heat on the standard hill, consumption at 65 mph, time to 60 mph: less is better."""
        level = min(self.cruise, key=lambda point: abs(point.speed_m_per_s - 65.0 * METRES_PER_SECOND_PER_MPH))
        heat = np.inf if self.hill_continuous_ratio is None else self.hill_continuous_ratio
        return heat, level.battery_power_level_w, np.inf if self.sprint_s is None else self.sprint_s


@result("gearing-sheet/2")
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
    sweep : tuple of GearingPerformance
        Total ratios over a range around those listed.
    best_ratio : float or None
        Of the sweep: the one that holds 6 % at 55 mph with least consumption at 65 mph, or is coolest where none
        holds it; None where nothing says what is held. [ratio]
    """

    choices: tuple[GearingPerformance, ...]
    max_motor_speed_rad_per_s: float
    rolling_circumference_m: float
    mass_kg: float
    pack_power_limit_w: float | None
    assumptions: tuple[str, ...]
    basis: str = THE_PLAN
    sweep: tuple[GearingPerformance, ...] = ()
    best_ratio: float | None = None

    @property
    def best_is_the_last_tried(self) -> bool:
        """Whether the best ratio is an end of the range: a better one may lie beyond it."""
        return self.best_ratio in (self.sweep[0].total_ratio, self.sweep[-1].total_ratio) if self.sweep else False


def gearing_sheet(
    build: BuildSettings,
    distribution: ParameterDistribution,
    *,
    conditions: Conditions | None = None,
    speeds_m_per_s: Sequence[float] = CRUISE_SPEEDS_M_PER_S,
    heat: HeatModel | None = None,
    environment: Environment | None = None,
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
    heat : HeatModel, optional
        What the drives taught of heat and losses; the datasheet's rating and priors where left out.
    environment : Environment, optional
        What drives taught of road load and losses besides; the build's own where left out.
    basis : str
        Where the distribution is from, in words.

    Returns
    -------
    GearingSheet
        One entry per chain.
    """
    environment = environment or environment_of(build)
    losses = losses_of_build(build, heat)
    vehicle = PlainVehicle.of(build, distribution, conditions or Conditions(), losses, environment)
    pack_is_limited = build.pack.discharge_current_limit_a is not None or build.pack.cell_voltage_floor_v is not None
    chains = (build.powertrain.gearing, *build.powertrain.alternatives)

    def performance(chain: GearingChoice) -> GearingPerformance:
        ratio = chain.total_ratio
        holding = holding_of(
            build, distribution, ratio, HELD_SPEEDS_M_PER_S, heat, environment, at_m_per_s=HILL_SPEED_M_PER_S
        )
        return _performance(chain, vehicle, speeds_m_per_s, holding)

    choices = _with_pareto([performance(chain) for chain in chains])
    ratios = [chain.total_ratio for chain in chains]
    sweep = [
        performance(GearingChoice(name=f"{ratio:.1f}:1", reductions=(Reduction(name="total", ratio=ratio),)))
        for ratio in np.geomspace(0.7 * min(ratios), 1.3 * max(ratios), SWEEP).tolist()
    ]
    chain_settings = build.powertrain
    return GearingSheet(
        choices=choices,
        max_motor_speed_rad_per_s=vehicle.max_speed_rad_per_s,
        rolling_circumference_m=vehicle.road.circumference_m,
        mass_kg=vehicle.mass_kg,
        pack_power_limit_w=vehicle.pack_power_w if pack_is_limited else None,
        assumptions=(
            f"gear efficiency {percent(GEAR_EFFICIENCY_RATIO)}, common practice",
            f"{build.vehicle.driven_wheels or 'one axle of'} wheels drive, tire grip "
            f"{chain_settings.grip_coefficient:g} times their share of the weight is {vehicle.grip_ratio:.2f}"
            + ("" if chain_settings.driven_weight_ratio else "; share by common practice"),
            "launch and sprint take motor torque, motor power and pack limits as given; no wheelspin control",
        ),
        basis=basis,
        sweep=_with_pareto(sweep),
        best_ratio=_best_ratio(sweep),
    )


def _with_pareto(choices: list[GearingPerformance]) -> tuple[GearingPerformance, ...]:
    """Mark those that no other beats in heat, consumption and launch at once."""
    merits = [choice.merits for choice in choices]

    def is_beaten(own: tuple[float, float, float]) -> bool:
        return any(other != own and all(a <= b for a, b in zip(other, own, strict=True)) for other in merits)

    return tuple(replace(choice, is_pareto=not is_beaten(choice.merits)) for choice in choices)


def _best_ratio(sweep: list[GearingPerformance]) -> float | None:
    fast = [one for one in sweep if one.top_speed_m_per_s >= LEAST_TOP_SPEED_M_PER_S] or sweep
    if all(one.hill_continuous_ratio is None for one in fast):
        return None
    holding = [one for one in fast if one.merits[0] <= 1.0]
    if holding:
        return min(holding, key=lambda one: one.merits[1]).total_ratio
    return min(fast, key=lambda one: one.merits[0]).total_ratio


def _performance(
    chain: GearingChoice, vehicle: PlainVehicle, speeds_m_per_s: Sequence[float], holding: Holding
) -> GearingPerformance:
    ratio = chain.total_ratio
    by_motor = road_speed_m_per_s(vehicle.max_speed_rad_per_s, ratio, vehicle.road.circumference_m)
    by_power = _fastest_m_per_s(vehicle, lambda speed: vehicle.shaft_power_w * GEAR_EFFICIENCY_RATIO / speed)
    free_n = float(vehicle.peak_n(np.zeros(1), ratio)[0])
    launch_n = min(free_n, vehicle.grip_n)
    launch_grade = _steepest(vehicle, np.array([free_n]), np.zeros(1))
    hill = np.array([HILL_SPEED_M_PER_S])
    hill_n = float(vehicle.load_n(hill, HILL_GRADE_RATIO)[0])
    battery_w = float(vehicle.battery_w(hill, ratio, HILL_GRADE_RATIO)[0])
    held_n = float(holding.at(hill)[0])
    to_pack = HILL_SPEED_M_PER_S / vehicle.drive_efficiency_ratio
    power_word = "pack" if vehicle.from_pack_w <= vehicle.shaft_power_w else "power"
    return GearingPerformance(
        name=chain.name,
        total_ratio=ratio,
        top_speed_m_per_s=min(by_motor, by_power),
        top_speed_ended_by="motor speed" if by_motor <= by_power else power_word,
        top_speed_by_power_m_per_s=by_power,
        launch_force_n=launch_n,
        launch_wheel_torque_nm=free_n * rolling_radius_m(vehicle.road.circumference_m),
        launch_force_without_grip_n=free_n,
        launch_grade_ratio=float(launch_grade[0]),
        sprint_s=_sprint_s(vehicle, ratio, min(by_motor, by_power), SPRINT_SPEED_M_PER_S),
        sprint_to_100_km_per_h_s=_sprint_s(vehicle, ratio, min(by_motor, by_power), METRIC_SPRINT_SPEED_M_PER_S),
        hill_battery_power_w=battery_w,
        hill_shaft_power_w=hill_n * HILL_SPEED_M_PER_S / GEAR_EFFICIENCY_RATIO,
        hill_is_within_peak=bool(vehicle.peak_n(hill, ratio)[0] >= hill_n),
        continuous_battery_power_w=held_n * to_pack + vehicle.road.auxiliary_w if holding.is_given else None,
        continuous_source=holding.source,
        hottest_part=holding.hottest,
        hill_continuous_ratio=hill_n / held_n if holding.is_given and held_n > 0.0 else None,
        hill_continuous_speed_m_per_s=min(_fastest_m_per_s(vehicle, holding.at, HILL_GRADE_RATIO), by_motor)
        if holding.is_given
        else None,
        cruise=_cruise(vehicle, ratio, np.asarray(speeds_m_per_s, dtype=np.float64), holding),
        notes=holding.notes,
    )


def _cruise(vehicle: PlainVehicle, ratio: float, speed: FloatArray, holding: Holding) -> tuple[CruisePoint, ...]:
    shaft = motor_speed_rad_per_s(speed, ratio, vehicle.road.circumference_m)
    level_n, peak_n = vehicle.load_n(speed), vehicle.peak_n(speed, ratio)
    air_n = level_n - float(vehicle.road.rolling_coefficient) * vehicle.mass_kg * STANDARD_GRAVITY_M_PER_S2
    grade = _steepest(vehicle, peak_n, air_n)
    lasting, short = (
        _steepest(vehicle, np.minimum(peak_n, holding.at(speed, of)), air_n) for of in ("continuous", "half_hour")
    )
    level_w = vehicle.battery_w(speed, ratio)

    def given(value: float) -> float | None:
        return value if holding.is_given and np.isfinite(value) else None

    return tuple(
        CruisePoint(
            speed_m_per_s=float(speed[index]),
            motor_speed_rad_per_s=float(shaft[index]),
            motor_speed_ratio=float(shaft[index] / vehicle.max_speed_rad_per_s),
            wheel_force_peak_n=float(min(peak_n[index], vehicle.grip_n)),
            climbable_grade_ratio=float(grade[index]) if np.isfinite(grade[index]) else None,
            limited_by=_limit_word(vehicle, float(shaft[index]), float(peak_n[index])),
            half_hour_grade_ratio=given(float(short[index])),
            continuous_grade_ratio=given(float(lasting[index])),
            battery_power_level_w=float(level_w[index]),
        )
        for index in range(speed.size)
    )


def _steepest(vehicle: PlainVehicle, force_n: FloatArray, air_n: FloatArray) -> FloatArray:
    """Steepest grade by a force at the wheels, and by grip. [ratio]"""
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_M_PER_S2
    by_force = climbable_grade_ratio(force_n - air_n, vehicle.mass_kg, float(vehicle.road.rolling_coefficient))
    return np.minimum(
        by_force,
        grip_limited_grade_ratio(vehicle.grip_ratio, float(vehicle.road.rolling_coefficient), air_n / weight_n),
    )


def _limit_word(vehicle: PlainVehicle, shaft_rad_per_s: float, peak_n: float) -> str:
    """What ends the force at the wheels at a shaft speed."""
    if shaft_rad_per_s > vehicle.max_speed_rad_per_s * (1.0 + 1e-9):
        return "motor speed"
    if peak_n > vehicle.grip_n:
        return "grip"
    if vehicle.max_torque_nm * shaft_rad_per_s <= vehicle.shaft_power_w:
        return "torque"
    return "pack" if vehicle.from_pack_w <= vehicle.shaft_power_w else "power"


def _fastest_m_per_s(vehicle: PlainVehicle, allowed_n: Callable[[FloatArray], FloatArray], grade: float = 0.0) -> float:
    """Highest speed at which no more than what is allowed holds it. [m/s]"""
    speed = np.linspace(0.5, 120.0, 24_000)
    return float(speed[vehicle.load_n(speed, grade) <= allowed_n(speed)].max(initial=0.0))


def _sprint_s(vehicle: PlainVehicle, ratio: float, top_m_per_s: float, end_m_per_s: float) -> float | None:
    """Time from standstill to a speed, by integrating mass over spare force."""
    if top_m_per_s <= end_m_per_s:
        return None
    speed = np.linspace(0.0, end_m_per_s, 1001)
    force_n = np.minimum(vehicle.peak_n(speed, ratio), vehicle.grip_n) - vehicle.load_n(speed)
    if force_n.min() <= 0:
        return None
    effective_kg = vehicle.mass_kg + rotating_mass_of(vehicle.build, ratio)
    return float(np.trapezoid(effective_kg / force_n, speed))
