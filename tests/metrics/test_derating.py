from dataclasses import replace

import numpy as np
import pytest

from logan.metrics.derating import derating_summary
from logan.results import Refusal
from logan.settings import Limit, LimitSheet, LimitSide
from tests.builds import example_build
from tests.twin_drives import made_drive, twin_drive

TIME_S = np.arange(0.0, 300.0, 0.1)
SHEET = LimitSheet(limits=(Limit(channel="inverter_temperature", side=LimitSide.ABOVE, amber=75.0, red=85.0),))
BUILD = example_build(limits=SHEET)


def climb(*, derated: bool = True, extra=()):
    """Full command for a minute; the inverter, hot by then, gives 60 % of it."""
    asked = np.where((TIME_S > 100.0) & (TIME_S < 160.0), 250.0, 60.0)
    given = np.where(derated & (TIME_S > 120.0) & (TIME_S < 160.0), 0.6 * asked, asked)
    return made_drive(
        ("motor_torque_command", TIME_S, asked),
        ("motor_torque", TIME_S, given),
        ("motor_speed", TIME_S, np.full(TIME_S.shape, 500.0)),
        ("speed", TIME_S, 25.0 - 0.05 * np.clip(TIME_S - 120.0, 0.0, 40.0)),
        ("inverter_temperature", TIME_S, 40.0 + 0.3 * np.minimum(TIME_S, 140.0)),
        *extra,
    )


def test_a_shortfall_of_torque_with_its_cause_and_its_cost():
    (event,) = derating_summary(climb(), BUILD).events
    assert event.kind == "torque not delivered"
    assert event.start_s == pytest.approx(120.1, abs=0.2)
    assert event.duration_s == pytest.approx(39.8, abs=0.4)
    assert event.shortfall == pytest.approx(100.0)
    assert event.energy_not_delivered_wh == pytest.approx(100.0 * 500.0 * 39.9 / 3600.0, rel=0.02)
    assert event.speed_lost_m_per_s == pytest.approx(2.0, abs=0.1)
    assert event.probable_cause.startswith("inverter temperature at 76\u202f°C")


def test_delivered_torque_is_no_derating():
    summary = derating_summary(climb(derated=False), BUILD)
    assert summary.events == ()
    assert summary.time_derated.value == 0.0


def test_the_twin_that_delivers_everything_has_no_event():
    assert derating_summary(twin_drive("urban", 1, duration_s=1500.0).to_drive(), BUILD).events == ()


def test_a_limit_that_was_lowered_and_reached():
    limit = np.where(TIME_S > 200.0, 150.0, 400.0)
    current = np.where(TIME_S > 250.0, 149.0, 100.0)
    drive = climb(derated=False, extra=(("discharge_current_limit", TIME_S, limit), ("pack_current", TIME_S, current)))
    kinds = {event.kind: event for event in derating_summary(drive, BUILD).events}
    assert kinds["limit lowered"].start_s == pytest.approx(200.1, abs=0.2)
    assert kinds["limit lowered"].shortfall == pytest.approx(250.0)
    assert kinds["limit reached"].start_s == pytest.approx(250.1, abs=0.2)
    assert derating_summary(drive, BUILD).time_derated.value == pytest.approx(50.0, abs=0.5)


@pytest.mark.parametrize(
    ("channel", "value", "words"),
    [
        ("cell_temperature_min", -5.0, "coldest cell at -5\u202f°C"),
        ("state_of_charge", 0.08, "SOC 8 %"),
        ("cell_voltage_min", 2.85, "lowest cell at 2.85 V, floor 2.80 V"),
    ],
)
def test_other_causes(channel, value, words):
    build = replace(BUILD, limits=LimitSheet(), pack=replace(BUILD.pack, cell_voltage_floor_v=2.8))
    drive = climb(extra=((channel, TIME_S, np.full(TIME_S.shape, value)),))
    (event,) = derating_summary(drive, build).events
    assert event.probable_cause == words


def test_a_full_pack_explains_a_low_charge_limit():
    limit = np.where(TIME_S > 250.0, 200.0, np.where(TIME_S > 20.0, 20.0, 200.0))
    extra = (
        ("charge_current_limit", TIME_S, np.roll(limit, 0)),
        ("state_of_charge", TIME_S, np.full(TIME_S.shape, 0.97)),
    )
    drive = climb(derated=False, extra=extra)
    events = derating_summary(drive, BUILD).events
    assert [event.probable_cause for event in events] == ["SOC 97 %"]


def test_an_unknown_cause_is_said_to_be_unknown():
    (event,) = derating_summary(climb(), example_build()).events
    assert event.probable_cause == "not seen in the channels logged"


def test_without_command_and_limits_nothing_can_be_said():
    time_s = np.arange(0.0, 10.0, 0.1)
    summary = derating_summary(made_drive(("motor_torque", time_s, time_s)), BUILD)
    assert isinstance(summary.time_derated, Refusal)
    assert len(summary.notes) == 2
    assert "only at full pedal" in summary.notes[0]


def test_current_asked_and_not_delivered_is_found_too():
    asked = np.where((TIME_S > 100.0) & (TIME_S < 160.0), 400.0, 80.0)
    drive = made_drive(
        ("motor_current_command", TIME_S, asked),
        ("motor_current", TIME_S, np.minimum(asked, 300.0)),
        ("inverter_temperature", TIME_S, np.full(TIME_S.shape, 82.0)),
    )
    (event,) = derating_summary(drive, BUILD).events
    assert (event.kind, event.unit) == ("current not delivered", "A")
    assert event.shortfall == pytest.approx(100.0)
    assert event.duration_s == pytest.approx(60.0, abs=0.5)
    assert event.energy_not_delivered_wh is None
    assert event.probable_cause.startswith("inverter temperature at 82\u202f°C")


def full_pedal(second_w):
    """Two full-pedal stretches at one speed; the second gives ``second_w``."""
    down = ((TIME_S > 50.0) & (TIME_S < 70.0)) | ((TIME_S > 200.0) & (TIME_S < 220.0))
    watts = np.where(down, np.where(TIME_S < 100.0, 100_000.0, second_w), 10_000.0)
    return made_drive(
        ("accelerator", TIME_S, np.where(down, 1.0, 0.2)),
        ("pack_power", TIME_S, watts),
        ("speed", TIME_S, np.full(TIME_S.shape, 22.0)),
    )


def test_without_commands_less_power_at_full_pedal_and_like_speed_shows_derating():
    summary = derating_summary(full_pedal(60_000.0), BUILD)
    (event,) = summary.events
    assert (event.kind, event.channel, event.unit) == ("full pedal, less power", "pack_power", "W")
    assert event.start_s == pytest.approx(201.6, abs=0.2)
    assert event.shortfall == pytest.approx(40_000.0)
    assert event.energy_not_delivered_wh == pytest.approx(40_000.0 * event.duration_s / 3600.0, rel=0.02)
    assert summary.time_derated.value == pytest.approx(event.duration_s)


def test_the_same_power_at_full_pedal_is_no_derating():
    summary = derating_summary(full_pedal(95_000.0), BUILD)
    assert summary.events == ()
    assert summary.time_derated.value == 0.0


def test_a_power_limit_that_was_used_up_is_reached():
    watts = np.where(TIME_S > 200.0, 59_500.0, 20_000.0)
    drive = made_drive(
        ("pack_power", TIME_S, watts), ("discharge_power_limit", TIME_S, np.full(TIME_S.shape, 60_000.0))
    )
    (event,) = derating_summary(drive, BUILD).events
    assert (event.kind, event.channel) == ("limit reached", "discharge_power_limit")
    assert event.duration_s == pytest.approx(99.8, abs=0.3)


def test_less_power_at_the_highest_speed_may_be_a_speed_limiter():
    drive = full_pedal(60_000.0)
    fast = replace(drive["speed"], value=np.where(TIME_S < 150.0, 38.0, 39.5))
    (event,) = derating_summary(drive.with_channels(fast), BUILD).events
    assert "speed limiter" in event.probable_cause
