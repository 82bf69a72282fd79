from dataclasses import replace

import numpy as np
import pytest

from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.physics.powertrain import motor_speed_rad_per_s
from logan.results import json_ready
from tests.builds import example_build
from tests.model.simple_drives import channel, smooth_drive

SCALE, BEFORE = 0.93, 0.94
"""Torque reads so much of the true one; inverter and motor pass so much either way, gears the rest of 0.88."""


@pytest.fixture(scope="module")
def build():
    return example_build()


def with_torque(drive, build, *, has_speed):
    time_s, current = drive.channels["pack_current"].time_s, drive.channels["pack_current"].value
    train_w = 350.0 * current - build.auxiliary.base_power_w.value
    shaft_w = np.where(train_w > 0.0, train_w * BEFORE, train_w / BEFORE)
    turning = motor_speed_rad_per_s(
        drive.channels["speed"].value,
        build.powertrain.gearing.total_ratio,
        build.vehicle.tyre_rolling_circumference_m.value,
    )
    torque = SCALE * shaft_w / turning + np.random.default_rng(1).normal(0.0, 1.0, time_s.size)
    added = {"motor_torque": channel("motor_torque", time_s, torque)}
    if has_speed:
        added["motor_speed"] = channel("motor_speed", time_s, turning)
    return replace(drive, channels=drive.channels | added)


@pytest.mark.parametrize("has_speed", [True, False])
def test_torque_finds_its_own_scale_and_splits_the_loss_and_moves_nothing_else(build, has_speed):
    plain = [smooth_drive(build, duration_s=1200.0, mean=16.0 + k, swing=11.0) for k in range(3)]
    logged = [with_torque(drive, build, has_speed=has_speed) for drive in plain]
    without, found = (
        fit(
            prior_of(build), [segment_drive(drive, build, drive_id=str(k)) for k, drive in enumerate(drives)], [], build
        )
        for drives in (plain, logged)
    )
    assert without.shaft is None
    assert json_ready(replace(found, shaft=None)) == json_ready(without)
    assert found.shaft.torque_scale.value == pytest.approx(SCALE, abs=0.005)
    # However long the log: that one share is lost either way is an assumption.
    assert found.shaft.torque_scale.sigma / SCALE == pytest.approx(0.03, abs=0.002)
    lost = found.shaft.before_wh + found.shaft.behind_wh
    efficiency = build.powertrain.drive_efficiency.value
    assert found.shaft.before_wh / lost == pytest.approx((1.0 - BEFORE) / (1.0 - efficiency), abs=0.06)


def test_the_torques_scale_is_weighed_between_its_sensor_and_what_the_drives_say(build, monkeypatch):
    """Closed form: ln of the scale is normal, 0 with 5 % before; one share lost either way is not known to 3 %."""
    drive = with_torque(smooth_drive(build, duration_s=1200.0, mean=17.0, swing=11.0), build, has_speed=True)
    segments = [segment_drive(drive, build, drive_id="1")]
    slope, sigma = np.array([1.25, 0.95, 0.0, 0.0]), np.array([0.10, 0.06, 0.0, 0.0])
    monkeypatch.setattr("logan.model.shaft.robust_slopes", lambda *_: (slope, sigma))
    found = fit(prior_of(build), segments, [], build).shaft.torque_scale
    said, told = -0.5 * np.log(1.25 * 0.95), 0.5 * np.sqrt((0.10 / 1.25) ** 2 + (0.06 / 0.95) ** 2)
    precision = 1.0 / 0.05**2 + 1.0 / told**2
    assert np.log(found.value) == pytest.approx(said / told**2 / precision)
    assert found.sigma / found.value == pytest.approx(np.sqrt(1.0 / precision + 0.03**2))
