from itertools import pairwise

import numpy as np
import pytest

from logan.demo.twin import STEP_S, TwinVehicle
from logan.drive.braking import brakings
from logan.drive.drive import pack_power
from logan.drive.logged_loads import auxiliary_load
from logan.drive.wheel_work import wheel_work
from tests.twin_drives import build_of, twin_drive, with_true_height, without


def found_in(drive, build):
    power = pack_power(drive)
    return brakings(drive, build, wheel_work(drive, build), power, auxiliary_load(drive, build, power))


def test_braking_work_of_the_twin():
    twin = twin_drive("urban", 1, duration_s=1500.0)
    found = found_in(with_true_height(twin.to_drive()), build_of(twin.vehicle))
    trace = twin.trace
    speed = 0.5 * (trace["speed"] + np.append(trace["speed"][1:], trace["speed"][-1]))
    braking_j = ((np.maximum(-trace["wheel_force"], 0.0) + trace["brake_force"]) * speed).sum() * STEP_S
    assert sum(one.braking_j for one in found) == pytest.approx(braking_j, rel=0.03)
    assert all(one.end_s > one.start_s for one in found)
    assert all(later.start_s >= sooner.end_s for sooner, later in pairwise(found))


def test_without_a_brake_channel_only_what_is_sure_counts_as_friction():
    vehicle = TwinVehicle(regen_force_limit_n=1200.0)
    twin = twin_drive("urban", 1, duration_s=1500.0, vehicle=vehicle)
    told = found_in(twin.to_drive(), build_of(vehicle))
    untold = found_in(without(twin.to_drive(), "brake_switch", "brake_pressure"), build_of(vehicle))
    assert {one.brake_pressed for one in untold} == {None}
    assert all(one.friction_j == 0.0 or one.friction_j > 2.0 * one.sigma_j for one in untold)
    assert sum(one.friction_j for one in untold) == pytest.approx(sum(one.friction_j for one in told), rel=0.15)


def test_a_pedal_that_was_not_pressed_leaves_no_friction():
    twin = twin_drive("urban", 1, duration_s=1500.0)
    assert all(
        one.friction_j == 0.0 for one in found_in(twin.to_drive(), build_of(twin.vehicle)) if not one.brake_pressed
    )
