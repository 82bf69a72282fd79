"""What a signal's name, unit and range have to say to be a channel."""

from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What speaks for a channel.

    Parameters
    ----------
    channel : str
        Canonical name.
    quantity : frozenset of str
        One of these concepts, or a unit of the channel; empty where the subject says it all.
    subjects : tuple of (frozenset of str, float)
        For each group one of its concepts, and the credit where none is named.
    welcome : frozenset of str
        Concepts that fit in well.
    neutral : frozenset of str
        Concepts that do not matter.
    several : bool
        A vehicle may have several of them.
    bits : tuple of int
        Width of the code, at least and at most.
    reach : tuple of float
        What the code must be able to say at least, and what it need not, in SI.
    needs_unit : bool
        Without a fitting unit it is something else.
    """

    channel: str
    quantity: frozenset[str] = frozenset()
    subjects: tuple[tuple[frozenset[str], float], ...] = ()
    welcome: frozenset[str] = frozenset()
    neutral: frozenset[str] = frozenset()
    several: bool = False
    bits: tuple[int, int] = (6, 64)
    reach: tuple[float, float] = (0.0, float("inf"))
    needs_unit: bool = False

    @property
    def expected(self) -> frozenset[str]:
        """Every concept that the channel may carry."""
        named = frozenset().union(*(group for group, _ in self.subjects))
        return self.quantity | named | self.welcome | self.neutral


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


def _profile(
    channel: str,
    quantity: str,
    *subjects: str | tuple[str, float],
    welcome: str = "",
    neutral: str = "",
    **more: Any,
) -> Profile:
    groups = [(subject, 0.0) if isinstance(subject, str) else subject for subject in subjects]
    return Profile(
        channel=channel,
        quantity=_words(quantity),
        subjects=tuple((_words(words), credit) for words, credit in groups),
        welcome=_words(welcome),
        neutral=_words(neutral),
        **more,
    )


_ANY: Final = float("inf")
_SWITCH: Final = (1, 4)

PROFILES: Final[tuple[Profile, ...]] = (
    _profile("pack_voltage", "voltage", ("pack bus high_voltage", 0.25), welcome="total high_voltage",
             reach=(60.0, _ANY)),
    _profile("pack_current", "current", ("pack bus high_voltage", 0.25), welcome="total high_voltage",
             reach=(20.0, _ANY)),
    _profile("pack_power", "power", ("pack high_voltage", 0.3), welcome="total high_voltage", reach=(5e3, _ANY)),
    _profile("state_of_charge", "", "soc", welcome="pack high_voltage", neutral="percent bus"),
    _profile("state_of_charge", "percent", "pack high_voltage", welcome="high_voltage"),
    _profile("pack_charge", "charge_amount", ("pack", 0.6), neutral="discharging counter"),
    _profile("cell_voltage_min", "voltage", "cell module", "minimum", neutral="high_voltage pack"),
    _profile("cell_voltage_max", "voltage", "cell module", "maximum", neutral="high_voltage pack"),
    _profile("cell_voltage", "voltage", "cell module", neutral="high_voltage pack", several=True, reach=(0.0, 20.0)),
    _profile("cell_number_min", "validity", "cell module", "minimum", neutral="validity voltage", bits=(5, 16)),
    _profile("cell_number_max", "validity", "cell module", "maximum", neutral="validity voltage", bits=(5, 16)),
    _profile("pack_temperature", "temperature", "pack high_voltage", welcome="mean high_voltage"),
    _profile("cell_temperature_min", "temperature", "cell module pack high_voltage", "minimum",
             neutral="high_voltage pack cell"),
    _profile("cell_temperature_max", "temperature", "cell module pack high_voltage", "maximum",
             neutral="high_voltage pack cell"),
    _profile("cell_temperature", "temperature", "cell module", neutral="high_voltage pack", several=True),
    _profile("isolation_resistance", "resistance", "isolation", neutral="high_voltage pack bus"),
    _profile("contactor_closed", "", "contactor", welcome="pack total high_voltage",
             neutral="validity switch bus", bits=_SWITCH),
    _profile("charging", "", "charging", welcome="validity switch", neutral="charger pack cable", bits=_SWITCH),
    _profile("motor_speed", "rotation speed", ("motor", 0.0), neutral="rotation speed inverter", several=True,
             reach=(100.0, _ANY)),
    _profile("motor_torque", "torque", ("motor", 0.35), neutral="inverter", several=True, reach=(20.0, _ANY)),
    _profile("motor_torque_command", "torque", "asked", ("motor", 0.6), neutral="inverter", several=True,
             reach=(20.0, _ANY)),
    _profile("motor_current", "current", "motor phase", neutral="inverter motor phase", several=True,
             reach=(20.0, _ANY)),
    _profile("motor_current_command", "current", "asked", "motor phase", neutral="inverter motor phase", several=True,
             reach=(20.0, _ANY)),
    _profile("motor_temperature", "temperature", "motor", several=True),
    _profile("inverter_temperature", "temperature", "inverter", neutral="motor module", several=True),
    _profile("gearbox_oil_temperature", "temperature", "gearbox oil", welcome="oil gearbox", neutral="motor",
             several=True),
    _profile("inverter_voltage", "voltage", "inverter", neutral="motor bus input pack high_voltage", reach=(60.0, _ANY),
             several=True),
    _profile("inverter_current", "current", "inverter", neutral="motor bus input pack high_voltage", reach=(20.0, _ANY),
             several=True),
    _profile("coolant_temperature", "temperature", "coolant engine", welcome="inlet coolant",
             neutral="motor engine inverter", several=True),
    _profile("coolant_temperature_outlet", "temperature", "coolant", "outlet", neutral="motor inverter engine"),
    _profile("coolant_flow", "flow", ("coolant pump", 0.6)),
    _profile("pump_duty", "percent power rotation speed", "pump", neutral="coolant", several=True),
    _profile("fan_duty", "percent rotation speed", "fan", neutral="coolant", several=True),
    _profile("auxiliary_voltage", "voltage", "low_voltage pack", welcome="low_voltage", reach=(0.0, 70.0)),
    _profile("auxiliary_current", "current", "low_voltage", neutral="high_voltage pack"),
    _profile("auxiliary_power", "power", "low_voltage", neutral="high_voltage pack"),
    _profile("dcdc_power", "power", "dcdc", neutral="outlet inlet low_voltage"),
    _profile("dcdc_voltage", "voltage", "dcdc", welcome="low_voltage outlet", reach=(0.0, 70.0)),
    _profile("dcdc_current", "current", "dcdc", welcome="low_voltage outlet"),
    _profile("dcdc_temperature", "temperature", "dcdc"),
    _profile("heater_power", "power", "heater", neutral="aircon cabin", needs_unit=True),
    _profile("air_conditioning_power", "power", "aircon", neutral="high_voltage pack", needs_unit=True),
    _profile("charger_power_ac", "power", "charger charging", ("wall", 0.6), neutral="charger charging inlet"),
    _profile("charger_voltage_ac", "voltage", "wall", neutral="charger charging inlet", reach=(100.0, _ANY)),
    _profile("charger_current_ac", "current", "wall", neutral="charger charging inlet"),
    _profile("pilot_duty", "percent", "pilot", welcome="charging", neutral="charger inlet wall", bits=(6, 16)),
    _profile("charger_voltage", "voltage", "charger", welcome="outlet high_voltage", neutral="pack bus charging",
             reach=(60.0, _ANY)),
    _profile("charger_current", "current", "charger", welcome="outlet high_voltage", neutral="pack bus charging"),
    _profile("charger_temperature", "temperature", "charger", several=True),
    _profile("cable_temperature", "temperature", "cable contactor", neutral="charging pack", several=True),
    _profile("accelerator", "", "accelerator pedal", welcome="pedal position percent accelerator",
             neutral="motor engine switch"),
    _profile("brake_switch", "", "brake", ("switch pedal", 0.55), neutral="pedal switch validity position",
             bits=_SWITCH),
    _profile("brake_pressure", "pressure", "brake", neutral="pedal"),
    _profile("gear", "", "gear", welcome="gearbox position", neutral="validity motor displayed", bits=(2, 8)),
    _profile("marker", "", "marker", neutral="switch", bits=(1, 64)),
    _profile("speed", "speed", ("vehicle", 0.82), neutral="mean", reach=(11.0, _ANY)),
    _profile("speed", "speed", "vehicle", neutral="mean engine brake gearbox motor", reach=(11.0, _ANY)),
    _profile("gnss_speed", "speed", "satellite", neutral="vehicle position", reach=(11.0, _ANY)),
    _profile("wheel_speed", "speed rotation", "wheel", neutral="vehicle brake rotation speed", several=True),
    _profile("acceleration", "acceleration accelerator", ("long_abbreviation", 0.5), neutral="vehicle",
             needs_unit=True),
    _profile("odometer", "", "odometer", welcome="total distance", neutral="vehicle displayed counter",
             bits=(12, 64)),
    _profile("latitude", "", "latitude lat_abbreviation", welcome="satellite position", bits=(16, 64),
             neutral="latitude lat_abbreviation"),
    _profile("longitude", "", "longitude long_abbreviation", welcome="satellite position", bits=(16, 64),
             neutral="longitude long_abbreviation"),
    _profile("elevation", "", "elevation", welcome="satellite", neutral="position"),
    _profile("heading", "", "heading", welcome="satellite", neutral="vehicle"),
    _profile("grade", "", "grade", neutral="vehicle"),
    _profile("ambient_temperature", "temperature", "ambient outlet", welcome="air ambient", neutral="vehicle"),
    _profile("barometric_pressure", "pressure", ("atmosphere ambient", 0.0), welcome="air", reach=(1e5, _ANY)),
    _profile("relative_humidity", "humidity", neutral="ambient air"),
    _profile("headwind", "speed", "wind"),
    _profile("cabin_temperature", "temperature", "cabin", welcome="air"),
    _profile("tyre_pressure", "pressure", "tyre", neutral="wheel", several=True),
    _profile("discharge_current_limit", "current", "discharging", "limit maximum",
             neutral="high_voltage pack limit maximum"),
    _profile("charge_current_limit", "current", "charging regen", "limit maximum",
             neutral="high_voltage pack limit maximum charging regen"),
    _profile("discharge_power_limit", "power", "discharging", "limit maximum",
             neutral="high_voltage pack limit maximum"),
    _profile("charge_power_limit", "power", "charging regen", "limit maximum",
             neutral="high_voltage pack limit maximum charging regen"),
    _profile("drive_torque_limit", "torque", ("motor", 0.6), "limit maximum", neutral="limit maximum"),
    _profile("regen_torque_limit", "torque", "regen", "limit maximum minimum", neutral="motor limit maximum"),
)  # fmt: skip

# How much a concept that does not belong to a channel speaks against it.
AGAINST: Final[dict[str, float]] = {
    **dict.fromkeys(("counter", "history"), 0.1),
    **dict.fromkeys(("validity", "time", "parking"), 0.25),
    **dict.fromkeys(("asked", "cruise", "object", "lateral", "yaw", "steering", "intake", "seat", "fluid"), 0.3),
    **dict.fromkeys(
        ("cell", "module", "generator",
         "motor", "engine", "wheel", "inverter", "gearbox", "oil", "dcdc", "charger", "wall",
         "heater", "aircon", "low_voltage", "ambient", "cabin", "tyre", "brake", "accelerator", "cable", "contactor",
         "isolation", "pump", "fan", "gear", "odometer", "satellite", "wind", "soc", "phase", "limit", "evaporator",
         "atmosphere", "coolant", "discharging", "charging", "regen", "marker", "latitude", "longitude", "heading",
         "grade", "elevation", "derived", "humidity", "pack", "high_voltage"), 0.45,
    ),
    **dict.fromkeys(
        ("speed", "rotation", "voltage", "current", "power", "temperature", "torque", "pressure", "flow", "energy",
         "charge_amount", "resistance", "acceleration", "distance"), 0.5,
    ),
    **dict.fromkeys(("minimum", "maximum", "inlet", "outlet", "lamp"), 0.6),
    **dict.fromkeys(("switch", "pedal", "bus", "lat_abbreviation", "long_abbreviation"), 0.7),
    **dict.fromkeys(("raw", "displayed", "total", "air"), 0.85),
    **dict.fromkeys(("mean", "position", "vehicle", "percent", "instrument"), 0.93),
}  # fmt: skip
