import numpy as np
import pytest

from logan.channels.mapping import map_channels, map_sources
from logan.channels.vocabulary import channel_kind
from logan.errors import ChannelError
from logan.settings import ChannelMap, ChannelSource
from tests.channels.columns import column, table

START_NS = 1_700_000_000_000_000_000


def source(channel, signal, **more):
    return ChannelSource(channel=channel, signal=signal, **more)


def mapped_value(values, channel, unit, *, signal="S", options=None, **more):
    mapped = map_channels(
        table(column(signal, values, unit=unit, **more)), ChannelMap((source(channel, signal, **(options or {})),))
    )
    return mapped, mapped.channels[channel].value


def test_sign_scale_and_unit_are_applied_in_that_order():
    mapped, value = mapped_value(
        [10.0, 20.0], "pack_current", "", options={"unit": "0.1A", "scale": 2.0, "offset": 5.0, "sign": -1}
    )
    assert value == pytest.approx([-2.5, -4.5])
    assert [step.action for step in mapped.steps] == ["scale", "sign"]


def test_the_maps_unit_wins_over_the_declared_one():
    _, value = mapped_value([100.0], "speed", "km/h", options={"unit": "mph"})
    assert value == pytest.approx([44.704])


def test_a_unit_in_capitals_is_told_as_it_was_read():
    mapped, value = mapped_value([3650.0], "cell_voltage_max", "MV")
    assert value == pytest.approx([3.65])
    assert [(step.action, step.detail, step.reason) for step in mapped.steps] == [
        ("unit", "'MV' read as mV", "rather than megaV")
    ]
    assert mapped_value([0.5], "isolation_resistance", "MOHM")[0].steps == ()


def test_a_delay_moves_the_signal_earlier():
    mapped = map_channels(
        table(column("S", [1.0, 2.0], unit="V", start_ns=START_NS)),
        ChannelMap((source("pack_voltage", "S", delay_s=0.25),)),
    )
    assert mapped.channels["pack_voltage"].time_ns[0] == START_NS - 250_000_000


def test_an_averaging_logger_is_moved_by_half_its_window():
    mapped = map_channels(
        table(column("S", [1.0, 2.0, 3.0], unit="V")), ChannelMap((source("pack_voltage", "S", is_averaged=True),))
    )
    assert mapped.channels["pack_voltage"].time_ns[0] == -50_000_000
    assert mapped.channels["pack_voltage"].is_averaged


def test_an_unsigned_current_that_regenerates_is_refused_with_the_numbers():
    current = np.concatenate([np.linspace(0, 120, 90), np.array([6551.0, 6540.5, 6530.0, 6545.0])])
    with pytest.raises(ChannelError) as caught:
        mapped_value(current, "pack_current", "A", bit_length=16, scale=0.1, is_signed=False)
    text = str(caught.value)
    assert "pack_current: reads 6,543 A in 4.3 % of its samples" in text
    assert "nothing between 120 and 6,530 A" in text
    assert "the DBC declares it unsigned" in text
    assert "-24 to -3 A" in text
    assert "signed = true" in text


def test_the_override_reads_it_as_signed():
    current = np.array([10.0, 120.0, 6551.0, 6530.0])
    mapped, value = mapped_value(
        current, "pack_current", "A", bit_length=16, scale=0.1, is_signed=False, options={"signed": True}
    )
    assert value == pytest.approx([10.0, 120.0, -2.6, -23.6])
    assert mapped.steps[0].action == "signed"


def test_a_table_that_wrapped_is_refused_and_can_be_put_right_too():
    current = np.concatenate([np.arange(0, 120, 0.1), 6553.6 - np.arange(0.1, 60, 0.1)])
    with pytest.raises(ChannelError, match="the export wrote it unsigned"):
        mapped_value(current, "pack_current", "A")
    _, value = mapped_value(current, "pack_current", "A", options={"signed": True})
    assert value.min() == pytest.approx(-59.9, abs=0.01)


def test_an_offset_coded_current_is_no_wrap():
    codes = np.array([32000.0, 33000.0, 34500.0, 32768.0, 31000.0])
    mapped, value = mapped_value(
        codes * 0.1 - 3276.8, "pack_current", "A", bit_length=16, scale=0.1, offset=-3276.8, is_signed=False
    )
    assert value == pytest.approx(codes * 0.1 - 3276.8)
    assert mapped.flags == ()


def test_percent_taken_for_a_ratio_is_refused_with_a_hint():
    with pytest.raises(ChannelError, match=r"state_of_charge: 100 % of its values lie outside -0.05 to 1.1 .*percent"):
        mapped_value(np.linspace(90, 60, 50), "state_of_charge", "ratio")


def test_fahrenheit_taken_for_celsius_is_refused_with_a_hint():
    with pytest.raises(ChannelError, match="They would fit in degF"):
        mapped_value(np.linspace(300.0, 380.0, 50), "motor_temperature", "degC")


def test_an_impossible_map_can_be_let_through_as_a_red_flag():
    odd = table(column("S", np.linspace(90, 60, 50), unit="ratio"))
    mapped = map_channels(odd, ChannelMap((source("state_of_charge", "S"),)), is_strict=False)
    assert [flag.code for flag in mapped.flags] == ["impossible_map"]
    assert mapped.channels["state_of_charge"].value[0] == 90


@pytest.mark.parametrize(
    ("values", "unit", "more", "channel", "code"),
    [
        (
            [380.0, 381.0, 6553.5, 382.0],
            "V",
            {"bit_length": 16, "scale": 0.1, "is_signed": False},
            "pack_voltage",
            6553.5,
        ),
        ([380.0, 381.0, 6553.5, 382.0], "V", {}, "pack_voltage", 6553.5),
        ([12.0, 14.0, -40.0, 13.0], "degC", {}, "ambient_temperature", -40.0),
        (
            [25.0, 26.0, 215.0, 27.0],
            "degC",
            {"bit_length": 8, "offset": -40.0, "is_signed": False},
            "pack_temperature",
            215.0,
        ),
        ([0.0, 1.0, 3.0, 1.0], "", {"bit_length": 2, "is_signed": False}, "brake_switch", 3.0),
        ([5.0, 9.0, 14.0, 7.0], "A", {"choices": {14: "Signal not available"}}, "pack_current", 14.0),
        ([20.0, 429496.7295, 21.0], "A", {}, "pack_current", 429496.7295),
    ],
)
def test_not_available_codes_are_blanked_and_noted(values, unit, more, channel, code):
    mapped, value = mapped_value(values, channel, unit, **more)
    assert np.isnan(value).sum() == 1
    assert np.isnan(value[values.index(code)])
    assert mapped.steps[-1].action == "not_available"


def test_a_value_that_is_merely_large_is_no_code():
    ramp = np.linspace(0, 6553.5, 200)  # the top of the code is reached by a ramp
    _, value = mapped_value(ramp * 0.01, "speed", "m/s", bit_length=16, scale=0.001, is_signed=False)
    assert np.isfinite(value).all()


def test_declared_codes_are_blanked_even_when_recognition_is_off():
    odd = table(column("S", [380.0, 999.0, 6553.5], unit="V"))
    only = ChannelMap((source("pack_voltage", "S", not_available=(999.0,)),))
    value = map_channels(odd, only, drop_not_available=False).channels["pack_voltage"].value
    assert np.isnan(value[1])
    assert value[2] == 6553.5


def test_every_fault_of_a_map_is_said_at_once():
    log = table(
        column("A", [1.0], unit="V"),
        column("B", [1.0], unit="", message="M1"),
        column("B", [1.0], unit="", message="M2"),
    )
    faulty = ChannelMap((source("pack_voltag", "A"), source("speed", "B"), source("pack_current", "A")))
    with pytest.raises(ChannelError) as caught:
        map_channels(log, faulty)
    text = str(caught.value)
    assert "did you mean 'pack_voltage'" in text
    assert "'B' fits 2 signals (M1.B, M2.B)" in text
    assert "'V' is no known unit of pack current" in text


def test_a_missing_signal_is_flagged_with_the_nearest_name():
    log = table(column("Voltage", [380.0], unit="V"), column("Speed", [1.0], unit="m/s"))
    mapped = map_channels(log, ChannelMap((source("pack_voltage", "Voltage"), source("speed", "Sped"))))
    assert [flag.code for flag in mapped.flags] == ["signal_missing"]
    assert "nearest is 'Speed'" in mapped.flags[0].evidence


def test_a_map_of_another_log_is_refused():
    with pytest.raises(ChannelError, match="no signal of the channel map is in the log"):
        map_channels(table(column("A", [1.0], unit="V")), ChannelMap((source("speed", "X"),)))


def test_byte_order_of_a_table_is_refused():
    with pytest.raises(ChannelError, match="not bits of a frame"):
        mapped_value([1.0], "pack_voltage", "V", options={"byte_order": "big_endian"})


def test_the_codes_of_a_frame_keep_their_byte_order_note():
    mapped, _ = mapped_value([380.0], "pack_voltage", "V", bit_length=16, options={"byte_order": "big_endian"})
    assert mapped.steps[0].detail == "bits read as big endian"


def test_power_in_kilowatts_called_watts_contradicts_voltage_times_current():
    current = 40.0 + 30.0 * np.sin(np.arange(300) / 9.0)
    log = table(
        column("V", np.full(300, 360.0), unit="V"),
        column("I", current, unit="A"),
        column("P", 0.36 * current, unit="W"),
    )
    mapped = map_channels(
        log, ChannelMap((source("pack_voltage", "V"), source("pack_current", "I"), source("pack_power", "P")))
    )
    assert [flag.code for flag in mapped.flags] == ["unit_contradiction"]
    assert "1000" in mapped.flags[0].title


def test_miles_called_kilometres_contradict_the_satellites():
    speed = 20.0 + 5.0 * np.sin(np.arange(300) / 20.0)
    log = table(column("S", speed * 3.6 / 1.609344, unit="km/h"), column("G", speed, unit="m/s"))
    mapped = map_channels(log, ChannelMap((source("speed", "S"), source("gnss_speed", "G"))))
    assert [flag.code for flag in mapped.flags] == ["unit_contradiction"]


@pytest.mark.parametrize(
    ("judged", "reference", "level", "ratio", "title"),
    [
        ("gnss_speed", "speed", 20.0, 3.6, "3.6"),
        ("gnss_speed", "speed", 20.0, 1.609344, "1.60934"),
        ("inverter_voltage", "pack_voltage", 360.0, 0.1, "10"),
        ("motor_torque", "motor_torque_command", 120.0, 0.1, "10"),
        ("cell_voltage_max", "cell_voltage_min", 3.7, 0.001, "1000"),
    ],
)
def test_two_of_one_quantity_that_differ_by_a_units_ratio_contradict_each_other(judged, reference, level, ratio, title):
    unit = channel_kind(judged).unit
    value = level * (1.0 + 0.1 * np.sin(np.arange(300) / 15.0))
    log = table(column("A", value * ratio, unit=unit), column("B", value, unit=unit))
    mapped = map_channels(log, ChannelMap((source(judged, "A"), source(reference, "B"))))
    (flag,) = mapped.flags
    assert flag.code == "unit_contradiction"
    assert flag.title.endswith(f"by a factor of {title}")


def test_agreeing_channels_raise_no_flag():
    speed = 20.0 + 5.0 * np.sin(np.arange(300) / 20.0)
    log = table(column("S", speed * 3.6, unit="km/h"), column("G", speed * 1.01, unit="m/s"))
    assert map_channels(log, ChannelMap((source("speed", "S"), source("gnss_speed", "G")))).flags == ()


def test_several_logs_share_one_map_and_a_track_maps_itself():
    can = table(column("Spd", [10.0, 11.0], unit="km/h"))
    track = table(column("elevation", [5.0, 6.0], unit="m"), column("gnss_speed", [2.0, 3.0], unit="m/s"))
    mapped = map_sources([can, track], ChannelMap((source("speed", "Spd"), source("pack_voltage", "V"))))
    assert [sorted(part.channels) for part in mapped] == [["speed"], ["elevation", "gnss_speed"]]
    assert [flag.code for flag in mapped[0].flags] == ["signal_missing"]


def test_a_track_speaks_for_a_channel_whose_signal_no_log_has():
    """The map names the receiver's signals; where it was not on the bus that day, the phone's track stands in."""
    sources = ChannelMap((source("speed", "Spd"), source("latitude", "Lat"), source("elevation", "Height")))
    can = table(column("Spd", [1.0], unit="m/s"), column("Height", [5.0], unit="m"))
    track = table(column("latitude", [10.0], unit="deg"), column("elevation", [9.0], unit="m"))
    mapped = map_sources([can, track], sources)
    assert [sorted(part.channels) for part in mapped] == [["elevation", "speed"], ["latitude"]]
    assert not [flag for part in mapped for flag in part.flags if flag.code == "signal_missing"]


def test_no_log_with_any_signal_of_the_map_is_refused():
    with pytest.raises(ChannelError, match="in any of the logs"):
        map_sources([table(column("A", [1.0], unit="V"))], ChannelMap((source("speed", "X"),)))


@pytest.mark.parametrize("options", [{"signed": True}, {"signed": True, "byte_order": "big_endian"}])
def test_the_overrides_keep_the_not_available_codes(options):
    current = np.array([-20.0, 10.0, 3276.7, 50.0, -0.1, -3276.8])
    more = {"bit_length": 16, "scale": 0.1, "choices": {65535: "SNA"}, "is_signed": True}
    mapped, value = mapped_value(current, "pack_current", "A", **more, options=options)
    # 0x7FFF and 0x8000 by their place, 0xFFFF by the DBC's word for it: -0.1 as a signed number.
    assert np.array_equal(np.isnan(value), [False, False, True, False, True, True])
    assert {step.action for step in mapped.steps} >= {"signed", "not_available"}


def test_a_code_is_blanked_as_it_was_read_before_the_override_too():
    for code in (6553.5, -0.1):
        _, value = mapped_value(
            [-20.0, -0.1, 10.0],
            "pack_current",
            "A",
            bit_length=16,
            scale=0.1,
            is_signed=True,
            options={"signed": True, "not_available": (code,)},
        )
        assert np.array_equal(np.isnan(value), [False, True, False])


@pytest.mark.parametrize("factor", [3.6 / 1.609344, 1.0 / 3.6])
def test_twelve_seconds_with_a_satellite_receiver_tell_the_unit_of_speed(factor):
    speed = 20.0 + np.sin(np.arange(120) / 9.0)
    log = table(column("S", speed * factor, unit="m/s"), column("G", speed[::10], unit="m/s", period_s=1.0))
    flags = map_channels(log, ChannelMap((source("speed", "S"), source("gnss_speed", "G")))).flags
    assert [flag.severity.value for flag in flags] == ["red"]
    short = table(column("S", speed[:80] * factor, unit="m/s"), column("G", speed[:80:10], unit="m/s", period_s=1.0))
    assert map_channels(short, ChannelMap((source("speed", "S"), source("gnss_speed", "G")))).flags == ()


def test_columns_that_are_there_and_unused_are_named_once():
    value = np.linspace(10.0, 20.0, 200)
    names = {"Speed": "km/h", "GPS Latitude": "deg", "GPS Longitude": "deg", "Remark": "", "Motor Temp": "degC"}
    log = table(*(column(name, value, unit=unit) for name, unit in names.items()))
    (flag,) = map_channels(log, ChannelMap((source("speed", "Speed"), source("motor_temperature", "Motor Temp")))).flags
    assert flag.code == "columns_unused"
    assert flag.evidence == "latitude (GPS Latitude), longitude (GPS Longitude)"
    assert flag.severity.value == "note"
