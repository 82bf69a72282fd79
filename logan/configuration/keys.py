"""Every setting of ``build.toml``, declared once: type, unit, range, default and what it becomes.

Example and words of each key stand in ``templates/build.toml``.
"""

import re
from itertools import pairwise
from typing import Any, Final

from logan.channels.vocabulary import channel_kind, channel_names
from logan.configuration.declared import (
    YES_NO,
    Given,
    Key,
    Parsed,
    Plain,
    Quantity,
    Table,
    Tables,
    nearest,
    number,
    one_of,
    read_table,
    text,
    whole,
)
from logan.configuration.road_load import rolling_circumference_m
from logan.instruments.drive_evidence import CURRENT_SENSOR_SIGMAS, SPEED_SENSOR_SIGMA_RATIO
from logan.model import certified, priors
from logan.units.quantities import Measured

MASS: Final = Quantity("kilogram", 300.0, 12_000.0, "1650 kg ± 20 kg", "kg")
AREA: Final = Quantity("meter**2", 0.2, 8.0, "8.6 ft2 ± 0.08 m2", "m2")
RATIO: Final = Quantity("", 0.0, 1.0, "0.10", "")
KEPT_BACK: Final = Quantity("", 0.0, 0.9, "10 %", "")
EFFICIENCY: Final = Quantity("", 0.3, 1.0, "0.87 ± 0.03", "")
PER_KELVIN: Final = Quantity("1/kelvin", 0.0, 0.05, "0.008 1/K", "1/K")
BODY_LENGTH: Final = Quantity("meter", 0.8, 4.0, "1.75 m", "m")
POWER: Final = Quantity("watt", 0.0, 2e6, "188 hp", "W", least=5.0)
BASE_POWER: Final = Quantity("watt", 10.0, 20_000.0, "350 W ± 150 W", "W")
SPEED: Final = Quantity("meter/second", 0.5, 90.0, "65 mph", "m/s")
TEMPERATURE: Final = Quantity("degC", -50.0, 250.0, "68 °F", "°C")
AMBIENT: Final = Quantity("degC", -45.0, 60.0, "20 °F", "°C")
ALTITUDE: Final = Quantity("meter", -430.0, 5_500.0, "5000 ft", "m")
CELL_VOLTAGE: Final = Quantity("volt", 1.0, 5.0, "3.65 V", "V")
CURRENT: Final = Quantity("ampere", 1.0, 5_000.0, "600 A", "A")
POWER_PER_KELVIN: Final = Quantity("watt/kelvin", 0.0, 1_000.0, "110 W/K", "W/K")
DURATION: Final = Quantity("second", 0.0, 1e6, "30 s", "s")
FACTOR: Final = Quantity("", 0.3, 5.0, "1.1", "")
SENSOR_GAIN: Final = Quantity("", 0.0, 0.1, "0.5 %", "")


def _ratios(raw: Any) -> dict[str, float]:
    if not isinstance(raw, dict) or not raw:
        raise ValueError('expected a table such as { "drive unit" = 9.1 }')
    for name, ratio in raw.items():
        if type(ratio) not in (int, float) or not 0.1 <= ratio <= 60.0:
            shown = f"{ratio:g} to 1" if isinstance(ratio, int | float) else repr(ratio)[:60]
            raise ValueError(f"'{name}' is {shown}; expected 0.1 to 60")
    return {str(name): float(ratio) for name, ratio in raw.items()}


def _pair(raw: Any) -> tuple[Any, Any]:
    if not isinstance(raw, list) or len(raw) != 2:
        raise ValueError(f"expected two values in brackets, got {repr(raw)[:60]}")
    return raw[0], raw[1]


def _numbers(raw: Any) -> tuple[float, float]:
    first, second = (number().read(item) for item in _pair(raw))
    return float(first), float(second)


def _window(raw: Any) -> tuple[float, float]:
    low, high = _numbers(raw)
    if not 0.0 <= low < high <= 1.0:
        raise ValueError(f"expected two rising shares within 0 to 1, got [{low:g}, {high:g}]")
    return low, high


def _list(raw: Any, most: int, least: int = 0) -> list[Any]:
    if not isinstance(raw, list) or not least <= len(raw) <= most:
        raise ValueError(f"expected a list in brackets of {least} to {most} entries, got {repr(raw)[:60]}")
    return raw


def _voltage_curve(raw: Any) -> list[tuple[float, float]]:
    points = [_numbers(item) for item in _list(raw, 200)]
    is_rising = all(a[0] < b[0] and a[1] <= b[1] for a, b in pairwise(points))
    if points and (len(points) < 2 or not is_rising or not 0.0 <= points[0][1] <= points[-1][1] <= CELL_VOLTAGE.high):
        raise ValueError("expected [SOC 0 to 1, volts of one cell] pairs, both rising, of at most 5 V")
    return points


def _curve_points(raw: Any) -> list[tuple[float, float]]:
    pairs = [_pair(item) for item in _list(raw, 200, 1)]
    points = [(DURATION.read(duration).value, CURRENT.read(current).value) for duration, current in pairs]
    if any(a[0] >= b[0] for a, b in pairwise(points)):
        raise ValueError("expected rising durations")
    return points


def _tire(raw: Any) -> str:
    size = text(80).read(raw)
    if size:
        rolling_circumference_m(size)
    return str(size)


def _module(raw: Any) -> tuple[int, int]:
    series, parallel = (whole(1, 500).read(item) for item in _pair(raw))
    return int(series), int(parallel)


def _paths(raw: Any) -> list[str]:
    return [text(4096, 1).read(item) for item in _list(raw, 64)]


def _paths_by_bus(raw: Any) -> dict[str, list[str]]:
    if not isinstance(raw, dict):
        raise ValueError(f"expected a table, got {repr(raw)[:60]}")
    return {str(bus): _paths(files) for bus, files in raw.items()}


def _mix(raw: Any) -> dict[str, float]:
    if not isinstance(raw, dict):
        raise ValueError(f"expected a table, got {repr(raw)[:60]}")
    return {str(name): float(number().read(share)) for name, share in raw.items()}


def _limit(name: str, raw: object, path: str, problems: list[str]) -> Given | None:
    if channel_kind(name) is None:
        problems.append(f"{path}: unknown channel{nearest(name, channel_names())}")
        return None
    return read_table(raw, LIMIT, path, problems)


_CURRENT: Final = re.compile(r"(pack|motor)_current(_[1-9][0-9]?)?")
_CURRENT_CHANNEL: Final = Plain(
    lambda raw: isinstance(raw, str) and bool(_CURRENT.fullmatch(raw)),
    "pack_current, motor_current, motor_current_2 and so on",
)
_LIMIT_VALUE: Final = Plain(
    lambda raw: raw is None or (isinstance(raw, str | int | float) and not isinstance(raw, bool)),
    "a quantity in quotes",
)
LIMIT: Final = Table(
    (
        Key("amber", _LIMIT_VALUE),
        Key("derate", _LIMIT_VALUE),
        Key("red", _LIMIT_VALUE),
        Key("side", one_of("above", "below")),
        Key("source", text(300), default="given"),
    )
)
BUILD: Final = Table(
    (
        Key("name", text(200, 1), is_required=True),
        Key("dbc", Parsed(_paths), default=()),
        Key("dbc_by_bus", Parsed(_paths_by_bus), default={}),
        Key("units", text(80), default="us"),
        Key("altitude", ALTITUDE),
        Key("keep_logs", YES_NO, default=False),
        Key("keep_raw", YES_NO, default=True),
    )
)
ROAD_LOAD: Final = Table(
    (
        Key("a", Quantity("newton", 0.0, 3_000.0, "35 lbf", "N"), is_required=True),
        Key("b", Quantity("newton*second/meter", -30.0, 60.0, "0.087 lbf/mph", "N/(m/s)"), is_required=True),
        Key("c", Quantity("newton*second**2/meter**2", 0.05, 5.0, "0.0148 lbf/mph2", "N/(m/s)2"), is_required=True),
        Key("test_weight", MASS, is_required=True),
        Key("source", text(200, 1), is_required=True),
    )
)
"""force = a + b v + c v^2 on a level road at 20 degC and 98.21 kPa."""
VEHICLE: Final = Table(
    (
        Key("mass", MASS, is_required=True, sigma_ratio=0.01),
        Key("body_class", one_of(*priors.BODY_CLASS_DRAG_AREA_M2), default=""),
        Key("drag_area", AREA),
        Key("width", BODY_LENGTH),
        Key("height", BODY_LENGTH),
        Key("area_factor", RATIO, default=Measured(0.83, 0.02)),
        Key("drag_coefficient", Quantity("", 0.12, 1.5, "0.45 ± 0.04", "")),
        Key("road_load", ROAD_LOAD),
        Key("lifted", YES_NO),
        Key("tire_class", one_of(*priors.TYRE_CLASS_ROLLING_COEFFICIENT), default="", field="tyre_class"),
        Key("rolling_coefficient", Quantity("", 0.003, 0.06, "0.0105 ± 0.0015", "")),
        Key("rolling_temperature_coefficient", PER_KELVIN, sigma_ratio=0.3, typical=priors.ROLLING_FALL_PER_K),
        Key("driven_wheels", one_of("front", "rear", "four", "all"), default=""),
        Key("tire", Parsed(_tire, is_scalar=True), default=""),
        Key(
            "tire_rolling_circumference",
            Quantity("meter", 1.0, 5.0, "78 in", "m"),
            sigma_ratio=0.01,
            field="tyre_rolling_circumference_m",
        ),
        Key("wheel_inertia", Quantity("kilogram*meter**2", 0.0, 200.0, "4 kg m2", "kg m2")),
        Key("crosswind_rise_per_degree", RATIO, field="frontal_crosswind_ratio"),
    )
)
GEARING_CHAIN: Final = (
    Key("name", text(80), default="as built"),
    Key("reductions", Parsed(_ratios), is_required=True),
)
GEARING: Final = Table((*GEARING_CHAIN, Key("alternative", Tables(lambda: Table(GEARING_CHAIN), 12), default=())))
MOTOR: Final = Table(
    (
        Key("max_speed", Quantity("revolution/minute", 500.0, 40_000.0, "16000 rpm", "rpm"), is_required=True),
        Key("max_torque", Quantity("newton*meter", 10.0, 5_000.0, "243 lb-ft", "N m"), is_required=True),
        Key("max_power", POWER, is_required=True),
        Key("continuous_power", POWER),
        Key("rotor_inertia", Quantity("kilogram*meter**2", 0.0, 10.0, "0.05 kg m2", "kg m2")),
        Key("count", whole(1, 8)),
    )
)
POWERTRAIN: Final = Table(
    (
        Key("drive_efficiency", EFFICIENCY, sigma_ratio=0.03),
        Key("regen_efficiency", EFFICIENCY, sigma_ratio=0.06),
        Key("kept_axle", YES_NO),
        Key("transfer_case", YES_NO),
        Key("regen_power_limit", POWER),
        Key("regen_fade_speed", Quantity("meter/second", 0.0, 15.0, "6 mph", "m/s")),
        Key("driven_weight", RATIO),
        Key("tire_grip", FACTOR, field="grip_coefficient"),
    )
)
PACK_ONE: Final = (
    Key("name", text(40, 1)),
    Key("cells_in_series", whole(1, 500), is_required=True),
    Key("cells_in_parallel", whole(1, 2_000), is_required=True),
    Key("cell_capacity", Quantity("ampere*hour", 0.5, 2_000.0, "58 Ah", "Ah"), is_required=True, sigma_ratio=0.02),
    Key("cell_nominal_voltage", CELL_VOLTAGE, default=Measured(3.65)),
    Key("usable_window", Parsed(_window), default=(0.05, 0.95)),
    Key("usable_energy", Quantity("watt*hour", 500.0, 500_000.0, "62 kWh", "Wh"), sigma_ratio=0.03),
    Key("charging_efficiency", EFFICIENCY, sigma_ratio=0.03, typical=certified.CHARGING),
    Key("usable_loss_per_kelvin", PER_KELVIN, sigma_ratio=0.5, field="usable_loss_per_k"),
    Key("resistance", Quantity("ohm", 0.0005, 2.0, "0.07 ohm", "ohm"), sigma_ratio=0.3),
    Key("resistance_activation", Quantity("joule/mole", 0.0, 100_000.0, "25000 J/mol", "J/mol")),
    Key("added_cells", Quantity("watt*hour/kilogram", 30.0, 500.0, "68 Wh/lb", "Wh/kg"), default=Measured(150.0)),
    Key("module", Parsed(_module), field="module_cells"),
    Key("cost_per_kwh", number(1e-9, 100_000.0, wanted="a number above 0 and up to 100000")),
    Key("discharge_current_limit", CURRENT),
    Key("charge_current_limit", CURRENT),
    Key("cell_voltage_floor", CELL_VOLTAGE),
    Key("cell_voltage_ceiling", CELL_VOLTAGE),
    Key("open_circuit_voltage", Parsed(_voltage_curve), default=(), field="-"),
)
PACK: Final = Table((*PACK_ONE, Key("alternative", Tables(lambda: Table(PACK_ONE), 12), default=(), field="-")))
AUXILIARY: Final = Table(
    (
        Key("base_power", BASE_POWER, sigma_ratio=0.3, typical=certified.AUXILIARY_W),
        Key("heater_limit", POWER),
        Key("air_conditioning_limit", POWER),
        Key("heating_per_kelvin", POWER_PER_KELVIN, sigma_ratio=0.3),
        Key("cooling_per_kelvin", POWER_PER_KELVIN, sigma_ratio=0.3),
        Key("comfort_low", AMBIENT),
        Key("comfort_high", AMBIENT),
    )
)
INSTRUMENTS: Final = Table(
    (
        Key("current", one_of(*CURRENT_SENSOR_SIGMAS), default=""),
        Key("current_gain", SENSOR_GAIN),
        Key("current_zero", Quantity("ampere", 0.0, 20.0, "0.3 A", "A")),
        Key("voltage_gain", SENSOR_GAIN),
        Key("speed", one_of(*SPEED_SENSOR_SIGMA_RATIO), default=""),
        Key("speed_gain", SENSOR_GAIN),
        Key("temperature_offset", Quantity("kelvin", 0.0, 10.0, "1 K", "K")),
        Key("correct", YES_NO, default=True),
    )
)
CERTIFICATE: Final = Table(
    tuple(
        Key(name, text(300), default="")
        for name in (
            "vehicle", "identification", "odometer", "configuration", "tires", "tire_pressure", "weather", "not_tested",
            "prepared_by", "prepared_for", "revision",
        )
    )
)  # fmt: skip
"""What the customer's certificate says word by word; nothing is worked out from it."""
CURVE: Final = Table(
    (
        Key("component", text(80, 1), is_required=True),
        Key("points", Parsed(_curve_points), is_required=True),
        Key("direction", one_of("discharge", "charge", "both", is_needed=True)),
        Key("quantity", one_of("rms", "peak", is_needed=True)),
        Key("source", text(300)),
        Key("channel", _CURRENT_CHANNEL),
    )
)
CONDUCTOR: Final = Table(
    (
        Key("name", text(80, 1), is_required=True),
        Key("material", one_of("copper", "aluminum", is_needed=True), default="copper"),
        Key("area", Quantity("millimeter**2", 0.5, 1_000.0, "50 mm2", "mm2"), is_required=True, field="area_mm2"),
        Key("start", TEMPERATURE, default=Measured(40.0)),
        Key("limit", TEMPERATURE, default=Measured(90.0)),
    )
)
LIMITS: Final = Table(
    (
        Key("use_typical", YES_NO, default=False),
        Key("ac_side", one_of("combined", "double-insulated"), default=""),
        Key("design_ambient", AMBIENT),
        Key("curve", Tables(lambda: CURVE, 64), default=()),
        Key("conductor", Tables(lambda: CONDUCTOR, 64), default=()),
    ),
    other=_limit,
)
TARGET: Final = Table(
    (
        Key("range", Quantity("meter", 1_000.0, 3e6, "200 mi", "m"), is_required=True),
        Key("scenario", text(80), is_required=True),
        Key("reserve", KEPT_BACK),
        Key("aging", KEPT_BACK, field="ageing_ratio"),
        Key("confidence", Quantity("", 0.5, 0.999, "90 %", "")),
    )
)
CYCLES: Final = {"UDDS": "udds", "HWFET": "hwfet", "US06": "us06", "WLTC class 3b": "wltc_3b"}
"""Standard cycles by the names of their standards, and what each is called here."""


def _cycle(raw: object) -> str:
    """A standard cycle by its standard name, however it is spelled, or by its name here."""
    said = re.sub(r"[\W_]|class", "", str(raw).lower())
    for name in CYCLES.values():
        if said == name.replace("_", "") or raw == "":
            return name if said else ""
    raise ValueError(f"expected one of {', '.join(CYCLES)}; got {raw!r}{nearest(str(raw).upper(), tuple(CYCLES))}")


SCENARIO: Final = Table(
    (
        Key("name", text(80, 1), is_required=True),
        Key("speed", SPEED),
        Key("cycle", Parsed(_cycle, is_scalar=True, allowed=f"one of {', '.join(CYCLES)}"), default=""),
        Key("mix", Parsed(_mix), default={}, field="parts"),
        Key("route", text(4096), default="", field="-"),
        Key("drive", text(80), default=""),
        Key("ambient", AMBIENT),
        Key("pressure", Quantity("pascal", 45_000.0, 110_000.0, "1013 hPa", "Pa"), field="-"),
        Key("altitude", ALTITUDE),
        Key("humidity", RATIO, field="relative_humidity_ratio"),
        Key("payload", Quantity("kilogram", -2_000.0, 20_000.0, "150 kg", "kg")),
        Key("headwind", Quantity("meter/second", -40.0, 40.0, "10 mph", "m/s")),
        Key("grade", Quantity("", -0.5, 0.5, "6 %", "")),
        Key("drag_area_factor", FACTOR),
        Key("rolling_factor", FACTOR),
        Key("cabin_climate", YES_NO),
        Key("warm_start", YES_NO),
        Key("cells", AMBIENT, field="cell_temperature_degc"),
        Key("wet", YES_NO, default=False),
        Key("round_trip", YES_NO),
    )
)
BUILD_FILE: Final = Table(
    (
        Key("build", BUILD, is_required=True),
        Key("vehicle", VEHICLE, is_required=True),
        Key("gearing", GEARING, is_required=True),
        Key("motor", MOTOR, is_required=True),
        Key("powertrain", POWERTRAIN, default=Given(POWERTRAIN)),
        Key("pack", PACK, is_required=True),
        Key("auxiliary", AUXILIARY, default=Given(AUXILIARY)),
        Key("instruments", INSTRUMENTS, default=Given(INSTRUMENTS)),
        Key("certificate", CERTIFICATE, default=Given(CERTIFICATE)),
        Key("limits", LIMITS, default=Given(LIMITS)),
        Key("target", TARGET, is_required=True),
        Key("scenario", Tables(lambda: SCENARIO, 100, 1), is_required=True),
    )
)
