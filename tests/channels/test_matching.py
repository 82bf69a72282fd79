import numpy as np
import pytest

from logan.channels.matching import suggest
from logan.frames.table import SignalColumn, SignalTable
from tests.channels.columns import column, table, twin_table
from tests.drive.twins import urban_drive


def first(suggestions):
    return {one.channel: one.candidates[0] for one in suggestions}


def declared(name, **more):
    """A signal of a DBC, without data."""
    return SignalColumn(name=name, time_ns=np.empty(0, dtype=np.int64), value=np.empty(0), **more)


def test_every_channel_of_a_twin_is_found_by_its_own_name():
    drive = urban_drive()
    units = {"state_of_charge": ("%", 0.01, 0.0), "accelerator": ("%", 0.01, 0.0), "speed": ("km/h", 1 / 3.6, 0.0)}
    found = first(suggest(twin_table(drive, units=units)))
    wanted = {name for name in drive if name not in {"heading", "dcdc_power", "brake_switch", "contactor_closed"}}
    wrong = {
        name: found[name].signal if name in found else None
        for name in wanted
        if name not in found or found[name].signal != name
    }
    assert wrong == {}


def nameless(drive, names, signs=None):
    codes = {name: f"sig_{number}" for number, name in enumerate(names)}
    columns = [
        SignalColumn(
            name=codes[name],
            time_ns=np.rint(drive[name].time_s * 1e9).astype(np.int64),
            value=(signs or {}).get(name, 1) * np.array(drive[name].value),
        )
        for name in names
    ]
    return SignalTable(columns=tuple(columns), log_format="test"), codes


NAMES = (
    "motor_temperature",
    "pack_current",
    "motor_torque",
    "pack_voltage",
    "accelerator",
    "speed",
    "motor_speed",
    "ambient_temperature",
)


@pytest.mark.parametrize("sign", [1, -1])
def test_without_any_name_the_data_finds_voltage_current_and_its_sign(sign):
    log, codes = nameless(urban_drive(), NAMES, signs={"pack_current": sign})
    found = first(suggest(log))
    assert found["pack_voltage"].signal == codes["pack_voltage"]
    assert found["pack_current"].signal == codes["pack_current"]
    assert found["pack_current"].sign == sign
    assert "when it rises" in " ".join(found["pack_current"].evidence)


def test_without_any_name_the_data_finds_road_and_motor_speed():
    log, codes = nameless(urban_drive(), NAMES)
    found = first(suggest(log))
    assert found["speed"].signal == codes["speed"]
    assert found["motor_speed"].signal == codes["motor_speed"]
    assert "in proportion to" in " ".join(found["motor_speed"].evidence)


def test_a_misleading_name_loses_against_the_data():
    drive = urban_drive()
    time_ns = np.rint(drive["pack_current"].time_s * 1e9).astype(np.int64)
    log = SignalTable(
        columns=(
            SignalColumn(name="PackCurrent", unit="A", time_ns=time_ns, value=np.zeros(time_ns.size)),
            SignalColumn(name="BatteryAmps", unit="A", time_ns=time_ns, value=np.array(drive["pack_current"].value)),
            SignalColumn(name="PackVoltage", unit="V", time_ns=time_ns, value=np.array(drive["pack_voltage"].value)),
        ),
        log_format="test",
    )
    found = suggest(log)
    best = first(found)["pack_current"]
    assert best.signal == "BatteryAmps"
    loser = next(c for s in found if s.channel == "pack_current" for c in s.candidates if c.signal == "PackCurrent")
    assert "it never changes" in " ".join(loser.evidence)


def test_values_outside_a_channels_limits_speak_against_it():
    rising = np.linspace(3000, 4000, 300)
    found = first(suggest(table(column("Motor Temperature", rising, unit="degC"))))
    assert "motor_temperature" not in found


def test_equal_signals_are_a_tie_and_not_decided():
    found = suggest(table(declared("HeatingPowerA1", unit="kW"), declared("HeatingPowerB1", unit="W")))
    tie = next(one for one in found if one.channel == "heater_power")
    assert tie.is_tie
    assert len(tie.candidates) == 2


def test_several_of_a_kind_are_numbered():
    wheels = [
        declared(f"WheelSpeed_{place}", unit="km/h", bit_length=16, scale=0.01) for place in ("FL", "FR", "RL", "RR")
    ]
    found = first(suggest(table(*wheels)))
    assert [found[name].signal for name in ("wheel_speed", "wheel_speed_2", "wheel_speed_3", "wheel_speed_4")] == [
        "WheelSpeed_FL", "WheelSpeed_FR", "WheelSpeed_RL", "WheelSpeed_RR",
    ]  # fmt: skip


def test_a_request_is_not_taken_for_the_measurement():
    found = first(
        suggest(
            table(
                declared("MotorTorqueRequest", unit="Nm", bit_length=12),
                declared("MotorTorqueActual", unit="Nm", bit_length=12),
            )
        )
    )
    assert found["motor_torque"].signal == "MotorTorqueActual"
    assert found["motor_torque_command"].signal == "MotorTorqueRequest"


def test_a_foreign_unit_makes_it_another_quantity():
    found = first(suggest(table(declared("BatteryVoltage", unit="degC"))))
    assert "pack_voltage" not in found


def test_the_traction_pack_is_told_from_the_12_v_battery():
    found = first(
        suggest(
            table(
                declared("BatteryVoltage", unit="V", bit_length=8, scale=0.1),
                declared("HVBatteryVoltage", unit="V", bit_length=12, scale=0.125),
            )
        )
    )
    assert found["pack_voltage"].signal == "HVBatteryVoltage"
    assert found["auxiliary_voltage"].signal == "BatteryVoltage"


def test_message_and_comment_help_a_bare_name():
    found = first(
        suggest(
            table(
                declared("Current", message="PackStatus", unit="A"),
                declared("T1", unit="degC", comment="motor winding"),
            )
        )
    )
    assert found["pack_current"].signal == "PackStatus.Current"
    assert "its message 'PackStatus' says pack" in found["pack_current"].evidence
    assert found["motor_temperature"].signal == "T1"


def test_nothing_is_suggested_for_nothing():
    assert suggest(table()) == ()
    assert suggest(table(declared("Checksum", bit_length=8), declared("RollingCounter", bit_length=4))) == ()


def test_a_counter_is_no_channel_of_its_message():
    found = first(suggest(table(declared("COUNTER", message="Brake_Pedal", bit_length=4))))
    assert "brake_switch" not in found


def test_a_unit_that_nobody_can_read_is_asked_for():
    log = table(*(declared(f"WHL_Spd{place}", unit="km^h", bit_length=14) for place in ("FL", "FR", "RL", "RR")))
    assert first(suggest(log))["wheel_speed"].unit == ""


def test_what_comes_every_few_seconds_is_hardly_the_pedal():
    steps = np.repeat(np.random.default_rng(3).uniform(0.0, 100.0, 60), 1)
    slow = column("Accelerator_A", steps, period_s=5.0, unit="%")
    quick = column("Accelerator_B", np.repeat(steps, 50), period_s=0.1, unit="%")
    best, other = next(one for one in suggest(table(slow, quick)) if one.channel.startswith("accelerator")).candidates
    assert best.signal == "Accelerator_B"
    assert other.evidence[-1] == "but it comes every 5 s only"
