import numpy as np
import pytest

from logan.quality import find_flags
from tests.twin_drives import build_of, made_drive, twin_drive


@pytest.fixture(scope="module")
def build():
    return build_of(twin_drive("urban", 4, duration_s=700.0).vehicle)


def speed_unit_flags(build, seconds, factor):
    time_s = np.arange(0.0, seconds, 0.1)
    true = 20.0 + np.sin(time_s / 0.9)
    gearing = build.powertrain.gearing
    motor = true * gearing.total_ratio * 2.0 * np.pi / build.vehicle.tyre_rolling_circumference_m.value
    drive = made_drive(("speed", time_s, true * factor), ("motor_speed", time_s, motor))
    return [flag for flag in find_flags(drive, build) if flag.code == "speed_unit"]


@pytest.mark.parametrize("factor", [3.6, 1.609344, 1.0 / 1.609344])
def test_twelve_seconds_against_the_gearing_tell_the_unit_of_speed(build, factor):
    (flag,) = speed_unit_flags(build, 12.0, factor)
    assert flag.severity.value == "red"
    assert flag.channels == ("speed", "motor_speed")
    assert speed_unit_flags(build, 12.0, 1.0) == []
    assert speed_unit_flags(build, 8.0, factor) == []
