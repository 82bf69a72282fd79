import numpy as np
import pytest

from logan.drive_cycles.cycles import CYCLE_SOURCES, load_cycle
from logan.errors import ConfigurationError
from logan.units import METRES_PER_SECOND_PER_MPH

MILE_M = 1609.344


@pytest.mark.recomputed("the tables of 40 CFR 86 and 600, integrated by trapezoid")
@pytest.mark.parametrize(
    ("name", "duration_s", "miles", "mean_mph", "top_mph"),
    [
        ("udds", 1369, 7.4504, 19.592, 56.7),
        ("hwfet", 765, 10.2567, 48.267, 59.9),
        ("us06", 600, 8.0080, 48.048, 80.3),
    ],
)
def test_us_schedules_have_their_totals(name, duration_s, miles, mean_mph, top_mph):
    schedule = load_cycle(name)
    assert schedule.duration_s == duration_s
    assert schedule.distance_m / MILE_M == pytest.approx(miles, abs=5e-5)
    assert schedule.mean_speed_m_per_s / METRES_PER_SECOND_PER_MPH == pytest.approx(mean_mph, abs=5e-4)
    assert schedule.speed_m_per_s.max() / METRES_PER_SECOND_PER_MPH == pytest.approx(top_mph)


@pytest.mark.from_memory("UN GTR 15 Annex 1: 131.3 km/h; phases 589, 433, 455, 323 s, and their lengths")
def test_the_worldwide_schedule_has_its_totals():
    schedule = load_cycle("wltc_3b")
    assert schedule.duration_s == 589 + 433 + 455 + 323
    assert schedule.speed_m_per_s.max() * 3.6 == pytest.approx(131.3)
    running_m = np.concatenate(([0.0], np.cumsum(schedule.step_distance_m)))
    phases_km = np.diff(running_m[[0, 589, 1022, 1477, 1800]]) / 1000.0
    assert phases_km == pytest.approx([3.095, 4.756, 7.162, 8.254], abs=2e-3)


@pytest.mark.parametrize("name", CYCLE_SOURCES)
def test_schedules_start_and_end_at_rest(name):
    schedule = load_cycle(name)
    assert schedule.speed_m_per_s[0] == schedule.speed_m_per_s[-1] == 0.0
    assert schedule.source == CYCLE_SOURCES[name]


def test_an_unknown_schedule_is_named_with_those_that_are_there():
    with pytest.raises(ConfigurationError, match=r"unknown drive cycle 'nedc'.*udds, hwfet, us06, wltc_3b"):
        load_cycle("nedc")
