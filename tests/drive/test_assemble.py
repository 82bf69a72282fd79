from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.channels.mapped import MappedChannel, MappedChannels
from logan.channels.mapping import map_channels
from logan.drive.assemble import assemble_drive
from logan.drive.drive import DriveConditions
from logan.errors import ChannelError
from logan.ledger.reckon import energy_ledger
from logan.results import json_ready
from logan.settings import AnalysisSettings, ChannelMap, ChannelSource
from tests.builds import example_build
from tests.channels.columns import twin_table
from tests.drive.twins import urban_drive

NO_CORRECTIONS = AnalysisSettings(correct_skew=False, level_barometer=False)


def map_of(drive, *, signs=None, names=None, **more):
    return ChannelMap(
        tuple(
            ChannelSource(channel=name, signal=(names or {}).get(name, name), sign=(signs or {}).get(name, 1), **more)
            for name in drive
        )
    )


def assembled(drive, table, **more):
    return assemble_drive(map_channels(table, map_of(drive, **more)), analysis=NO_CORRECTIONS)


def assert_same(one, other, *, within=1e-9):
    assert set(one) == set(other)
    assert one.start_ns == other.start_ns
    for name in one:
        np.testing.assert_allclose(one[name].time_s, other[name].time_s, rtol=0, atol=1e-8)
        np.testing.assert_allclose(one[name].value, other[name].value, rtol=within, atol=1e-6)


def test_a_drive_comes_out_as_it_went_in():
    drive = urban_drive()
    again = assembled(drive, twin_table(drive))
    for name in drive:
        np.testing.assert_allclose(again[name].value, drive[name].value)
    assert again.history == ()
    shift_s = (again.start_ns - drive.start_ns) * 1e-9
    np.testing.assert_allclose(again["pack_current"].time_s + shift_s, drive["pack_current"].time_s, atol=1e-6)


@settings(deadline=None, max_examples=8)
@given(
    speed=st.sampled_from(
        [("km/h", 1 / 3.6, 0.0), ("mph", 0.44704, 0.0), ("m/s", 1.0, 0.0), ("0.01km/h", 0.01 / 3.6, 0.0)]
    ),
    temperature=st.sampled_from([("degF", 5 / 9, -32 * 5 / 9), ("degC", 1.0, 0.0), ("K", 1.0, -273.15)]),
    current=st.sampled_from([("A", 1.0, 0.0), ("0.1A", 0.1, 0.0), ("mA", 0.001, 0.0)]),
    sign=st.sampled_from([1, -1]),
)
def test_units_and_sign_do_not_change_the_drive(speed, temperature, current, sign):
    drive = urban_drive()
    units = {"speed": speed, "motor_temperature": temperature, "pack_current": current}
    other = twin_table(drive, units=units, signs={"pack_current": sign}, names={"pack_current": "X"})
    again = assembled(drive, other, signs={"pack_current": sign}, names={"pack_current": "X"})
    assert_same(again, assembled(drive, twin_table(drive)))


def test_the_ledger_is_the_same_in_miles_with_the_current_turned_round():
    drive, build = urban_drive(), example_build()
    units = {"speed": ("mph", 0.44704, 0.0), "pack_voltage": ("mV", 0.001, 0.0)}
    other = twin_table(drive, units=units, signs={"pack_current": -1}, names={"pack_current": "X"})
    turned = assembled(drive, other, signs={"pack_current": -1}, names={"pack_current": "X"})
    one, two = (energy_ledger(made, build) for made in (assembled(drive, twin_table(drive)), turned))
    assert numbers(json_ready(two)) == pytest.approx(numbers(json_ready(one)), rel=1e-6, abs=1e-6)


def numbers(content):
    """Every number of a JSON-ready result, in order."""
    if isinstance(content, dict):
        content = list(content.values())
    if isinstance(content, list):
        return [number for part in content for number in numbers(part)]
    return [float(content)] if isinstance(content, int | float) else []


@settings(deadline=None, max_examples=8)
@given(cuts=st.lists(st.floats(0.05, 0.95), min_size=1, max_size=4, unique=True))
def test_a_log_in_parts_gives_the_drive_of_the_whole(cuts):
    drive = urban_drive()
    whole = map_channels(twin_table(drive), map_of(drive))
    ends = [int(drive.start_ns + cut * drive.duration_s * 1e9) for cut in sorted(cuts)]
    edges = [0, *ends, np.iinfo(np.int64).max]
    parts = [
        MappedChannels(
            channels={
                name: MappedChannel(name=name, time_ns=one.time_ns[inside], value=one.value[inside], source=one.source)
                for name, one in whole.channels.items()
                if (inside := (one.time_ns >= low) & (one.time_ns < high)).any()
            }
        )
        for low, high in pairwise(edges)
    ]
    assert_same(assemble_drive(parts, analysis=NO_CORRECTIONS), assemble_drive(whole, analysis=NO_CORRECTIONS))


def test_a_lag_of_the_current_is_corrected_and_its_effect_said():
    late = urban_drive(current_lag_s=0.3)
    fixed = assemble_drive(map_channels(twin_table(late), map_of(late)))
    step = next(step for step in fixed.history if step.action == "shift_current")
    truth_wh = assembled(urban_drive(), twin_table(urban_drive()))
    moved_s = float(step.detail.split()[2])
    assert moved_s == pytest.approx(-0.3, abs=0.03)
    assert "Wh/km" in step.detail
    assert step.net_wh_before != step.net_wh_after
    from logan.drive.drive import net_pack_wh

    assert step.net_wh_after == pytest.approx(net_pack_wh(truth_wh.channels), rel=2e-3)


def test_corrections_can_be_turned_off():
    late = urban_drive(current_lag_s=0.3)
    plain = assemble_drive(map_channels(twin_table(late), map_of(late)), analysis=NO_CORRECTIONS)
    assert [step.action for step in plain.history] == []


def test_a_clean_log_is_not_corrected():
    drive = urban_drive()
    clean = assemble_drive(map_channels(twin_table(drive), map_of(drive)))
    assert not [step for step in clean.history if step.action == "shift_current"]


def test_speed_is_derived_from_motor_speed_gearing_and_tyre():
    drive = urban_drive(without=("speed", "gnss_speed"))
    build = example_build()
    made = assemble_drive(map_channels(twin_table(drive), map_of(drive)), settings=build)
    factor = build.vehicle.tyre_rolling_circumference_m.value / (2 * np.pi * build.powertrain.gearing.total_ratio)
    assert made["speed"].is_derived
    assert made["speed"].sigma > 0
    np.testing.assert_allclose(made["speed"].value, np.abs(drive["motor_speed"].value) * factor)
    assert "motor_speed, gearing and tire circumference" in next(s for s in made.history if s.action == "derive").detail


def test_without_gearing_no_speed_is_invented():
    drive = urban_drive(without=("speed", "gnss_speed"))
    assert "speed" not in assemble_drive(map_channels(twin_table(drive), map_of(drive)))


def test_conditions_and_averaging_are_kept():
    drive = urban_drive()
    conditions = DriveConditions(payload_kg=80.0)
    made = assemble_drive(map_channels(twin_table(drive), map_of(drive, is_averaged=True)), conditions=conditions)
    assert made.conditions.payload_kg == 80.0
    assert made.is_averaged


def test_a_log_without_samples_is_refused():
    with pytest.raises(ChannelError, match="no sample of any channel"):
        assemble_drive(MappedChannels(channels={}))


def test_overrides_of_the_map_stand_in_the_history():
    drive = urban_drive()
    made = assembled(drive, twin_table(drive, signs={"pack_current": -1}), signs={"pack_current": -1})
    assert [(step.action, step.channels) for step in made.history] == [("sign", ("pack_current",))]


def test_current_is_derived_from_power_and_voltage_with_its_uncertainty():
    drive = urban_drive()
    current, voltage = drive["pack_current"], drive["pack_voltage"]
    power = MappedChannel(
        name="pack_power",
        time_ns=np.rint(current.time_s * 1e9).astype(np.int64),
        value=current.value * voltage.at(current.time_s),
    )
    volts = MappedChannel(
        name="pack_voltage", time_ns=np.rint(voltage.time_s * 1e9).astype(np.int64), value=np.array(voltage.value)
    )
    made = assemble_drive(
        MappedChannels(channels={"pack_power": power, "pack_voltage": volts}), analysis=NO_CORRECTIONS
    )
    derived = made["pack_current"]
    assert derived.is_derived
    assert 0.0 < derived.sigma < 2.0
    known = np.isfinite(derived.value)
    again = np.interp(current.time_s[100:-100], derived.time_s[known], derived.value[known])
    assert np.median(np.abs(again - current.value[100:-100])) < 0.5
    assert any(step.action == "derive" and "uncertainty" in step.detail for step in made.history)
