import numpy as np
import pytest

from logan.drive.drive import Channel, Drive
from logan.drive.segments import brake_free_spans, charging_spans, driving_spans, parked_spans, stops, trips
from logan.flags import Span


def drive_of(**channels):
    time_s = np.arange(0.0, 2000.0, 0.5)
    return Drive(
        channels={
            name: Channel(name=name, time_s=time_s, value=np.array([float(value(t)) for t in time_s]))
            for name, value in channels.items()
        }
    )


def speed(t):
    """Drive 100..400 s, stop 20 s, drive 420..800 s, stand until 1800 s, drive on."""
    return 12.0 if 100 <= t < 400 or 420 <= t < 800 or t >= 1800 else 0.0


def near(span, start_s, end_s):
    return span.start_s == pytest.approx(start_s, abs=1.5) and span.end_s == pytest.approx(end_s, abs=1.5)


def test_stops_are_the_spans_at_standstill():
    found = stops(drive_of(speed=speed))
    assert len(found) == 3
    assert near(found[1], 400, 420)


def test_a_drive_without_speed_has_no_stops():
    assert stops(drive_of(pack_voltage=lambda t: 360.0)) == ()


def test_short_stops_belong_to_driving_and_long_ones_do_not():
    drive = drive_of(speed=speed)
    driving, parked = driving_spans(drive), parked_spans(drive)
    assert len(driving) == 2
    assert near(driving[0], 100, 800)
    assert near(driving[1], 1800, 1999.5)
    assert [near(span, 800, 1800) for span in parked] == [True]


def test_charging_at_standstill_is_found_by_its_current():
    def current(t):
        return -30.0 if 900 <= t < 1500 else (40.0 if speed(t) else 1.0)

    drive = drive_of(speed=speed, pack_current=current, pack_voltage=lambda t: 360.0)
    assert [near(span, 900, 1500) for span in charging_spans(drive)] == [True]
    assert parked_spans(drive) == ()
    assert len(driving_spans(drive)) == 2


def test_regeneration_while_driving_is_no_charging():
    drive = drive_of(
        speed=speed, pack_current=lambda t: -80.0 if 500 <= t < 700 else 20.0, pack_voltage=lambda t: 360.0
    )
    assert charging_spans(drive) == ()


def test_the_plug_signal_decides_where_there_is_one():
    drive = drive_of(speed=speed, charging=lambda t: 1.0 if 850 <= t < 1700 else 0.0)
    assert [near(span, 850, 1700) for span in charging_spans(drive)] == [True]


def test_a_charging_log_without_any_motion_is_charging():
    drive = drive_of(pack_current=lambda t: -20.0, pack_voltage=lambda t: 360.0)
    assert [near(span, 0, 1999.5) for span in charging_spans(drive)] == [True]
    assert driving_spans(drive) == ()


def test_trips_run_from_stop_to_stop_and_short_ones_do_not_count():
    drive = drive_of(speed=lambda t: 12.0 if 100 <= t < 400 or 500 <= t < 510 or 600 <= t < 900 else 0.0)
    assert [near(trip, *ends) for trip, ends in zip(trips(drive), [(100, 400), (600, 900)], strict=True)] == [
        True,
        True,
    ]


def test_spans_without_friction_brake():
    drive = drive_of(speed=speed, brake_switch=lambda t: 1.0 if 200 <= t < 250 else 0.0)
    found = brake_free_spans(drive)
    assert near(found[0], 100, 200)
    assert near(found[1], 250, 400)
    assert brake_free_spans(drive_of(speed=speed)) == ()


def test_a_span_of_driving_ends_at_a_long_gap():
    time_s = np.concatenate([np.arange(0, 100, 0.5), np.arange(1000, 1100, 0.5)])
    drive = Drive(channels={"speed": Channel(name="speed", time_s=time_s, value=np.full(time_s.shape, 10.0))})
    assert driving_spans(drive) == (Span(0.0, 99.5), Span(1000.0, 1099.5))
