from dataclasses import replace

import numpy as np
import pytest

from logan.admission.admission import KeptOut
from logan.metrics.cautions import CAUTION_ALWAYS, Flow, advice_for, every_advice
from logan.metrics.current import current_summary
from logan.metrics.limits import limit_summary
from logan.results import Refusal, Severity, Span
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


def refused(reason, *spans):
    return KeptOut(use="limits", reason=reason, spans=spans)


def check_of(summary, channel, side=LimitSide.ABOVE):
    return next(check for check in summary.checks if (check.channel, check.side) == (channel, side))


def test_a_red_event_carries_its_whole_context_and_a_caution():
    drive = drive_with(("motor_temperature", TIME_S, bump(130.0)))
    summary = limit_summary(drive, example_build(limits=LimitSheet(limits=(MOTOR,))))
    (event,) = [event for event in summary.events if event.what == "motor_temperature"]
    assert event.severity is Severity.RED
    assert event.start_s == 200.0
    assert event.duration_s == pytest.approx(60.0, abs=0.5)
    assert (event.worst_value, event.limit_value) == (130.0, 120.0)
    context = event.context
    assert (context.speed_m_per_s, context.power_w, context.grade_ratio) == (22.0, 32_000.0, 0.05)
    assert (context.state_of_charge_ratio, context.ambient_degc) == (0.7, 31.0)
    assert event.caution == advice_for("motor_temperature", LimitSide.ABOVE).past
    assert summary.cautions == (event.caution, CAUTION_ALWAYS)
    check = check_of(summary, "motor_temperature")
    assert (check.verdict, check.margin) == ("beyond red", -10.0)


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
    check = check_of(limit_summary(drive, example_build()), "inverter_temperature")
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
    assert advice_for("pack_current", LimitSide.ABOVE, Flow.DRIVE).past in summary.cautions


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


ABOVE, BELOW = LimitSide.ABOVE, LimitSide.BELOW
EVERY_ADVICE = [
    # channel, side, which way the current ran, words of the report, words of the live view
    ("cell_voltage_max", ABOVE, Flow.REGEN, "lifting the pedal makes", "Ease off regen, use the friction brakes"),
    ("cell_voltage_max", ABOVE, Flow.CHARGE, "on the charger", "Stop the charge"),
    ("cell_voltage_max", ABOVE, Flow.DRIVE, "while nothing charged it", "Neither charge nor use regen"),
    ("cell_voltage_4", ABOVE, Flow.REGEN, "regen was too strong", "Ease off regen"),
    ("pack_voltage", ABOVE, Flow.REGEN, "regen was too strong", "Ease off regen"),
    ("cell_voltage_min", BELOW, Flow.DRIVE, "sagged below its limit under load", "Back off now: less power"),
    ("cell_voltage_min", BELOW, Flow.UNKNOWN, "below its limit without load", "Do not charge fast"),
    ("cell_voltage_min", BELOW, Flow.REGEN, "below its limit without load", "Back off and stop"),
    ("cell_temperature_max", ABOVE, Flow.DRIVE, "were hotter than their limit", "fire department (911)"),
    ("pack_temperature", ABOVE, Flow.CHARGE, "fire department (911)", "Stop now"),
    ("cell_temperature_min", BELOW, Flow.REGEN, "plate lithium", "use the friction brakes"),
    ("cell_temperature_min", BELOW, Flow.DRIVE, "Warm the pack", "Drive gently"),
    ("pack_current", ABOVE, Flow.DRIVE, "lugs", "Back off now: less power"),
    ("pack_current", BELOW, Flow.REGEN, "Lower the regen limit", "Ease off regen, use the friction brakes"),
    ("pack_current", BELOW, Flow.CHARGE, "Lower the charge current", "Stop the charge"),
    ("pack_current", BELOW, Flow.UNKNOWN, "Regen put more current", "Ease off regen"),
    ("pack_power", ABOVE, Flow.DRIVE, "More current flowed", "Back off now"),
    ("motor_current_2", ABOVE, Flow.DRIVE, "lugs", "Back off now"),
    ("isolation_resistance", BELOW, Flow.DRIVE, "60 V DC", "touch no metal"),
    ("motor_speed", ABOVE, Flow.REGEN, "turned faster", "friction brakes"),
    ("auxiliary_voltage", BELOW, Flow.DRIVE, "12 V supply was low", "contactors may open"),
    ("motor_torque", ABOVE, Flow.DRIVE, "More torque came", "Back off now"),
    ("motor_temperature", ABOVE, Flow.DRIVE, "ran hotter than its limit", "cool for at least 10 minutes"),
    ("inverter_temperature_2", ABOVE, Flow.DRIVE, "ran hotter", "Back off now"),
    ("coolant_temperature", ABOVE, Flow.DRIVE, "under pressure", "under pressure"),
    ("cable_temperature", ABOVE, Flow.DRIVE, "ran hotter", "Back off now"),
    ("state_of_charge", BELOW, Flow.DRIVE, "cause is understood", "find the cause"),
]  # fmt: skip


@pytest.mark.parametrize(("channel", "side", "flow", "past", "live"), EVERY_ADVICE)
def test_every_advice_fits_side_and_direction(channel, side, flow, past, live):
    advice = advice_for(channel, side, flow)
    assert past in advice.past
    assert live in advice.live
    assert advice.past != advice.live


def test_every_text_of_the_table_is_in_the_test():
    tried = {advice_for(channel, side, flow) for channel, side, flow, *_ in EVERY_ADVICE}
    assert tried == set(every_advice().values())


def sheet_of(channel, side=ABOVE, amber=None, red=None):
    return example_build(limits=LimitSheet(limits=(Limit(channel=channel, side=side, amber=amber, red=red),)))


def test_a_cell_too_high_on_regen_is_not_told_to_lift():
    high = np.where((TIME_S > 100) & (TIME_S < 110), 4.25, 4.0)
    braking = np.where((TIME_S > 95) & (TIME_S < 115), -120.0, 80.0)
    drive = drive_with(("cell_voltage_max", TIME_S, high))
    drive = drive.with_channels(replace(drive["pack_current"], value=braking))
    (event,) = limit_summary(drive, sheet_of("cell_voltage_max", red=4.2)).events
    assert event.severity is Severity.RED
    assert event.caution == advice_for("cell_voltage_max", ABOVE, Flow.REGEN).past


def test_a_sample_3_mv_over_for_an_instant_is_a_note():
    cell = np.full(TIME_S.shape, 4.1)
    cell[600] = 4.203
    summary = limit_summary(drive_with(("cell_voltage_max", TIME_S, cell)), sheet_of("cell_voltage_max", red=4.2))
    assert [event.severity for event in summary.events] == [Severity.NOTE]
    assert check_of(summary, "cell_voltage_max").verdict == "beyond for an instant"
    assert len(summary.cautions) == 1


def test_a_regulator_that_holds_its_own_limit_is_one_line():
    current = 100.0 + 50.1 * (np.sin(TIME_S / 7.0) > 0.0)
    drive = drive_with()
    drive = drive.with_channels(replace(drive["pack_current"], value=current))
    summary = limit_summary(drive, sheet_of("pack_current", red=150.0))
    (event,) = [event for event in summary.events if event.what == "pack_current"]
    assert event.severity is Severity.NOTE
    assert event.times > 10
    assert "held at its own limit" in event.remark
    check = check_of(summary, "pack_current")
    assert (check.verdict, check.severity) == ("held at its limit", None)
    assert check.margin == pytest.approx(-0.1)
    assert check.margin_bound == pytest.approx(1.28 * 2.5)


def test_a_temperature_is_red_when_the_sensors_bound_is_beyond():
    summary = limit_summary(
        drive_with(("motor_temperature", TIME_S, bump(119.2))), sheet_of("motor_temperature", red=120.0)
    )
    (event,) = summary.events
    assert event.severity is Severity.RED
    assert "bound" in event.remark
    assert check_of(summary, "motor_temperature").verdict == "may be beyond red"
    cooler = limit_summary(
        drive_with(("motor_temperature", TIME_S, bump(118.0))), sheet_of("motor_temperature", red=120.0)
    )
    assert cooler.events == ()


def test_events_close_together_are_one():
    hot = 80.0 + 50.0 * ((TIME_S > 100) & (TIME_S < 300) & ((TIME_S // 20) % 2 == 0))
    summary = limit_summary(drive_with(("motor_temperature", TIME_S, hot)), sheet_of("motor_temperature", red=120.0))
    (event,) = summary.events
    assert event.times == 5
    assert event.duration_s == pytest.approx(100.0, abs=2.0)


def test_without_a_limit_the_true_extreme_is_shown():
    frost = np.linspace(-20.0, 12.0, TIME_S.size)
    drive = drive_with(("motor_temperature", TIME_S, frost), ("cell_temperature", TIME_S, frost))
    drive = drive.with_channels(replace(drive["pack_current"], value=np.where(TIME_S < 9, -300.0, 80.0)))
    pack = replace(example_build().pack, discharge_current_limit_a=None, charge_current_limit_a=None)
    summary = limit_summary(drive, example_build(pack=pack))
    assert check_of(summary, "motor_temperature").worst_value == 12.0
    assert check_of(summary, "cell_temperature").worst_value == 12.0
    assert check_of(summary, "cell_temperature", BELOW).worst_value == -20.0
    assert check_of(summary, "pack_current").worst_value == 80.0
    assert check_of(summary, "pack_current", BELOW).worst_value == -300.0


def test_a_limit_of_the_cells_covers_hottest_and_coldest():
    limits = LimitSheet(
        limits=(
            Limit(channel="cell_temperature", side=ABOVE, amber=None, red=50.0),
            Limit(channel="cell_temperature", side=BELOW, amber=None, red=0.0),
        )
    )
    drive = drive_with(
        ("cell_temperature_max", TIME_S, bump(81.0) - 21.0), ("cell_temperature_min", TIME_S, bump(81.0))
    )
    summary = limit_summary(drive, example_build(limits=limits))
    assert check_of(summary, "cell_temperature_max").verdict == "beyond red"
    assert check_of(summary, "cell_temperature_min", BELOW).verdict == "within the limit given"
    assert not [check for check in summary.checks if check.channel == "cell_temperature_max" and check.side is BELOW]


def test_what_the_data_check_refuses_gives_no_verdict():
    drive = drive_with(("motor_temperature", TIME_S, bump(215.0)))
    build = sheet_of("motor_temperature", red=120.0)
    whole = limit_summary(drive, build, unfit={"motor_temperature": refused("the sensor is open")})
    assert whole.events == ()
    assert check_of(whole, "motor_temperature").verdict == "data refused"
    assert any("the sensor is open" in note for note in whole.notes)
    part = limit_summary(drive, build, unfit={"motor_temperature": refused("open", Span(190.0, 270.0))})
    assert part.events == ()
    assert check_of(part, "motor_temperature").worst_value == 80.0


def test_isolation_of_zero_for_a_minute_is_red():
    ohm = np.where((TIME_S > 200) & (TIME_S < 260), 0.0, 900_000.0)
    summary = limit_summary(drive_with(("isolation_resistance", TIME_S, ohm)), example_build())
    assert check_of(summary, "isolation_resistance", BELOW).verdict == "beyond red"
    assert any("ac_side" in note for note in summary.notes)


@pytest.mark.parametrize(
    ("ac_side", "ohm_per_v", "severity"),
    [
        ("", 300.0, Severity.AMBER), ("combined", 300.0, Severity.RED), ("double-insulated", 300.0, Severity.AMBER),
        ("combined", 700.0, None), ("double-insulated", 90.0, Severity.RED),
    ],
)  # fmt: skip
def test_the_ac_side_decides_between_amber_and_red(ac_side, ohm_per_v, severity):
    drive = drive_with(("isolation_resistance", TIME_S, np.full(TIME_S.shape, ohm_per_v * 400.0)))
    summary = limit_summary(drive, example_build(limits=LimitSheet(ac_side=ac_side)))
    assert check_of(summary, "isolation_resistance", BELOW).severity is severity


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


def test_temperatures_carry_their_distance_to_amber_and_red_and_their_steepest_rise():
    drive = drive_with(("motor_temperature", TIME_S, bump(90.0)), ("coolant_temperature", TIME_S, bump(60.0)))
    motor, coolant = sorted(
        limit_summary(drive, sheet_of("motor_temperature", amber=80.0, red=100.0)).temperatures,
        key=lambda check: check.channel != "motor_temperature",
    )
    assert (motor.to(motor.amber).value, motor.to(motor.red).value) == (-10.0, 10.0)
    assert motor.to(motor.red).sigma == pytest.approx(1.0)
    assert coolant.to(coolant.red) == Refusal("no limit given", "Enter the limit from the datasheet in the limit sheet")


def test_data_that_are_refused_give_no_extreme_where_no_limit_is_given_either():
    drive = drive_with(("motor_temperature", TIME_S, bump(215.0)))
    check = check_of(
        limit_summary(drive, example_build(), unfit={"motor_temperature": refused("open")}),
        "motor_temperature",
    )
    assert (check.verdict, check.worst_value) == ("data refused", None)


def test_limits_are_sorted_by_the_way_gone_to_them_whatever_they_measure():
    """A motor short of red is closer than a fuse half used, and that than a cell a quarter up to its ceiling."""
    build = example_build(
        limits=LimitSheet(
            limits=(MOTOR, Limit(channel="cell_voltage_max", side=ABOVE, amber=None, red=4.2, source="datasheet")),
            curves=(DurationCurve(component="fuse", duration_s=(1.0, 600.0), current_a=(160.0, 160.0), source="fuse"),),
            design_ambient_degc=40.0,
        )
    )
    nominal_v = build.pack.cell_nominal_voltage_v
    cell_v = nominal_v + 0.25 * (4.2 - nominal_v)
    drive = drive_with(
        ("motor_temperature", TIME_S, np.full(TIME_S.shape, 96.0)),
        ("cell_voltage_max", TIME_S, np.full(TIME_S.shape, cell_v)),
    )
    checks = limit_summary(drive, build, current_summary(drive, build)).checks
    used = {check.channel: check.used_ratio for check in checks if check.used_ratio is not None}
    assert used["motor_temperature"] == pytest.approx((96.0 - 40.0) / (120.0 - 40.0))
    assert used["cell_voltage_max"] == pytest.approx(0.25)
    (fuse,) = [name for name in used if name.startswith("fuse")]
    assert used[fuse] == pytest.approx(80.0 / 160.0)
    within = [check.channel for check in checks if check.verdict == "within the limit given"]
    assert within == sorted(within, key=lambda name: -used[name])
    assert within.index("motor_temperature") < within.index(fuse) < within.index("cell_voltage_max")
