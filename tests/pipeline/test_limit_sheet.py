from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logan.analysis import analyse_drive
from logan.pipeline.limit_sheet import limits_over_drives
from logan.results import Severity
from logan.settings import DurationCurve, Limit, LimitSheet, LimitSide
from logan.wording import limit_name
from tests.builds import example_build
from tests.twin_drives import made_drive

TIME_S = np.arange(0.0, 600.0, 0.5)
MOTOR = Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=100.0, red=120.0, source="datasheet")
FUSE = DurationCurve(component="fuse", duration_s=(1.0, 1000.0), current_a=(100.0, 85.0), source="datasheet")
BUILD = example_build(limits=LimitSheet(limits=(MOTOR,), curves=(FUSE,)))


def stored(number, *, hottest=80.0, current=60.0, times=1, extra=()):
    """One drive whose motor goes up to ``hottest``, some times over."""
    bump = np.maximum(np.sin(2.0 * np.pi * times * TIME_S / TIME_S[-1]), 0.0)
    drive = made_drive(
        ("motor_temperature", TIME_S, 40.0 + (hottest - 40.0) * bump),
        ("pack_voltage", TIME_S, np.full(TIME_S.shape, 380.0)),
        ("pack_current", TIME_S, np.full(TIME_S.shape, current)),
        ("speed", TIME_S, np.full(TIME_S.shape, 20.0)),
        *extra,
    )
    return SimpleNamespace(record=SimpleNamespace(number=number), analysis=analyse_drive(drive, BUILD))


@pytest.fixture(scope="module")
def found():
    low = ("cell_temperature_min", TIME_S, np.full(TIME_S.shape, -4.0))
    high = ("cell_temperature_min", TIME_S, np.full(TIME_S.shape, 22.0))
    return limits_over_drives(
        [
            stored(3, extra=(high,)),
            stored(5, hottest=110.0, times=2, extra=(low,)),
            stored(8, hottest=130.0, current=84.0),
            stored(9, hottest=125.0),
        ]
    )


def line_of(found, channel):
    return next(line for line in found.lines if line.check.channel == channel)


def test_the_closest_approach_of_all_drives_is_shown_with_its_drive(found):
    line = line_of(found, "motor_temperature")
    assert line.drive == 8
    assert line.check.worst_value == pytest.approx(130.0, abs=0.1)
    assert line.beyond_red_drives == (8, 9)
    assert line.beyond_amber_drives == (5,)
    assert found.drives == (3, 5, 8, 9)


def test_without_a_limit_the_coldest_cell_is_the_worst_one_and_no_verdict_is_given(found):
    line = line_of(found, "cell_temperature_min")
    assert (line.drive, line.check.worst_value) == (5, -4.0)
    assert line.check.verdict == "no limit given"
    assert found.lines[-1].check.verdict != "beyond red"
    assert found.lines[0].check.verdict == "beyond red"


def test_events_alike_are_one_kind_over_all_drives(found):
    red, *amber = [kind for kind in found.kinds if kind.what == "motor_temperature"]
    assert (red.severity, red.drives, red.count) == (Severity.RED, (8, 9), 2)
    assert red.worst_drive == 8
    assert red.duration_s == pytest.approx(
        sum(entry.event.duration_s for entry in found.events if entry.event.severity is Severity.RED and
            entry.event.what == "motor_temperature")
    )  # fmt: skip
    assert [(kind.severity, kind.drives, kind.count) for kind in amber] == [(Severity.AMBER, (5,), 2)]
    assert "have it cool" in red.worst.caution


def test_a_curves_closest_approach_is_that_of_the_hardest_drive(found):
    (curve,) = [line for line in found.lines if line.check.over]
    assert curve.drive == 8
    assert curve.check.used_ratio == pytest.approx(84.0 / 88.5, abs=0.06)
    assert limit_name(curve.check) == f"fuse, {curve.check.over}"


def test_events_are_sorted_red_first_then_by_drive(found):
    order = [(entry.event.severity is not Severity.RED, entry.drive, entry.event.start_s) for entry in found.events]
    assert order == sorted(order)


def test_what_was_left_out_is_said_once():
    one, other = stored(1), stored(2)
    for item in (one, other):
        item.analysis = item.analysis.with_results(limits=replace(item.analysis.limits, notes=("left out",)))
    assert limits_over_drives([one, other]).notes == ("left out",)


def test_a_limit_that_no_drive_has_a_channel_for_is_said():
    one = stored(1)
    one.analysis = analyse_drive(
        made_drive(("speed", TIME_S, np.full(TIME_S.shape, 20.0))),
        replace(BUILD, limits=LimitSheet(limits=(MOTOR, replace(MOTOR, channel="cable_temperature")))),
    )
    (note,) = limits_over_drives([one]).notes
    assert "cable_temperature, motor_temperature" in note
    assert not [note for note in limits_over_drives([one, stored(2)]).notes if "motor" in note]


@pytest.mark.parametrize(("last_k", "is_said"), [(9.0, False), (16.0, True)])
def test_coolant_that_warms_more_per_heat_than_on_earlier_drives_is_said(last_k, is_said):
    loaded = TIME_S > 200.0

    def drive(number, difference_k):
        inlet = ("coolant_temperature", TIME_S, np.full(TIME_S.shape, 40.0))
        return stored(
            number, current=100.0, extra=(inlet, ("coolant_temperature_outlet", TIME_S, 40.0 + difference_k * loaded))
        )

    notes = limits_over_drives([drive(1, 8.0), drive(2, 8.5), drive(3, 7.8), drive(4, last_k)]).notes
    assert any("air in the circuit" in note for note in notes) is is_said


def test_no_drive_has_no_limits():
    nothing = limits_over_drives([])
    assert (nothing.lines, nothing.kinds, nothing.events) == ((), (), ())
