"""What may stand in ``build.toml``: tables, keys, kinds of quantity and allowed ranges."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema, field_validator, model_validator

from logan.channels.vocabulary import channel_kind, channel_names
from logan.configuration.quantities import Measured, Quantity
from logan.configuration.tyre_size import rolling_circumference_m
from logan.instruments.classes import CURRENT_SENSOR_SIGMAS, SPEED_SENSOR_SIGMA_RATIO
from logan.model.priors import BODY_CLASS_DRAG_AREA_M2, TYRE_CLASS_ROLLING_COEFFICIENT

Mass = Annotated[Measured, Quantity("kilogram", 300.0, 12_000.0, "1650 kg ± 20 kg", "kg")]
Payload = Annotated[Measured, Quantity("kilogram", -2_000.0, 20_000.0, "150 kg", "kg")]
BodyLength = Annotated[Measured, Quantity("meter", 0.8, 4.0, "1.75 m", "m")]
DragCoefficient = Annotated[Measured, Quantity("", 0.12, 1.5, "0.45 ± 0.04", "")]
Force = Annotated[Measured, Quantity("newton", 0.0, 3_000.0, "35 lbf", "N")]
ForcePerSpeed = Annotated[Measured, Quantity("newton*second/meter", -30.0, 60.0, "0.087 lbf/mph", "N/(m/s)")]
ForcePerSpeedSquared = Annotated[
    Measured, Quantity("newton*second**2/meter**2", 0.05, 5.0, "0.0148 lbf/mph2", "N/(m/s)2")
]
Area = Annotated[Measured, Quantity("meter**2", 0.2, 8.0, "8.6 ft2 ± 0.08 m2", "m2")]
RollingCoefficient = Annotated[Measured, Quantity("", 0.003, 0.06, "0.0105 ± 0.0015", "")]
Ratio = Annotated[Measured, Quantity("", 0.0, 1.0, "0.10", "")]
KeptBack = Annotated[Measured, Quantity("", 0.0, 0.9, "10 %", "")]
Confidence = Annotated[Measured, Quantity("", 0.5, 0.999, "90 %", "")]
Efficiency = Annotated[Measured, Quantity("", 0.3, 1.0, "0.87 ± 0.03", "")]
PerKelvin = Annotated[Measured, Quantity("1/kelvin", 0.0, 0.05, "0.008 1/K", "1/K")]
Length = Annotated[Measured, Quantity("meter", 1.0, 5.0, "78 in", "m")]
WheelInertia = Annotated[Measured, Quantity("kilogram*meter**2", 0.0, 200.0, "4 kg m2", "kg m2")]
RotorInertia = Annotated[Measured, Quantity("kilogram*meter**2", 0.0, 10.0, "0.05 kg m2", "kg m2")]
ShaftSpeed = Annotated[Measured, Quantity("revolution/minute", 500.0, 40_000.0, "16000 rpm", "rpm")]
Torque = Annotated[Measured, Quantity("newton*meter", 10.0, 5_000.0, "243 lb-ft", "N m")]
Power = Annotated[Measured, Quantity("watt", 0.0, 2e6, "188 hp", "W", least=5.0)]
BasePower = Annotated[Measured, Quantity("watt", 10.0, 20_000.0, "350 W ± 150 W", "W")]
Speed = Annotated[Measured, Quantity("meter/second", 0.5, 90.0, "65 mph", "m/s")]
FadeSpeed = Annotated[Measured, Quantity("meter/second", 0.0, 15.0, "6 mph", "m/s")]
Wind = Annotated[Measured, Quantity("meter/second", -40.0, 40.0, "10 mph", "m/s")]
Temperature = Annotated[Measured, Quantity("degC", -50.0, 250.0, "68 °F", "°C")]
Ambient = Annotated[Measured, Quantity("degC", -45.0, 60.0, "20 °F", "°C")]
Pressure = Annotated[Measured, Quantity("pascal", 45_000.0, 110_000.0, "1013 hPa", "Pa")]
Altitude = Annotated[Measured, Quantity("meter", -430.0, 5_500.0, "5000 ft", "m")]
Capacity = Annotated[Measured, Quantity("ampere*hour", 0.5, 2_000.0, "58 Ah", "Ah")]
CellVoltage = Annotated[Measured, Quantity("volt", 1.0, 5.0, "3.65 V", "V")]
Energy = Annotated[Measured, Quantity("watt*hour", 500.0, 500_000.0, "62 kWh", "Wh")]
SpecificEnergy = Annotated[Measured, Quantity("watt*hour/kilogram", 30.0, 500.0, "68 Wh/lb", "Wh/kg")]
Resistance = Annotated[Measured, Quantity("ohm", 0.0005, 2.0, "0.07 ohm", "ohm")]
Current = Annotated[Measured, Quantity("ampere", 1.0, 5_000.0, "600 A", "A")]
PowerPerKelvin = Annotated[Measured, Quantity("watt/kelvin", 0.0, 1_000.0, "110 W/K", "W/K")]
MolarEnergy = Annotated[Measured, Quantity("joule/mole", 0.0, 100_000.0, "25000 J/mol", "J/mol")]
Distance = Annotated[Measured, Quantity("meter", 1_000.0, 3e6, "200 mi", "m")]
Duration = Annotated[Measured, Quantity("second", 0.0, 1e6, "30 s", "s")]
Grade = Annotated[Measured, Quantity("", -0.5, 0.5, "6 %", "")]
Factor = Annotated[Measured, Quantity("", 0.3, 5.0, "1.1", "")]
Section = Annotated[Measured, Quantity("millimeter**2", 0.5, 1_000.0, "50 mm2", "mm2")]


SensorGain = Annotated[Measured, Quantity("", 0.0, 0.1, "0.5 %", "")]
SensorZero = Annotated[Measured, Quantity("ampere", 0.0, 20.0, "0.3 A", "A")]
SensorOffset = Annotated[Measured, Quantity("kelvin", 0.0, 10.0, "1 K", "K")]


class Table(BaseModel):
    """A table of a settings file; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Sourced(Table):
    """A planning value with the place it comes from."""

    value: Any
    source: str = "given"


def _unwrap(raw: object) -> object:
    """``{ value = "...", source = "..." }`` may stand wherever a quantity may; its source is kept beside."""
    return raw["value"] if isinstance(raw, dict) and "value" in raw and set(raw) <= {"value", "source"} else raw


class Tables(Table):
    """A table whose quantities may carry a source; ``source_of`` says which."""

    sources: dict[str, str] = Field(default_factory=dict, exclude=True, repr=False)

    @model_validator(mode="before")
    @classmethod
    def _take_sources(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            return raw
        if "sources" in raw:
            raise ValueError("sources: unknown key; write { value = ..., source = ... } at the value itself")
        sources = {
            key: str(item["source"])
            for key, item in raw.items()
            if isinstance(item, dict) and "value" in item and "source" in item
        }
        return {**{key: _unwrap(item) for key, item in raw.items()}, "sources": sources}

    def source_of(self, key: str) -> str:
        """Where a value comes from; "given" where the user did not say."""
        return self.sources.get(key, "given")


def _one_of(names: tuple[str, ...]) -> tuple[BeforeValidator, WithJsonSchema]:
    def check(raw: object) -> object:
        if raw not in names:
            known = [name for name in names if name]
            hint = nearest(raw, known) if isinstance(raw, str) else ""
            raise ValueError(f"expected one of {', '.join(known)}; got {raw!r}{hint}")
        return raw

    return BeforeValidator(check), WithJsonSchema({"type": "string", "enum": list(names)})


def _within(low: int, high: int) -> BeforeValidator:
    def check(raw: object) -> object:
        if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
            raise ValueError(f"expected a whole number from {low} to {high}, got {raw!r}")
        return raw

    return BeforeValidator(check)


def _check_tire(raw: object) -> object:
    if isinstance(raw, str) and raw:
        rolling_circumference_m(raw)
    return raw


class BuildTable(Table):
    """``[build]``."""

    name: str = Field(min_length=1, max_length=200)
    dbc: list[str] = Field(default_factory=list, max_length=64)
    dbc_by_bus: dict[str, list[str]] = Field(default_factory=dict)
    units: str = "mi,F"
    altitude: Altitude | None = None
    keep_logs: bool = False
    keep_raw: bool = True


class RoadLoadTable(Tables):
    """``[vehicle.road_load]``: force = a + b v + c v^2 on a level road at 20 degC and 98.21 kPa."""

    a: Force
    b: ForcePerSpeed
    c: ForcePerSpeedSquared
    test_weight: Mass
    source: str = Field(min_length=1, max_length=200)


class VehicleTable(Tables):
    """``[vehicle]``."""

    mass: Mass
    body_class: Annotated[str, *_one_of(("", *BODY_CLASS_DRAG_AREA_M2))] = ""
    drag_area: Area | None = None
    drag_coefficient: DragCoefficient | None = None
    width: BodyLength | None = None
    height: BodyLength | None = None
    area_factor: Ratio = Measured(0.83, 0.02)
    road_load: RoadLoadTable | None = None
    lifted: bool = False
    driven_wheels: Annotated[str, *_one_of(("", "front", "rear", "all"))] = ""
    tire_class: Annotated[str, *_one_of(("", *TYRE_CLASS_ROLLING_COEFFICIENT))] = ""
    rolling_coefficient: RollingCoefficient | None = None
    rolling_temperature_coefficient: PerKelvin | None = None
    tire: Annotated[str, BeforeValidator(_check_tire)] = ""
    tire_rolling_circumference: Length | None = None
    wheel_inertia: WheelInertia = Measured(4.0)
    crosswind_rise_per_degree: Ratio = Measured(0.0)


class GearingTable(Table):
    """``[gearing]`` and each ``[[gearing.alternative]]``."""

    name: str = "as built"
    reductions: dict[str, float] = Field(min_length=1)
    alternative: list[GearingTable] = Field(default_factory=list, max_length=12)

    @field_validator("reductions")
    @classmethod
    def _check_ratios(cls, reductions: dict[str, float]) -> dict[str, float]:
        for name, ratio in reductions.items():
            if not 0.1 <= ratio <= 60.0:
                raise ValueError(f"'{name}' is {ratio:g} to 1; expected 0.1 to 60")
        return reductions


class MotorTable(Tables):
    """``[motor]``."""

    max_speed: ShaftSpeed
    max_torque: Torque
    max_power: Power
    continuous_power: Power | None = None
    rotor_inertia: RotorInertia = Measured(0.05)
    count: Annotated[int, _within(1, 8)] = 1


class PowertrainTable(Tables):
    """``[powertrain]``."""

    drive_efficiency: Efficiency | None = None
    regen_efficiency: Efficiency | None = None
    regen_power_limit: Power | None = None
    regen_fade_speed: FadeSpeed = Measured(2.5)
    kept_axle: bool = False
    transfer_case: bool = False
    driven_weight: Ratio | None = None
    tire_grip: Factor = Measured(0.8)


class PackTable(Tables):
    """``[pack]`` and each ``[[pack.alternative]]``."""

    name: str = Field(default="in the build", min_length=1, max_length=40)
    cells_in_series: Annotated[int, _within(1, 500)]
    cells_in_parallel: Annotated[int, _within(1, 2_000)]
    cell_capacity: Capacity
    cell_nominal_voltage: CellVoltage = Measured(3.65)
    open_circuit_voltage: list[tuple[float, float]] = Field(default_factory=list, max_length=200)
    usable_window: tuple[float, float] = (0.05, 0.95)
    usable_energy: Energy | None = None
    charging_efficiency: Efficiency | None = None
    usable_loss_per_kelvin: PerKelvin | None = None
    resistance: Resistance | None = None
    resistance_activation: MolarEnergy = Measured(25_000.0)
    added_cells: SpecificEnergy = Measured(150.0)
    module: tuple[Annotated[int, _within(1, 500)], Annotated[int, _within(1, 500)]] | None = None
    cost_per_kwh: Annotated[float, Field(gt=0.0, le=100_000.0)] | None = None
    alternative: list[PackTable] = Field(default_factory=list, max_length=12)
    discharge_current_limit: Current | None = None
    charge_current_limit: Current | None = None
    cell_voltage_floor: CellVoltage | None = None
    cell_voltage_ceiling: CellVoltage | None = None

    @field_validator("usable_window")
    @classmethod
    def _check_window(cls, window: tuple[float, float]) -> tuple[float, float]:
        low, high = window
        if not 0.0 <= low < high <= 1.0:
            raise ValueError(f"expected two rising shares within 0 to 1, got [{low:g}, {high:g}]")
        return window

    @field_validator("open_circuit_voltage")
    @classmethod
    def _check_curve(cls, points: list[tuple[float, float]]) -> list[tuple[float, float]]:
        if points and (len(points) < 2 or any(a[0] >= b[0] or a[1] > b[1] for a, b in pairwise(points))):
            raise ValueError("expected [state of charge 0 to 1, cell volts] pairs, both rising")
        return points


class AuxiliaryTable(Tables):
    """``[auxiliary]``."""

    base_power: BasePower | None = None
    heating_per_kelvin: PowerPerKelvin | None = None
    cooling_per_kelvin: PowerPerKelvin | None = None
    heater_limit: Power = Measured(0.0)
    air_conditioning_limit: Power = Measured(0.0)
    comfort_low: Ambient = Measured(17.0)
    comfort_high: Ambient = Measured(24.0)


class InstrumentsTable(Tables):
    """``[instruments]``."""

    current: Annotated[str, *_one_of(("", *CURRENT_SENSOR_SIGMAS))] = ""
    current_gain: SensorGain | None = None
    current_zero: SensorZero | None = None
    voltage_gain: SensorGain | None = None
    speed: Annotated[str, *_one_of(("", *SPEED_SENSOR_SIGMA_RATIO))] = ""
    speed_gain: SensorGain | None = None
    temperature_offset: SensorOffset | None = None
    correct: bool = True


class LimitTable(Table):
    """``[limits.channel]``."""

    amber: str | float | None = None
    derate: str | float | None = None
    red: str | float | None = None
    side: Annotated[str, *_one_of(("", "above", "below"))] = ""
    source: str = "given"


class CurveTable(Table):
    """``[[limits.curve]]``."""

    component: str = Field(min_length=1, max_length=80)
    points: list[tuple[Duration, Current]] = Field(min_length=1, max_length=200)
    direction: Annotated[str, *_one_of(("discharge", "charge", "both"))] = "both"
    quantity: Annotated[str, *_one_of(("rms", "peak"))] = "rms"
    source: str = "given"
    channel: str = Field(default="pack_current", pattern=r"^(pack|motor)_current(_[1-9][0-9]?)?$")

    @field_validator("points")
    @classmethod
    def _check_rising(cls, points: list[tuple[Measured, Measured]]) -> list[tuple[Measured, Measured]]:
        if any(a.value >= b.value for (a, _), (b, _) in pairwise(points)):
            raise ValueError("expected rising durations")
        return points


class ConductorTable(Table):
    """``[[limits.conductor]]``."""

    name: str = Field(min_length=1, max_length=80)
    material: Annotated[str, *_one_of(("copper", "aluminum"))] = "copper"
    area: Section
    start: Temperature = Measured(40.0)
    limit: Temperature = Measured(90.0)


class LimitsTable(BaseModel):
    """``[limits]``: one entry per channel, and what belongs to no channel."""

    model_config = ConfigDict(extra="allow", frozen=True)

    use_typical: bool = False
    design_ambient: Ambient = Measured(35.0)
    ac_side: Annotated[str, *_one_of(("", "combined", "double-insulated"))] = ""
    curve: list[CurveTable] = Field(default_factory=list, max_length=64)
    conductor: list[ConductorTable] = Field(default_factory=list, max_length=64)

    @model_validator(mode="before")
    @classmethod
    def _check_channels(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            return raw
        checked = dict(raw)
        for key, item in raw.items():
            if key in cls.model_fields:
                continue
            if channel_kind(key) is None:
                raise ValueError(f"{key}: unknown channel{nearest(key, channel_names())}")
            checked[key] = LimitTable.model_validate(item)
        return checked


class TargetTable(Tables):
    """``[target]``."""

    range: Distance
    scenario: str
    reserve: KeptBack = Measured(0.0)
    aging: KeptBack = Measured(0.0)
    confidence: Confidence = Measured(0.9)


class ScenarioTable(Tables):
    """``[[scenario]]``."""

    name: str = Field(min_length=1, max_length=80)
    speed: Speed | None = None
    cycle: Annotated[str, *_one_of(("", "udds", "hwfet", "us06", "wltc_3b"))] = ""
    mix: dict[str, float] = Field(default_factory=dict)
    route: str = ""
    drive: str = ""
    ambient: Ambient = Measured(20.0)
    pressure: Pressure | None = None
    altitude: Altitude | None = None
    humidity: Ratio = Measured(0.5)
    payload: Payload = Measured(0.0)
    headwind: Wind = Measured(0.0)
    grade: Grade = Measured(0.0)
    drag_area_factor: Factor = Measured(1.0)
    rolling_factor: Factor = Measured(1.0)
    cabin_climate: bool = True
    warm_start: bool = True
    cells: Ambient | None = None
    wet: bool = False


class BuildFile(Table):
    """The whole of ``build.toml``."""

    build: BuildTable
    vehicle: VehicleTable
    gearing: GearingTable
    motor: MotorTable
    powertrain: PowertrainTable = Field(default_factory=PowertrainTable)
    pack: PackTable
    auxiliary: AuxiliaryTable = Field(default_factory=AuxiliaryTable)
    instruments: InstrumentsTable = Field(default_factory=InstrumentsTable)
    limits: LimitsTable = Field(default_factory=LimitsTable)
    target: TargetTable
    scenario: list[ScenarioTable] = Field(min_length=1, max_length=100)


def nearest(word: str, known: tuple[str, ...] | list[str]) -> str:
    """Return ``"; did you mean x?"``, or nothing where no name is near."""
    from difflib import get_close_matches

    matches = get_close_matches(word, known, n=1, cutoff=0.6)
    return f"; did you mean {matches[0]}?" if matches else ""
