from dataclasses import replace

import numpy as np
import pytest

from logan.flags import Severity
from logan.metrics.cautions import CAUTION_ALWAYS, CAUTION_CURRENT, CAUTION_HEAT, caution_for
from logan.metrics.current import current_summary
from logan.metrics.limits import limit_summary
from logan.settings import DurationCurve, Limit, LimitSheet, LimitSide
from tests.builds import example_build
from tests.twin_drives import made_drive

MOTOR = Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=100.0, red=120.0, source="datasheet")
TIME_S = np.arange(0.0, 600.0, 0.5)


def drive_with(*columns, **fields):
    base = (
        ("pack_current", TIME_S, np.full(TIME_S.shape, 80.0)),
        ("pack_voltage", TIME_S, np.full(TIME_S.shape, 400.0)),
        ("speed", TIME_S, np.full(TIME_S.shape, 22.0)),
        ("grade", TIME_S, np.full(TIME_S.shape, 0.05)),
        ("state_of_charge", TIME_S, np.full(TIME_S.shape, 0.7)),
        ("ambient_temperature", TIME_S, np.full(TIME_S.shape, 31.0)),
    )
    return made_drive(*base, *columns, **fields)


def bump(height: float):
    """Rises to a height for a minute."""
    return 80.0 + (height - 80.0) * ((TIME_S >= 200.0) & (TIME_S <= 260.0))


def check_of(summary, channel, side=LimitSide.ABOVE):
    return next(check for check in summary.checks if (check.channel, check.side) == (channel, side))


def test_a_red_event_carries_its_whole_context_and_a_caution():
    drive = drive_with(("motor_temperature", TIME_S, bump(130.0)))
    summary = limit_summary(drive, example_build(limits=LimitSheet(limits=(MOTOR,))))
    (event,) = [event for event in summary.events if event.what == "motor_temperature"]
    assert event.severity is Severity.RED
    assert event.start_s == 200.0
    assert event.duration_s == pytest.approx(60.0)
    assert (event.worst_value, event.limit_value) == (130.0, 120.0)
    context = event.context
    assert (context.speed_m_per_s, context.power_w, context.grade_ratio) == (22.0, 32_000.0, 0.05)
    assert (context.state_of_charge_ratio, context.ambient_degc) == (0.7, 31.0)
    assert event.caution == CAUTION_HEAT
    assert summary.cautions == (CAUTION_HEAT, CAUTION_ALWAYS)
    check = check_of(summary, "motor_temperature")
    assert (check.verdict, check.margin) == ("beyond red", -10.0)
    assert check.beyond_red_s == pytest.approx(60.0, abs=1.0)


def test_an_amber_event_has_no_caution():
    drive = drive_with(("motor_temperature", TIME_S, bump(110.0)))
    summary = limit_summary(drive, example_build(limits=LimitSheet(limits=(MOTOR,))))
    (event,) = summary.events
    assert (event.severity, event.limit_value, event.caution) == (Severity.AMBER, 100.0, "")
    assert check_of(summary, "motor_temperature").verdict == "beyond amber"


def test_nothing_beyond_a_limit_makes_no_event_and_is_never_called_ok():
    drive = drive_with(("motor_temperature", TIME_S, bump(90.0)))
    summary = limit_summary(drive, example_build(limits=LimitSheet(limits=(MOTOR,))))
    assert summary.events == ()
    assert check_of(summary, "motor_temperature").verdict == "within the limit given"


def test_without_a_limit_the_verdict_is_no_limit_given():
    drive = drive_with(("inverter_temperature", TIME_S, bump(300.0)))
    check = check_of(limit_summary(drive, example_build()), "inverter_temperature", None)
    assert check.verdict == "no limit given"
    assert check.severity is None
    assert check.worst_value == 300.0


def test_a_limit_of_a_channel_that_is_not_logged_is_shown_as_such():
    summary = limit_summary(drive_with(), example_build(limits=LimitSheet(limits=(MOTOR,))))
    assert check_of(summary, "motor_temperature").verdict == "not logged"


def test_pack_and_motor_limits_of_the_build_count_without_a_sheet():
    build = example_build()
    drive = drive_with(("motor_speed", TIME_S, np.full(TIME_S.shape, 1500.0)))
    hot = replace(drive["pack_current"], value=np.where(TIME_S < 10.0, 600.0, 80.0))
    summary = limit_summary(drive.with_channels(hot), build)
    assert check_of(summary, "pack_current").verdict == "beyond red"
    assert check_of(summary, "pack_current", LimitSide.BELOW).verdict == "within the limit given"
    assert check_of(summary, "motor_speed").verdict == "beyond red"
    assert CAUTION_CURRENT in summary.cautions


def test_a_second_motor_is_held_against_its_kinds_limit():
    drive = drive_with(("motor_temperature_2", TIME_S, bump(125.0)))
    summary = limit_summary(drive, example_build(limits=LimitSheet(limits=(MOTOR,))))
    assert check_of(summary, "motor_temperature_2").verdict == "beyond red"
    assert not [check for check in summary.checks if check.channel == "motor_temperature"]


def test_isolation_is_held_against_un_r100():
    drive = drive_with(("isolation_resistance", TIME_S, np.full(TIME_S.shape, 150_000.0)))
    check = check_of(limit_summary(drive, example_build()), "isolation_resistance", LimitSide.BELOW)
    assert (check.amber, check.red) == (200_000.0, 40_000.0)
    assert check.verdict == "beyond amber"
    assert "UN R100" in check.source


def test_current_beyond_what_the_bms_announced_is_an_event():
    allowed = np.where(TIME_S < 300.0, 200.0, 50.0)
    drive = drive_with(("discharge_current_limit", TIME_S, allowed))
    (event,) = limit_summary(drive, example_build()).events
    assert event.what == "discharge_current_limit: pack_current"
    assert event.start_s == 300.0
    assert (event.worst_value, event.limit_value) == (80.0, 50.0)


def test_an_approach_to_a_curve_is_an_event_of_the_same_type():
    fuse = DurationCurve(component="fuse", duration_s=(1.0, 1000.0), current_a=(100.0, 75.0), source="datasheet")
    build = example_build(limits=LimitSheet(curves=(fuse,)))
    drive = drive_with()
    summary = limit_summary(drive, build, current_summary(drive, build))
    (event,) = summary.events
    assert event.what == "fuse: pack_current"
    assert event.severity is Severity.RED
    assert event.worst_value == pytest.approx(80.0)


def test_a_lone_spike_is_no_alarm():
    value = np.full(TIME_S.shape, 80.0)
    value[500] = 250.0
    summary = limit_summary(
        drive_with(("motor_temperature", TIME_S, value)), example_build(limits=LimitSheet(limits=(MOTOR,)))
    )
    assert summary.events == ()


def test_red_comes_before_amber():
    drive = drive_with(
        ("motor_temperature", TIME_S, bump(110.0)), ("motor_temperature_2", TIME_S, np.roll(bump(130.0), 400))
    )
    summary = limit_summary(drive, example_build(limits=LimitSheet(limits=(MOTOR,))))
    assert [event.severity for event in summary.events] == [Severity.RED, Severity.AMBER]
    assert [check.verdict for check in summary.checks[:2]] == ["beyond red", "beyond amber"]


@pytest.mark.parametrize(
    ("channel", "words"),
    [
        ("cell_temperature_max", "fire brigade"),
        ("isolation_resistance", "60 V DC"),
        ("cell_voltage_min", "battery management"),
        ("inverter_temperature", "cool"),
        ("pack_current", "lugs"),
        ("auxiliary_voltage", "understood"),
    ],
)
def test_every_kind_has_its_caution(channel, words):
    assert words in caution_for(channel)


@pytest.mark.parametrize(
    ("limit", "allowed", "column", "unit"),
    [
        ("discharge_power_limit", 20_000.0, None, "W"),
        ("drive_torque_limit", 100.0, ("motor_torque", 140.0), "N*m"),
        ("regen_torque_limit", 50.0, ("motor_torque", -80.0), "N*m"),
    ],
)
def test_power_and_torque_beyond_what_was_announced_are_events(limit, allowed, column, unit):
    extra = () if column is None else ((column[0], TIME_S, np.full(TIME_S.shape, column[1])),)
    drive = drive_with((limit, TIME_S, np.full(TIME_S.shape, allowed)), *extra)
    (event,) = limit_summary(drive, example_build()).events
    assert event.what.startswith(f"{limit}: ")
    assert event.unit == unit
    assert event.limit_value == allowed
    assert event.severity is Severity.RED


def test_current_within_the_grace_of_an_announced_limit_is_no_event():
    drive = drive_with(("discharge_current_limit", TIME_S, np.full(TIME_S.shape, 75.0)))
    assert limit_summary(drive, example_build()).events == ()
