import numpy as np
import pytest

from logan.model.schedule import Schedule, steady_schedule


def test_distance_duration_and_mean_speed():
    schedule = Schedule(name="ramp", time_s=np.array([0.0, 10.0, 20.0]), speed_m_per_s=np.array([0.0, 10.0, 10.0]))
    assert schedule.distance_m == pytest.approx(150.0)
    assert schedule.duration_s == 20.0
    assert schedule.mean_speed_m_per_s == pytest.approx(7.5)


def test_unusable_steps_add_neither_distance_nor_time():
    schedule = Schedule(
        name="gap",
        time_s=np.array([0.0, 10.0, 500.0, 510.0]),
        speed_m_per_s=np.full(4, 10.0),
        is_usable=np.array([True, False, True]),
    )
    assert schedule.distance_m == pytest.approx(200.0)
    assert schedule.duration_s == pytest.approx(20.0)


def test_speeds_are_shared_out_by_distance():
    schedule = Schedule(
        name="two speeds", time_s=np.array([0.0, 100.0, 101.0, 201.0]), speed_m_per_s=np.array([10.0, 10.0, 30.0, 30.0])
    )
    assert [schedule.speed_at_share_m_per_s(share) for share in (0.05, 0.2, 0.5, 0.95)] == [10.0, 10.0, 30.0, 30.0]


def test_steady_grade_climbs():
    schedule = steady_schedule(20.0, grade_ratio=0.05)
    assert schedule.elevation_m[-1] == pytest.approx(0.05 * 72_000.0)


def test_wrong_shapes_and_speeds_are_refused():
    with pytest.raises(ValueError, match="one shape"):
        Schedule(name="x", time_s=np.arange(3.0), speed_m_per_s=np.ones(2))
    with pytest.raises(ValueError, match="elevation_m"):
        Schedule(name="x", time_s=np.arange(3.0), speed_m_per_s=np.ones(3), elevation_m=np.ones(2))
    with pytest.raises(ValueError, match="is_usable"):
        Schedule(name="x", time_s=np.arange(3.0), speed_m_per_s=np.ones(3), is_usable=np.ones(3, dtype=bool))
    with pytest.raises(ValueError, match="above zero"):
        steady_schedule(0.0)
