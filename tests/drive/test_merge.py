import numpy as np
import pytest

from logan.channels.mapped import MappedChannel, MappedChannels
from logan.drive.assemble import assemble_drive
from logan.drive.clock_alignment import ClockAlignment, align_clocks
from logan.drive.drive import Channel
from logan.errors import ChannelError
from logan.results import Refusal
from logan.settings import AnalysisSettings
from tests.drive.twins import mixed_drive

NONE = AnalysisSettings(correct_skew=False, level_barometer=False)


def on_another_clock(channel, lag_s, ppm=0.0):
    """The channel as a logger stamps it whose clock reads ``t - lag`` and runs ``ppm`` slow."""
    return Channel(name=channel.name, time_s=(channel.time_s - lag_s) * (1 - ppm * 1e-6), value=channel.value)


def mapped(drive, names, lag_s=0.0, start_ns=0):
    return MappedChannels(
        channels={
            name: MappedChannel(
                name=name,
                time_ns=start_ns + np.rint((drive[name].time_s - lag_s) * 1e9).astype(np.int64),
                value=drive[name].value,
            )
            for name in names
        }
    )


@pytest.mark.parametrize("lag_s", [0.0, 3.7, -41.23, 1200.0])
def test_the_lag_between_two_loggers_is_found_to_a_tenth(lag_s):
    drive = mixed_drive()
    found = align_clocks(drive["speed"], on_another_clock(drive["gnss_speed"], lag_s))
    assert isinstance(found, ClockAlignment)
    assert found.lag_s == pytest.approx(lag_s, abs=0.1)
    assert found.low_s - 0.05 <= lag_s <= found.high_s + 0.05


def test_a_drifting_clock_is_seen():
    drive = mixed_drive(duration_s=3000.0)
    found = align_clocks(drive["speed"], on_another_clock(drive["gnss_speed"], 5.0, ppm=100.0))
    assert isinstance(found, ClockAlignment)
    assert found.drift_ppm == pytest.approx(100.0, abs=25.0)


def test_different_units_do_not_matter():
    drive = mixed_drive()
    miles = Channel(
        name="gnss_speed", time_s=drive["gnss_speed"].time_s - 2.0, value=drive["gnss_speed"].value * 2.237 + 1
    )
    found = align_clocks(drive["speed"], miles)
    assert isinstance(found, ClockAlignment)
    assert found.lag_s == pytest.approx(2.0, abs=0.1)


def test_a_drive_that_repeats_itself_is_refused():
    time_s = np.arange(0, 1800, 0.5)
    lap = 10 + 5 * np.sin(time_s / 20.0)
    one = Channel(name="speed", time_s=time_s, value=lap)
    found = align_clocks(one, Channel(name="gnss_speed", time_s=time_s, value=lap))
    assert isinstance(found, Refusal)
    assert "repeats itself" in found.reason


def test_two_drives_that_have_nothing_in_common_are_refused():
    found = align_clocks(mixed_drive(seed=1)["speed"], mixed_drive(seed=2)["gnss_speed"])
    assert isinstance(found, Refusal)


def test_a_track_without_date_is_put_on_the_logs_clock():
    drive = mixed_drive()
    merged = assemble_drive(
        [
            mapped(drive, ["speed", "pack_voltage"], start_ns=drive.start_ns),
            mapped(drive, ["gnss_speed", "elevation"], lag_s=17.3),
        ],
        analysis=NONE,
    )
    step = next(step for step in merged.history if step.action == "align_clock")
    assert "speed and gnss_speed agree best there" in step.reason
    start_s = (
        drive["speed"].time_s[0]
        if drive["speed"].time_s[0] < drive["pack_voltage"].time_s[0]
        else drive["pack_voltage"].time_s[0]
    )
    shift = np.interp(400.0, merged["elevation"].time_s, merged["elevation"].value)
    assert shift == pytest.approx(
        np.interp(400.0 + min(start_s, 0.0), drive["elevation"].time_s, drive["elevation"].value), abs=0.3
    )


def test_a_wrong_date_by_minutes_is_put_right():
    drive = mixed_drive()
    merged = assemble_drive(
        [
            mapped(drive, ["speed"], start_ns=drive.start_ns),
            mapped(drive, ["gnss_speed"], lag_s=240.0, start_ns=drive.start_ns),
        ],
        analysis=NONE,
    )
    assert any("moved by +240.0" in step.detail for step in merged.history)


def test_a_charger_without_speed_is_taken_at_its_word_where_both_carry_the_date():
    drive = mixed_drive()
    charger = MappedChannels(
        channels={
            "charger_power_ac": MappedChannel(
                name="charger_power_ac", time_ns=drive.start_ns + np.arange(100) * 10**9, value=np.full(100, 7e3)
            )
        }
    )
    merged = assemble_drive([mapped(drive, ["speed"], start_ns=drive.start_ns), charger], analysis=NONE)
    assert next(step for step in merged.history if step.action == "keep_clock").reason.startswith("both logs carry")


def test_a_charger_without_speed_or_date_is_refused():
    drive = mixed_drive()
    charger = MappedChannels(
        channels={
            "charger_power_ac": MappedChannel(
                name="charger_power_ac", time_ns=np.arange(100) * 10**9, value=np.full(100, 7e3)
            )
        }
    )
    with pytest.raises(ChannelError, match="clocks of two logs cannot be aligned: the two share no quantity"):
        assemble_drive([mapped(drive, ["speed"], start_ns=drive.start_ns), charger], analysis=NONE)


def test_what_both_carry_is_taken_from_the_first_and_said():
    drive = mixed_drive()
    merged = assemble_drive(
        [
            mapped(drive, ["speed", "elevation"], start_ns=drive.start_ns),
            mapped(drive, ["gnss_speed", "elevation"], start_ns=drive.start_ns),
        ],
        analysis=NONE,
    )
    assert next(step for step in merged.history if step.action == "leave_out").channels == ("elevation",)


@pytest.mark.parametrize("hours", [-5.0, 1.0, 5.75])
def test_a_track_in_another_time_zone_is_put_right_and_named(hours):
    drive = mixed_drive()
    merged = assemble_drive(
        [
            mapped(drive, ["speed"], start_ns=drive.start_ns),
            mapped(drive, ["gnss_speed"], lag_s=hours * 3600.0 + 2.0, start_ns=drive.start_ns),
        ],
        analysis=NONE,
    )
    (flag,) = merged.import_flags
    assert flag.code == "time_zone_offset"
    assert f"{abs(hours):g} h" in flag.evidence
    assert np.interp(300.0, merged["gnss_speed"].time_s, merged["gnss_speed"].value) == pytest.approx(
        np.interp(300.0, merged["speed"].time_s, merged["speed"].value), abs=0.5
    )


def test_dated_logs_hours_apart_that_share_nothing_are_flagged():
    drive = mixed_drive()
    charger = MappedChannels(
        channels={
            "charger_power_ac": MappedChannel(
                name="charger_power_ac",
                time_ns=drive.start_ns + 7_200 * 10**9 + np.arange(100) * 10**9,
                value=np.full(100, 7e3),
            )
        }
    )
    merged = assemble_drive([mapped(drive, ["speed"], start_ns=drive.start_ns), charger], analysis=NONE)
    (flag,) = merged.import_flags
    assert flag.code == "time_zone_offset"
    assert "share no quantity" in flag.evidence


def test_clocks_that_agree_have_no_finding():
    drive = mixed_drive()
    merged = assemble_drive(
        [
            mapped(drive, ["speed"], start_ns=drive.start_ns),
            mapped(drive, ["gnss_speed"], lag_s=3.0, start_ns=drive.start_ns),
        ],
        analysis=NONE,
    )
    assert merged.import_flags == ()
