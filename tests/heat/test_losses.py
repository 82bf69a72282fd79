"""The losses of a machine of the literature, recovered from drives whose torque reads wrong."""

from dataclasses import replace

import numpy as np
import pytest

from logan.heat.fit import fit_heat
from logan.heat.losses import corners_of, is_possible, learned_losses
from logan.heat.network import expected_losses
from logan.heat.series import RoadVehicle, heat_series
from tests.builds import example_build
from tests.heat.measured_machine import MOST_TORQUE_NM, SPEED_RAD_PER_S, measured_loss_w
from tests.twin_drives import made_drive, without

# Larminie and Lowry, "Electric Vehicle Technology Explained": losses kc T^2 + ki w + kw w^3 + C, with the constants of
# the book's 100 kW high-speed induction motor. Formula and constants from memory of the book, not read there again.
KC, KI, KW, C = 0.3, 0.01, 5.0e-6, 600.0


def literature_loss_w(torque, speed):
    return KC * torque**2 + KI * speed + KW * speed**3 + C


def literature_drive(seed, *, gain, loss_w=literature_loss_w, most=None):
    """Half an hour of mixed driving with regen; the log's torque reads wrong by ``gain``."""
    rng = np.random.default_rng(seed)
    t = np.arange(1800.0)
    levels = np.repeat(rng.uniform(5.0, 30.0, 60), 30)
    speed = np.convolve(np.pad(levels, 10, mode="edge"), np.ones(21) / 21, mode="valid")
    shaft = speed * 2 * np.pi * 9.0 / 2.0
    torque = 1800.0 * np.gradient(speed) * 0.037 + 12.0 + 0.02 * speed**2 + rng.normal(0, 12.0, 60).repeat(30)
    if most is not None:
        torque = np.clip(torque, -0.8 * np.interp(shaft, *most), 0.95 * np.interp(shaft, *most))
    pack = torque * shaft + loss_w(torque, shaft) + 400.0
    return made_drive(
        ("speed", t, speed), ("motor_speed", t, shaft), ("motor_torque", t, torque * gain + rng.normal(0, 1.0, t.size)),
        ("pack_power", t, pack + rng.normal(0, 200.0, t.size)), ("motor_temperature", t, np.full(t.size, 60.0)),
        ("ambient_temperature", t, np.full(t.size, 20.0)),
    ), torque, shaft  # fmt: skip


def test_the_efficiency_map_of_a_literature_machine_is_recovered_where_it_was_driven():
    build = example_build()
    vehicle = RoadVehicle.of(build, np.array([1800.0, 1.0, 0.0105]))
    driven = [literature_drive(seed, gain=1.04) for seed in range(3)]
    series = [heat_series(one, vehicle) for one, _, _ in driven]
    expected = expected_losses(build)
    losses, scale = learned_losses(series, build)
    assert scale == pytest.approx(1.0 / 1.04, abs=0.015)
    torque = np.concatenate([one for _, one, _ in driven])
    shaft = np.concatenate([one for _, _, one in driven])
    pulls = (torque > 15.0) & (shaft > 150.0)
    true = torque * shaft / (torque * shaft + literature_loss_w(torque, shaft) + 400.0)
    found = torque * shaft / (torque * shaft + losses.loss_w(torque, shaft, 25.0) - losses.gear_w(torque, shaft))
    error = 100.0 * np.abs(found - true)[pulls]
    assert np.percentile(error, 95) < 1.5
    wrong = torque * shaft / (torque * shaft + expected.loss_w(torque, shaft, 25.0))
    assert np.median(100.0 * np.abs(wrong - true)[pulls]) > 1.5  # the prior alone is not that machine


@pytest.mark.published("83 kW AC motor with inverter, measured by Virginia Tech for NREL, 1997 (measured_machine.py)")
def test_the_efficiency_map_of_a_measured_machine_is_recovered_where_it_was_driven():
    """Four points in five within 1.5; the table itself is in steps that these few terms do not follow."""
    plan = example_build()
    motor = replace(plan.powertrain.motor, max_torque_nm=203.0, max_power_w=83e3, max_speed_rpm=13_000.0)
    build = replace(plan, powertrain=replace(plan.powertrain, motor=motor))
    vehicle = RoadVehicle.of(build, np.array([1800.0, 1.0, 0.0105]))
    most = (SPEED_RAD_PER_S, MOST_TORQUE_NM)
    driven = [literature_drive(seed, gain=1.04, loss_w=measured_loss_w, most=most) for seed in range(3)]
    expected = expected_losses(build)
    losses, scale = learned_losses([heat_series(one, vehicle) for one, _, _ in driven], build)
    assert scale == pytest.approx(1.0 / 1.04, abs=0.015)
    torque, shaft = (np.concatenate([one[k] for one in driven]) for k in (1, 2))
    pulls = (torque > 13.6) & (shaft > 105.0)
    torque, shaft = torque[pulls], shaft[pulls]

    def points(loss_w):
        out = torque * shaft
        return 100.0 * np.abs(out / (out + loss_w) - out / (out + measured_loss_w(torque, shaft) + 400.0))

    found = points(losses.loss_w(torque, shaft, 25.0) - losses.gear_w(torque, shaft))
    assert np.median(found) < 0.9
    assert np.mean(found < 1.5) > 0.78
    assert np.percentile(found, 95) < 2.1
    assert 0.4 < losses.falling_flux_ratio < 1.2  # the machine is an induction motor: its flux falls as 1 / speed
    assert np.median(points(expected.loss_w(torque, shaft, 25.0) + 400.0)) > 3.0  # the prior alone is not that machine


def test_the_literature_machine_keeps_its_flux_above_base_speed():
    """Its formula has no term of that kind."""
    build = example_build()
    vehicle = RoadVehicle.of(build, np.array([1800.0, 1.0, 0.0105]))
    series = [heat_series(literature_drive(seed, gain=1.0)[0], vehicle) for seed in range(3)]
    assert learned_losses(series, build)[0].falling_flux_ratio < 0.3


def test_losses_that_no_machine_has_are_not_taken():
    """By hand: at a tenth of the torque losses as large as the shaft's power are a fault of data or form."""
    build = example_build()
    vehicle = RoadVehicle.of(build, np.array([1800.0, 1.0, 0.0105]))
    series = heat_series(literature_drive(0, gain=1.0)[0], vehicle)
    torque, speed = corners_of(build)
    assert learned_losses([series], build) is not None
    assert learned_losses([replace(series, pack_w=series.pack_w + 1.1 * (torque * speed)[1])], build) is None
    expected = expected_losses(build)
    assert is_possible(expected, build).all()
    assert not is_possible(replace(expected, standby_w=(torque * speed)[1]), build)[1]
    assert not is_possible(replace(expected, copper_w_per_nm2=-1.0), build)[2]


def test_without_torque_or_power_nothing_is_learned_electrically():
    build = example_build()
    vehicle = RoadVehicle.of(build, np.array([1800.0, 1.0, 0.0105]))
    drive, _, _ = literature_drive(0, gain=1.0)
    for gone in ("motor_torque", "pack_power", "motor_speed"):
        model = fit_heat([heat_series(without(drive, gone), vehicle)], build, total_ratio=9.0)
        assert model.electrical is None
    assert fit_heat([heat_series(drive, vehicle)], build, total_ratio=9.0).electrical is not None
