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
