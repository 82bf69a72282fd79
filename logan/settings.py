"""What the user says about a build: frozen types, SI, already checked.

``configuration`` reads them from TOML; the core only ever sees these.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from logan.instrument_settings import InstrumentSettings
from logan.scenario_settings import Scenario as Scenario, ScenarioKind as ScenarioKind, Target as Target
from logan.units import DisplayUnits

TYPICAL_SOURCE = "typical, not your datasheet"


@dataclass(frozen=True, slots=True)
class PlanningValue:
    """A planning value with its uncertainty: the prior of the fit.

    Parameters
    ----------
    value : float
        Best guess, in the SI unit of its name.
    sigma : float
        One standard uncertainty, same unit; zero means taken as exact.
    source : str
        Where the value and its uncertainty come from: "given", "weighed", "common practice: ...".
    typed : str
        As the user typed it, with its uncertainty; empty where the value is not the user's own.
    """

    value: float
    sigma: float
    source: str = "given"
    typed: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class VehicleSettings:
    """The vehicle on the road.

    Parameters
    ----------
    mass_kg : PlanningValue
        On the scales, with driver.
    drag_area_m2 : PlanningValue
        Drag coefficient times frontal area.
    rolling_coefficient : PlanningValue
        Rolling resistance coefficient at 25 degrees Celsius.
    rolling_temperature_coefficient_per_k : PlanningValue
        Fall of rolling resistance per kelvin (UN R117 Annex 6: 0.008 for car tyres).
    tyre_rolling_circumference_m : PlanningValue
        Distance per wheel turn.
    rolling_rise_ratio, warm_up_rise_ratio : PlanningValue
        Rise of rolling resistance with speed and at a cold start, where drives taught them; zero in a plan. [ratio]
    wheel_inertia_kg_m2 : float
        All four wheels, tyres and discs together.
    frontal_crosswind_ratio : float
        Rise of drag area per degree of yaw.
    linear_road_load_n_s_per_m : PlanningValue
        What grows in proportion to speed: coefficient B of a coastdown; zero where none was given.
    driven_wheels : str
        "front", "rear", "all", or empty where not said.
    body_class, tyre_class : str
        Classes that the typical values came from; empty where none.
    """

    mass_kg: PlanningValue
    drag_area_m2: PlanningValue
    rolling_coefficient: PlanningValue
    rolling_temperature_coefficient_per_k: PlanningValue = PlanningValue(0.008, 0.003, "UN R117 Annex 6, 6.2 (C1)")
    rolling_rise_ratio: PlanningValue = PlanningValue(0.0, 0.0, "in the coefficient")
    warm_up_rise_ratio: PlanningValue = PlanningValue(0.0, 0.0, "in the coefficient")
    tyre_rolling_circumference_m: PlanningValue
    wheel_inertia_kg_m2: float = 4.0
    frontal_crosswind_ratio: float = 0.0
    linear_road_load_n_s_per_m: PlanningValue = PlanningValue(0.0, 0.0, "none given")
    driven_wheels: str = ""
    body_class: str = ""
    tyre_class: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """One reduction in the chain from motor to wheel."""

    name: str
    ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GearingChoice:
    """One chain of reductions; a build may weigh several against each other."""

    name: str
    reductions: tuple[Reduction, ...]

    @property
    def total_ratio(self) -> float:
        """Motor turns per wheel turn."""
        product = 1.0
        for reduction in self.reductions:
            product *= reduction.ratio
        return product


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorSettings:
    """Drive motor, or several equal ones.

    Parameters
    ----------
    max_speed_rpm : float
        Speed limit of the shaft. [rpm]
    max_torque_nm, max_power_w : float
        Peak, of one motor.
    continuous_power_w : float or None
        From the datasheet; None where not given.
    rotor_inertia_kg_m2 : float
        Of one motor.
    count : int
        Number of equal motors on the same chain.
    """

    max_speed_rpm: float
    max_torque_nm: float
    max_power_w: float
    continuous_power_w: float | None = None
    rotor_inertia_kg_m2: float = 0.05
    count: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PowertrainSettings:
    """From pack terminals to wheels and back.

    Parameters
    ----------
    drive_efficiency, regen_efficiency : PlanningValue
        Pack to wheel, and wheel to pack. [ratio]
    constant_loss_w, copper_loss_w_per_n2 : PlanningValue
        Loss while moving, and by the square of wheel force, where drives taught them; zero in a plan. [W, W/N2]
    driveline_drag_n, driveline_n_s_per_m : PlanningValue
        Drag of gears and bearings at the wheels, constant and by speed; likewise. [N, N s/m]
    regen_power_limit_w : float or None
        Most power that regen puts into the pack; None where there is no cap.
    regen_fade_speed_m_per_s : float
        Below this speed regen fades to nothing.
    gearing : GearingChoice
        The chain in the vehicle.
    alternatives : tuple of GearingChoice
        Chains to compare with it.
    motor : MotorSettings
        The motor.
    driven_weight_ratio : float or None
        Share of the weight on the driven wheels, weighed; None takes common practice.
    grip_coefficient : float
        Of tire on road.
    """

    drive_efficiency: PlanningValue
    regen_efficiency: PlanningValue
    constant_loss_w: PlanningValue = PlanningValue(0.0, 0.0, "in the efficiency")
    copper_loss_w_per_n2: PlanningValue = PlanningValue(0.0, 0.0, "in the efficiency")
    driveline_drag_n: PlanningValue = PlanningValue(0.0, 0.0, "in rolling resistance")
    driveline_n_s_per_m: PlanningValue = PlanningValue(0.0, 0.0, "in rolling resistance")
    regen_power_limit_w: float | None = None
    regen_fade_speed_m_per_s: float = 2.5
    gearing: GearingChoice
    alternatives: tuple[GearingChoice, ...] = ()
    motor: MotorSettings
    driven_weight_ratio: float | None = None
    grip_coefficient: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSettings:
    """The traction pack.

    Parameters
    ----------
    cells_in_series, cells_in_parallel : int
        Arrangement.
    cell_capacity_ah : PlanningValue
        Capacity of one cell.
    cell_nominal_voltage_v : float
        Nominal voltage of one cell.
    state_of_charge_points, open_circuit_voltage_points_v : tuple of float
        Open-circuit voltage of one cell against state of charge, both rising.
    usable_low_ratio, usable_high_ratio : float
        Window of state of charge that is used.
    resistance_ohm : PlanningValue
        Whole pack, 10 s, at 25 degrees Celsius.
    resistance_activation_j_per_mol : float
        Temperature dependence of the resistance (Arrhenius).
    usable_energy_wh : PlanningValue
        At 25 degrees Celsius and moderate load, between the window's ends.
    charging_efficiency : PlanningValue
        Energy that the pack gives back over energy from the wall.
    usable_loss_per_k : PlanningValue
        Share of usable energy lost per kelvin below 25 degrees Celsius.
    cell_mass_kg_per_wh : float
        Mass that one more watt-hour of pack adds to the vehicle.
    name : str
        What the user calls it, beside alternatives.
    module_cells : tuple of int or None
        Cells in series and in parallel of one module; None where cells come singly.
    cost_per_kwh : float or None
        Of nominal energy, in the user's currency.
    alternatives : tuple of PackSettings
        Packs to compare with it.
    discharge_current_limit_a, charge_current_limit_a : float or None
        From the datasheet.
    cell_voltage_floor_v, cell_voltage_ceiling_v : float or None
        From the datasheet.
    """

    cells_in_series: int
    cells_in_parallel: int
    cell_capacity_ah: PlanningValue
    cell_nominal_voltage_v: float = 3.65
    state_of_charge_points: tuple[float, ...] = ()
    open_circuit_voltage_points_v: tuple[float, ...] = ()
    usable_low_ratio: float = 0.05
    usable_high_ratio: float = 0.95
    resistance_ohm: PlanningValue
    resistance_activation_j_per_mol: float = 25_000.0
    usable_energy_wh: PlanningValue
    charging_efficiency: PlanningValue = PlanningValue(0.88, 0.024, "common practice")
    usable_loss_per_k: PlanningValue = PlanningValue(0.004, 0.002, "common practice")
    cell_mass_kg_per_wh: float = 1.0 / 150.0
    name: str = "in the build"
    module_cells: tuple[int, int] | None = None
    cost_per_kwh: float | None = None
    alternatives: tuple[PackSettings, ...] = ()
    discharge_current_limit_a: float | None = None
    charge_current_limit_a: float | None = None
    cell_voltage_floor_v: float | None = None
    cell_voltage_ceiling_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuxiliarySettings:
    """What the pack feeds besides the motor.

    Parameters
    ----------
    base_power_w : PlanningValue
        Always on while driving: DC-DC, pumps, controllers.
    heating_w_per_k, cooling_w_per_k : PlanningValue
        Steady cabin power per kelvin below and above the comfort band.
    heater_limit_w, air_conditioning_limit_w : float
        Most that they draw; zero where not fitted.
    comfort_low_degc, comfort_high_degc : float
        Ambient band in which neither runs.
    """

    base_power_w: PlanningValue
    heating_w_per_k: PlanningValue = PlanningValue(0.0, 0.0, "no heater given")
    cooling_w_per_k: PlanningValue = PlanningValue(0.0, 0.0, "no air conditioning given")
    heater_limit_w: float = 0.0
    air_conditioning_limit_w: float = 0.0
    comfort_low_degc: float = 17.0
    comfort_high_degc: float = 24.0


class LimitSide(StrEnum):
    """Which side of a limit is wrong."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Amber and red of one channel, in its SI unit (degrees Celsius for temperatures), and where derating sets in."""

    channel: str
    side: LimitSide
    amber: float | None
    red: float | None
    source: str = "given"
    derate: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DurationCurve:
    """What a component carries for how long, as points from its datasheet.

    Parameters
    ----------
    component : str
        The user's name for it: fuse, contactor, cable, cells, connector, ...
    duration_s, current_a : tuple of float
        Points, duration rising; the last one holds for ever.
    direction : str
        "discharge", "charge" or "both".
    quantity : str
        "rms" or "peak".
    source : str
        Datasheet, or "typical, not your datasheet".
    channel : str
        Current that flows through it: ``pack_current``, ``motor_current``, ``motor_current_2``, ...
    """

    component: str
    duration_s: tuple[float, ...]
    current_a: tuple[float, ...]
    direction: str = "both"
    quantity: str = "rms"
    source: str = "given"
    channel: str = "pack_current"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conductor:
    """A cable or busbar whose adiabatic heating is estimated (IEC 60949, second-hand)."""

    name: str
    material: str
    area_mm2: float
    start_degc: float
    limit_degc: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSheet:
    """The limits of every component; what is not in it has no limit given."""

    limits: tuple[Limit, ...] = ()
    curves: tuple[DurationCurve, ...] = ()
    conductors: tuple[Conductor, ...] = ()
    design_ambient_degc: float = 35.0
    ac_side: str = ""
    """AC side for isolation: "combined" with the DC side, "double-insulated", or empty where not said."""

    def of(self, channel: str) -> tuple[Limit, ...]:
        """Limits of a channel; a side without its own takes its kind's, a hottest or coldest cell that of all cells."""
        own = tuple(limit for limit in self.limits if limit.channel == channel)
        sides = {limit.side for limit in own}
        stem, _, last = channel.rpartition("_")
        if last.isdigit():
            handed = self.of(stem)
        elif last in ("min", "max"):
            side = LimitSide.BELOW if last == "min" else LimitSide.ABOVE
            handed = tuple(limit for limit in self.of(stem) if limit.side is side)
        else:
            return own
        return (*own, *(limit for limit in handed if limit.side not in sides))


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildSettings:
    """One conversion: everything that ``build.toml`` says."""

    name: str
    vehicle: VehicleSettings
    powertrain: PowertrainSettings
    pack: PackSettings
    auxiliary: AuxiliarySettings
    limits: LimitSheet
    scenarios: tuple[Scenario, ...]
    target: Target
    dbc_paths: tuple[Path, ...] = ()
    dbc_by_bus: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)
    display: DisplayUnits = field(default_factory=DisplayUnits)
    keep_logs: bool = False
    keep_raw: bool = True
    home_pressure_pa: float | None = None
    instruments: InstrumentSettings = field(default_factory=InstrumentSettings)
    basis: str = "plan"
    """Where vehicle, efficiencies and auxiliaries come from: the plan, or the fit of so many drives."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSource:
    """Where one channel comes from, and how its numbers become SI.

    Parameters
    ----------
    channel : str
        Canonical name.
    signal : str
        Address of the signal: ``bus/message.signal``, ``message.signal`` or the bare name.
    unit : str
        Unit of the numbers; empty takes the one declared by the DBC or header.
    sign : int
        -1 turns the sign round.
    scale, offset : float
        Applied to the numbers before the unit: ``scale * x + offset``.
    not_available : tuple of float
        Numbers that mean "no value".
    signed : bool or None
        Override of the DBC's signedness.
    byte_order : str
        Override: "little_endian" or "big_endian"; empty keeps the DBC's.
    delay_s : float
        By how much the signal lags; it is shifted earlier.
    is_averaged : bool
        True when the logger averages.
    """

    channel: str
    signal: str
    unit: str = ""
    sign: int = 1
    scale: float = 1.0
    offset: float = 0.0
    not_available: tuple[float, ...] = ()
    signed: bool | None = None
    byte_order: str = ""
    delay_s: float = 0.0
    is_averaged: bool = False


@dataclass(frozen=True, slots=True)
class ChannelMap:
    """Which signal is which channel."""

    sources: tuple[ChannelSource, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisSettings:
    """Which corrections may be made; each is listed in the drive's history with its effect.

    Parameters
    ----------
    correct_skew : bool
        Shift current against voltage where the lag is significant.
    correct_current_zero : bool
        Subtract a current offset seen with contactors open.
    drop_not_available : bool
        Treat not-available codes as absent.
    level_barometer : bool
        Take the height's shape from the barometer, where there is one, and its level from satellites.
    min_coverage_ratio : float
        Below this share of covered time an energy figure is refused.
    """

    correct_skew: bool = True
    correct_current_zero: bool = False
    drop_not_available: bool = True
    level_barometer: bool = True
    min_coverage_ratio: float = 0.9
