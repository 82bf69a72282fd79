"""The channels logan knows: one canonical name, one SI unit and one meaning each, and the units each may be in.

A vehicle may have several of a kind: the second motor's temperature is
``motor_temperature_2``. ``channel_kind`` strips the number.
"""

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logan.errors import ChannelError
from logan.units.algebra import UnitConversion, conversion


class Interpolation(StrEnum):
    """How a channel behaves between two samples."""

    LINEAR = "linear"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class ChannelKind:
    """One kind of channel.

    Parameters
    ----------
    name : str
        Canonical name.
    unit : str
        SI unit that values are held in, as ``logan.units.algebra`` reads it.
    meaning : str
        One line, with the sign where there is one.
    interpolation : Interpolation
        Linear for what moves smoothly, hold for states and commands.
    low, high : float
        Values beyond these are impossible for a road vehicle and are flagged.
    group : str
        Where it belongs: pack, motor, cooling, auxiliary, driver, motion, place, ambient, limit.
    """

    name: str
    unit: str
    meaning: str
    interpolation: Interpolation
    low: float
    high: float
    group: str


_LINEAR, _HOLD = Interpolation.LINEAR, Interpolation.HOLD
_TEMPERATURE = ("degC", _LINEAR, -50.0, 250.0)


def _temperature(name: str, meaning: str, group: str) -> ChannelKind:
    unit, interpolation, low, high = _TEMPERATURE
    return ChannelKind(name, unit, meaning, interpolation, low, high, group)


CHANNEL_KINDS: Final[tuple[ChannelKind, ...]] = (
    ChannelKind("pack_voltage", "V", "pack terminal voltage", _LINEAR, 0.0, 1500.0, "pack"),
    ChannelKind("pack_current", "A", "pack current, positive on discharge", _LINEAR, -3000.0, 3000.0, "pack"),
    ChannelKind("pack_power", "W", "pack power, positive on discharge", _LINEAR, -2e6, 2e6, "pack"),
    ChannelKind("state_of_charge", "ratio", "SOC, 0 to 1", _LINEAR, -0.05, 1.1, "pack"),
    ChannelKind("pack_charge", "A*h", "charge counted by the BMS, positive when taken out", _LINEAR, -1e5, 1e5, "pack"),
    ChannelKind("cell_voltage_min", "V", "lowest cell voltage", _LINEAR, 0.0, 5.0, "pack"),
    ChannelKind("cell_voltage_max", "V", "highest cell voltage", _LINEAR, 0.0, 5.0, "pack"),
    ChannelKind("cell_voltage", "V", "voltage of one cell or group", _LINEAR, 0.0, 5.0, "pack"),
    ChannelKind("cell_number_min", "ratio", "number of the lowest cell", _HOLD, 0.0, 10_000.0, "pack"),
    ChannelKind("cell_number_max", "ratio", "number of the highest cell", _HOLD, 0.0, 10_000.0, "pack"),
    _temperature("pack_temperature", "mean pack temperature", "pack"),
    _temperature("cell_temperature_min", "coldest cell", "pack"),
    _temperature("cell_temperature_max", "hottest cell", "pack"),
    _temperature("cell_temperature", "one sensor in the pack", "pack"),
    ChannelKind("isolation_resistance", "ohm", "resistance from the pack to the chassis", _LINEAR, 0.0, 1e9, "pack"),
    ChannelKind("contactor_closed", "ratio", "1 when the main contactors are closed", _HOLD, 0.0, 1.0, "pack"),
    ChannelKind("charging", "ratio", "1 while plugged in and charging", _HOLD, 0.0, 1.0, "pack"),
    ChannelKind("motor_speed", "rad/s", "motor shaft speed, positive forward", _LINEAR, -3500.0, 3500.0, "motor"),
    ChannelKind("motor_torque", "N*m", "motor torque, positive drives forward", _LINEAR, -3000.0, 3000.0, "motor"),
    ChannelKind("motor_torque_command", "N*m", "torque asked of the inverter", _HOLD, -3000.0, 3000.0, "motor"),
    ChannelKind("motor_current", "A", "motor phase current, RMS", _LINEAR, -3000.0, 3000.0, "motor"),
    ChannelKind("motor_current_command", "A", "phase current asked of the inverter", _HOLD, -3000.0, 3000.0, "motor"),
    _temperature("motor_temperature", "motor winding or stator", "motor"),
    _temperature("rotor_temperature", "rotor or its magnets", "motor"),
    _temperature("inverter_temperature", "inverter plate or module", "motor"),
    _temperature("gearbox_oil_temperature", "reduction gear oil", "motor"),
    ChannelKind("inverter_voltage", "V", "DC voltage at the inverter", _LINEAR, 0.0, 1500.0, "motor"),
    ChannelKind(
        "inverter_current", "A", "DC current into the inverter, positive drives", _LINEAR, -3000.0, 3000.0, "motor"
    ),
    _temperature("coolant_temperature", "coolant at the inlet of the drive unit", "cooling"),
    _temperature("coolant_temperature_outlet", "coolant at the outlet of the drive unit", "cooling"),
    ChannelKind("coolant_flow", "m^3/s", "coolant flow", _LINEAR, 0.0, 0.02, "cooling"),
    ChannelKind("pump_duty", "ratio", "coolant pump duty", _HOLD, 0.0, 1.0, "cooling"),
    ChannelKind("fan_duty", "ratio", "radiator fan duty", _HOLD, 0.0, 1.0, "cooling"),
    ChannelKind("auxiliary_voltage", "V", "12 V system voltage", _LINEAR, 0.0, 60.0, "auxiliary"),
    ChannelKind(
        "auxiliary_current", "A", "12 V system current, positive when consumed", _LINEAR, -500.0, 500.0, "auxiliary"
    ),
    ChannelKind("auxiliary_power", "W", "power of all auxiliaries, from the pack", _LINEAR, 0.0, 30e3, "auxiliary"),
    ChannelKind("dcdc_power", "W", "DC-DC converter, power taken from the pack", _LINEAR, 0.0, 10e3, "auxiliary"),
    _temperature("dcdc_temperature", "DC-DC converter", "auxiliary"),
    ChannelKind("heater_power", "W", "electric heater", _LINEAR, 0.0, 20e3, "auxiliary"),
    ChannelKind("air_conditioning_power", "W", "air-conditioning compressor", _LINEAR, 0.0, 10e3, "auxiliary"),
    ChannelKind("charger_power_ac", "W", "power drawn from the wall", _LINEAR, 0.0, 400e3, "auxiliary"),
    ChannelKind("charger_voltage_ac", "V", "wall voltage", _LINEAR, 0.0, 600.0, "auxiliary"),
    ChannelKind("charger_current_ac", "A", "wall current", _LINEAR, 0.0, 500.0, "auxiliary"),
    ChannelKind("pilot_duty", "ratio", "duty cycle of the charging point's pilot", _HOLD, 0.0, 1.0, "auxiliary"),
    ChannelKind("charger_voltage", "V", "charger output towards the pack", _LINEAR, 0.0, 1500.0, "auxiliary"),
    ChannelKind("charger_current", "A", "charger output, positive into the pack", _LINEAR, -10.0, 1000.0, "auxiliary"),
    ChannelKind("dcdc_voltage", "V", "DC-DC converter, 12 V side", _LINEAR, 0.0, 60.0, "auxiliary"),
    ChannelKind("dcdc_current", "A", "DC-DC converter, 12 V side", _LINEAR, -500.0, 500.0, "auxiliary"),
    _temperature("charger_temperature", "charger", "auxiliary"),
    _temperature("cable_temperature", "cable lug, fuse or contactor terminal", "auxiliary"),
    ChannelKind("accelerator", "ratio", "accelerator pedal, 0 to 1", _HOLD, 0.0, 1.1, "driver"),
    ChannelKind("brake_switch", "ratio", "1 while the brake pedal is pressed", _HOLD, 0.0, 1.0, "driver"),
    ChannelKind("brake_pressure", "Pa", "hydraulic brake pressure", _LINEAR, -1e6, 3e7, "driver"),
    ChannelKind("gear", "ratio", "selected gear or direction, -1 reverse", _HOLD, -3.0, 12.0, "driver"),
    ChannelKind("marker", "ratio", "driver's marker button", _HOLD, -1e9, 1e9, "driver"),
    ChannelKind("speed", "m/s", "road speed", _LINEAR, -20.0, 120.0, "motion"),
    ChannelKind("gnss_speed", "m/s", "road speed from satellite Doppler", _LINEAR, -5.0, 120.0, "motion"),
    ChannelKind("wheel_speed", "m/s", "speed of one wheel", _LINEAR, -20.0, 120.0, "motion"),
    ChannelKind("acceleration", "m/s^2", "longitudinal acceleration", _LINEAR, -15.0, 15.0, "motion"),
    ChannelKind("odometer", "m", "total distance", _LINEAR, 0.0, 3e9, "motion"),
    ChannelKind("latitude", "deg", "latitude, positive north", _LINEAR, -90.0, 90.0, "place"),
    ChannelKind("longitude", "deg", "longitude, positive east", _LINEAR, -180.0, 180.0, "place"),
    ChannelKind("elevation", "m", "height above sea level", _LINEAR, -500.0, 6000.0, "place"),
    ChannelKind("heading", "deg", "heading over ground, clockwise from north", _HOLD, -180.0, 360.0, "place"),
    ChannelKind("grade", "ratio", "slope, positive uphill", _LINEAR, -0.5, 0.5, "place"),
    _temperature("ambient_temperature", "outside air", "ambient"),
    ChannelKind("barometric_pressure", "Pa", "outside air pressure", _LINEAR, 4e4, 1.1e5, "ambient"),
    ChannelKind("relative_humidity", "ratio", "outside relative humidity, 0 to 1", _LINEAR, 0.0, 1.0, "ambient"),
    ChannelKind("headwind", "m/s", "wind against the direction of travel", _LINEAR, -50.0, 50.0, "ambient"),
    _temperature("cabin_temperature", "cabin air", "ambient"),
    ChannelKind("tyre_pressure", "Pa", "tire pressure, gauge", _LINEAR, 0.0, 1.5e6, "ambient"),
    ChannelKind("discharge_current_limit", "A", "discharge current allowed by the BMS", _HOLD, 0.0, 5000.0, "limit"),
    ChannelKind(
        "charge_current_limit", "A", "charge current allowed by the BMS, positive", _HOLD, 0.0, 5000.0, "limit"
    ),
    ChannelKind("discharge_power_limit", "W", "discharge power allowed", _HOLD, 0.0, 2e6, "limit"),
    ChannelKind("charge_power_limit", "W", "charge power allowed, positive", _HOLD, 0.0, 2e6, "limit"),
    ChannelKind("drive_torque_limit", "N*m", "drive torque allowed by the inverter", _HOLD, 0.0, 3000.0, "limit"),
    ChannelKind("regen_torque_limit", "N*m", "regen torque allowed, positive", _HOLD, 0.0, 3000.0, "limit"),
)

_BY_NAME: Final = {kind.name: kind for kind in CHANNEL_KINDS}
_NUMBERED: Final = re.compile(r"^(?P<name>.+)_(?P<number>[1-9][0-9]?)$")


def channel_kind(channel: str) -> ChannelKind | None:
    """Return the kind of a channel such as ``motor_temperature_2``; None for an unknown name."""
    kind = _BY_NAME.get(channel)
    if kind is None and (match := _NUMBERED.match(channel)):
        kind = _BY_NAME.get(match["name"])
    return kind


def channel_names() -> tuple[str, ...]:
    """All canonical names, in catalogue order."""
    return tuple(_BY_NAME)


_UNITLESS: Final = frozenset(
    {"contactor_closed", "charging", "brake_switch", "gear", "marker", "cell_number_min", "cell_number_max"}
)
_UNITLESS_WORDS: Final = frozenset(
    {"", "-", "--", "1", "0/1", "bool", "boolean", "bit", "flag", "on/off", "state", "status", "enum", "none", "n/a",
     "ratio"}
)  # fmt: skip
_ONE_OF_EACH_UNIT: Final = tuple({kind.unit: kind for kind in CHANNEL_KINDS if kind.name not in _UNITLESS}.values())


def is_switch(kind: ChannelKind) -> bool:
    """True for a kind that counts or switches and therefore needs no unit."""
    return kind.name in _UNITLESS


def conversion_to_si(unit_text: str, kind: ChannelKind, *, place: str = "") -> UnitConversion:
    """Find how numbers in a unit, as somebody wrote it, become the SI unit of a kind of channel.

    Parameters
    ----------
    unit_text : str
        Free text, such as ``"km/h"``, ``"°C"``, ``"0.1V"`` or ``"%"``.
    kind : ChannelKind
        What the numbers are.
    place : str
        What to call it in the error; the kind's name where empty.

    Raises
    ------
    ChannelError
        If the unit is missing, unknown, or of another dimension.
    """
    where = place or kind.name
    found = _lookup(unit_text, kind)
    if found is not None:
        return found
    example = unit_examples(kind)
    if not unit_text.strip():
        raise ChannelError(f"{where}: no unit is declared", f'Give it in the map, such as unit = "{example[0]}"')
    raise ChannelError(
        f"{where}: '{unit_text}' is no known unit of {kind.meaning}",
        "Give one in the map, such as " + " or ".join(f'unit = "{text}"' for text in example),
    )


def is_unit_of(unit_text: str, kind: ChannelKind) -> bool:
    """True when the text is a unit that fits the kind (an empty one fits a switch only)."""
    return _lookup(unit_text, kind) is not None


def is_known_unit(unit_text: str) -> bool:
    """True when the text is a unit of any kind of channel; False for what nobody can read, such as ``km^h``."""
    return any(is_unit_of(unit_text, kind) for kind in _ONE_OF_EACH_UNIT)


def unit_examples(kind: ChannelKind) -> tuple[str, ...]:
    """Units that a user may write for a kind, the commonest first."""
    examples = {
        "ratio": ("%", "ratio"), "degC": ("degC", "degF"), "m/s": ("km/h", "mph"), "rad/s": ("rpm", "rad/s"),
        "Pa": ("kPa", "bar", "psi"), "W": ("kW", "W"), "m": ("km", "mi", "m"), "m^3/s": ("l/min", "l/h"),
        "m/s^2": ("m/s^2", "g"), "N*m": ("Nm", "lb-ft"), "ohm": ("kOhm", "ohm"), "A*h": ("Ah",), "V": ("V", "mV"),
        "A": ("A", "mA"), "deg": ("deg",),
    }  # fmt: skip
    return examples.get(kind.unit, (kind.unit,))


def _lookup(unit_text: str, kind: ChannelKind) -> UnitConversion | None:
    if is_switch(kind):
        # As a bare number it counts itself.
        text = re.sub(r"[\s_\[\](){}<>]+", "", unit_text).lower()
        return UnitConversion() if text.removeprefix("unit") in _UNITLESS_WORDS else None
    return conversion(unit_text, kind.unit)
