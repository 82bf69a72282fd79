"""What is known well is taken off the drive, named, and can be put back."""

import numpy as np
import pytest

from logan.instruments.drive_evidence import Sensor, drive_evidence
from logan.instruments.posterior import corrected, corrections, known_instruments
from tests.builds import example_build
from tests.twin_drives import made_drive


def shown(speed_factor=1.0, current_gain=1.0, zero_a=0.0):
    """Ten minutes at 25 m/s; the log shows each sensor's error, and two minutes with the contactors open."""
    time_s = np.arange(0.0, 720.0, 0.5)
    is_open = time_s < 120.0
    speed = np.where(is_open, 0.0, 25.0)
    current = np.where(is_open, 0.0, 80.0) + 0.1 * np.sin(time_s)
    return made_drive(
        ("speed", time_s, speed * speed_factor),
        ("gnss_speed", time_s, speed),
        ("pack_current", time_s, current * current_gain + zero_a),
        ("pack_voltage", time_s, np.full(time_s.shape, 350.0)),
        ("contactor_closed", time_s, np.where(is_open, 0.0, 1.0)),
    )


def test_a_speed_that_reads_high_and_is_known_is_taken_off():
    drive = shown(speed_factor=1.0349)
    known = known_instruments(example_build(), drive_evidence(drive, "drive 1"))
    applied = corrections(known)
    assert applied[Sensor.SPEED_GAIN] == pytest.approx(np.log(1.0349), abs=0.001)
    right = corrected(drive, applied)
    assert right["speed"].value.max() == pytest.approx(25.0, rel=0.0012)
    assert right["gnss_speed"].value.max() == 25.0
    step = right.history[-1]
    assert step.channels == ("speed",)
    assert "reads +3.5 %" in step.reason
    # What is left is small, and as unsure as it was.
    left = known.without(applied).of(Sensor.SPEED_GAIN)
    assert abs(left.value) < 0.001
    assert left.sigma == pytest.approx(0.00223, abs=1e-4)


def test_an_error_smaller_than_its_own_uncertainty_stays():
    drive = shown(speed_factor=1.002)
    assert Sensor.SPEED_GAIN not in corrections(known_instruments(example_build(), drive_evidence(drive, "drive 1")))


def test_the_zero_seen_with_contactors_open_is_taken_off_before_the_gain():
    """Shown = 1.02 x true + 1.5 A."""
    drive = shown(current_gain=1.02, zero_a=1.5)
    applied = corrections(known_instruments(example_build(), drive_evidence(drive, "drive 1")))
    assert applied[Sensor.CURRENT_ZERO] == pytest.approx(1.5, abs=0.051)
    right = corrected(
        drive, {Sensor.CURRENT_ZERO: 1.5, Sensor.CURRENT_GAIN: float(np.log(1.02)), Sensor.VOLTAGE_GAIN: 0.01}
    )
    assert right["pack_current"].value[-1] == pytest.approx(80.0, abs=0.11)
    assert right["pack_voltage"].value[-1] == pytest.approx(350.0 * np.exp(-0.01))


def test_a_speed_that_is_the_satellites_own_is_not_compared_with_itself():
    time_s = np.arange(0.0, 600.0, 0.5)
    drive = made_drive(("gnss_speed", time_s, np.full(time_s.shape, 25.0)))
    found = drive_evidence(drive, "drive 1")
    assert [item.name for item in found] == ["speed is the satellites'"]
    known = known_instruments(example_build(), found * 12)
    assert known.of(Sensor.SPEED_GAIN).sigma == pytest.approx(0.0029, abs=2e-4)
