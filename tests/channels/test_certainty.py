"""What is sure, what is asked, and why; names, values and units are inventions."""

import numpy as np
import pytest

from logan.channels.matching import suggest
from logan.channels.profiles import PROFILES
from logan.channels.vocabulary import channel_kind
from logan.frames.table import SignalColumn, SignalTable
from tests.channels.columns import column, table
from tests.drive.twins import urban_drive


def declared(name, message="", unit="", bits=16, **more):
    empty = {"time_ns": np.empty(0, dtype=np.int64), "value": np.empty(0)}
    return SignalColumn(name=name, message=message, unit=unit, bit_length=bits, **empty, **more)


def suggestion(channel, *columns):
    found = {one.channel: one for one in suggest(SignalTable(columns=columns, log_format="test"))}
    return found.get(channel)


@pytest.mark.parametrize(
    ("channel", "signal"),
    [
        ("pack_voltage", declared("PackVoltage", "BMS_Main", "V", scale=0.1)),
        ("pack_voltage", declared("HV_Battery_Volts", "BCU1", "V", scale=0.1)),
        ("pack_current", declared("PackCurrent", "BMS_Main", "A", scale=0.1, is_signed=True)),
        ("state_of_charge", declared("PackSOC", "BMS_State", "%", 8, scale=0.5)),
        ("cell_voltage_min", declared("MinCellVoltage", "BMS_Cells", "mV")),
        ("motor_speed", declared("MotorSpeed", "INV_1", "rpm", is_signed=True)),
        ("motor_temperature", declared("MotorTemp", "INV_2", "degC", 8, offset=-40.0)),
        ("inverter_temperature", declared("InverterTemp", "INV_2", "°F", 8)),
        ("speed", declared("VehicleSpeed", "Dash", "km/h", scale=0.01)),
        ("auxiliary_voltage", declared("AuxBatteryVoltage", "Body", "V", 8, scale=0.1)),
        ("odometer", declared("Odometer", "Dash", "km", 24)),
        ("gear", declared("GearSelected", "Shifter", "", 4, choices={0: "P", 1: "R", 2: "N", 3: "D"})),
    ],
)
def test_a_name_that_says_all_with_unit_and_reach_is_sure(channel, signal):
    found = suggestion(channel, signal)
    assert found.is_sure, found.candidates[0].doubt


@pytest.mark.parametrize(
    ("channel", "signal", "why"),
    [
        ("cell_voltage_max", declared("HistCellVoltageMax", "BMS_Cells", "mV"), "also says history"),
        ("cell_voltage", declared("Cell_Voltage", "BMS_History", "mV"), "message or comment speaks of history"),
        ("cell_voltage_min", declared("MinCellVoltageLimit", "BMS_Cells", "mV"), "also says limit"),
        ("motor_speed", declared("MotorSpeedTarget", "INV_1", "rpm"), "also says command"),
        ("motor_torque", declared("MotorTorqueFault", "INV_1", "Nm"), "also says validity"),
        ("motor_temperature", declared("MotorIntakeTemp", "INV_2", "degC", 8), "also says intake"),
        ("coolant_temperature", declared("CoolantFluidLevelTemp", "Body", "degC", 8), "also says fluid"),
        ("pack_voltage", declared("PackVoltageChecksum", "BMS_Main", "V"), "also says counter"),
        ("pack_current", declared("BatteryCurrent", "Body_1", "A", scale=0.05, is_signed=True), "12 V battery's"),
        ("state_of_charge", declared("BatterySOC", "Body_1", "%", 8), "12 V battery's"),
        ("pack_current", declared("Battery12VCurrent", "BMS_Main", "A", scale=0.1), "also says 12 V"),
        ("pack_voltage", declared("PackVoltage", "BMS_Main", "V", 8, scale=0.1), "reaches"),
        ("pack_voltage", declared("PackVoltage", "BMS_Main", "", scale=0.1), "no unit is declared"),
        ("motor_temperature", declared("MotorTemp", "INV_2", "deg", 8, offset=-40.0), "'deg' may be another"),
        ("motor_speed", declared("MotorSpeed", "INV_1", "rpm", comment="Engine speed"), "speaks of engine"),
        ("motor_speed", declared("Speed", "Motor_3", "rpm"), "does not say motor"),
        ("coolant_temperature", declared("EngineCoolantTemp", "ECU", "degC", 8), "combustion engine's"),
        ("accelerator", declared("ThrottlePosition", "ECU", "%", 8), "throttle valve"),
        ("speed", declared("VehicleSpeedXyzzy", "Dash", "km/h", scale=0.01), "'xyzzy' in its name"),
        ("pack_voltage", declared("PackVoltage", "BMS_Main", "V", scale=0.1, is_multiplexed=True), "now and then"),
        ("charging", declared("Charging", "OBC", "", 1), "a state is never sure by its name"),
        ("charging", declared("HeadlightChargeState", "Body", "", 2), "a state is never sure by its name"),
        ("contactor_closed", declared("MainContactor", "BMS_Main", "", 1), "a state is never sure by its name"),
        ("marker", declared("Button", "Wheel", "", 8), "a state is never sure by its name"),
        ("pack_charge", declared("PackCapacityAh", "BMS_Main", "Ah"), "never sure by its name"),
    ],
)
def test_what_is_merely_likely_is_asked_with_the_reason(channel, signal, why):
    found = suggestion(channel, signal)
    assert found is None or (not found.is_sure and why in found.candidates[0].doubt), found.candidates[0]


def test_every_profile_is_of_a_channel_that_there_is():
    assert all(channel_kind(profile.channel) is not None for profile in PROFILES)


def log_of(drive, **more):
    """The twin's own channels under plain names, and columns that somebody added."""
    names = {"pack_voltage": ("PackVoltage", "V"), "pack_current": ("PackCurrent", "A"), "speed": ("Speed", "m/s")}
    columns = [
        SignalColumn(name=name, unit=unit, time_ns=np.rint(drive[key].time_s * 1e9).astype(np.int64),
                     value=np.array(drive[key].value))
        for key, (name, unit) in names.items()
    ]  # fmt: skip
    return SignalTable(columns=(*columns, *more.pop("columns", ())), log_format="test")


def added(drive, name, value, unit=""):
    time_s = drive["pack_voltage"].time_s
    values = value(time_s) if callable(value) else np.full(time_s.size, value)
    return SignalColumn(name=name, unit=unit, time_ns=np.rint(time_s * 1e9).astype(np.int64), value=values)


def found_in(drive, *columns):
    return {one.channel: one for one in suggest(log_of(drive, columns=columns))}


def test_evidence_from_the_log_makes_a_plain_name_sure():
    drive = urban_drive()
    found = found_in(drive)
    assert found["pack_voltage"].is_sure
    assert found["pack_current"].is_sure
    assert len(found["pack_current"].candidates[0].sample) == 10


def test_a_charging_flag_at_speed_is_contradicted_by_the_drive():
    drive = urban_drive()
    off = found_in(drive, added(drive, "Charging", 0.0))["charging"].candidates[0]
    on = found_in(drive, added(drive, "Charging", 1.0)).get("charging")
    assert off.score > 0.6
    assert on is None or (on.candidates[0].score < 0.3 * off.score and not on.is_sure)


def test_history_that_never_changes_is_asked():
    drive = urban_drive()
    found = found_in(drive, added(drive, "Cell Voltage Min", 3.1, "V"))["cell_voltage_min"]
    assert found.candidates[0].doubt == "it never changes in this log"


def test_a_small_current_cannot_move_the_vehicle_and_is_asked():
    drive = urban_drive()
    rng = np.random.default_rng(3)
    small = added(drive, "Pack Current", lambda t: 1.0 + 0.5 * np.sin(t / 9.0) + rng.normal(0, 0.05, t.size), "A")
    columns = [each for each in log_of(drive) if each.name != "PackCurrent"]
    found = {one.channel: one for one in suggest(table(*columns, small))}
    assert "kW, and the drive needed about" in found["pack_current"].candidates[0].doubt


def test_a_checksum_does_not_sag():
    drive = urban_drive()
    rng = np.random.default_rng(5)
    noise = added(drive, "Frame_7", lambda t: rng.integers(180, 256, t.size).astype(float))
    found = found_in(drive, noise)
    assert all(one.candidates[0].signal != "Frame_7" or not one.is_sure for one in found.values())
    assert found["pack_voltage"].candidates[0].signal == "PackVoltage"


def test_values_beyond_what_is_usual_are_asked():
    value = 60.0 + 3.0 * np.sin(np.arange(600) / 30.0)
    found = suggest(table(column("Cell Voltage Max", value, unit="V"), column("Speed", value, unit="m/s")))
    doubts = [one.candidates[0].doubt for one in found if one.channel == "cell_voltage_max"]
    assert all(doubts)
