from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from logan.demo.twin import STEP_S, TwinVehicle
from logan.drive.braking import PAD_SIGMA_RATIO, Braking, Generator, Held, _pads_and_machine, brakings
from logan.drive.drive import pack_power
from logan.drive.logged_loads import auxiliary_load
from logan.drive.wheel_work import wheel_work
from logan.settings import PlanningValue
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


def stretches(count, rng, *, kappa, generator, noise_j=0.0):
    """Brakings whose work is exactly friction by pressure and what the generator takes, or with some noise."""
    found, pressed = [], rng.uniform(0.0, 4e7, count)
    for k in range(count):
        motor, moving, squared = rng.uniform(5e4, 2e5), rng.uniform(4.0, 12.0), rng.uniform(2e6, 2e7)
        held = Held(into_motor_j=motor, moving_s=moving, squared_n2_s=squared)
        work = kappa * pressed[k] + generator.taken_j(held) + rng.normal(0.0, noise_j)
        found.append(
            Braking(
                kinetic_j=work, into_motor_j=motor, moving_s=moving, squared_n2_s=squared, noise_j2=4_000.0**2,
                start_s=k, end_s=k + 1.0, start_speed_m_per_s=10.0, end_speed_m_per_s=0.0, into_pack_j=motor,
                friction_j=0.0, capped_j=0.0, sigma_j=0.0, brake_pressed=True, limited_by="", limited=Held(),
            )
        )  # fmt: skip
    return found, pressed


def generator_of(efficiency, sigma):
    return Generator(
        efficiency=PlanningValue(efficiency, sigma), constant_w=PlanningValue(100.0, 90.0),
        copper_w_per_n2=PlanningValue(2e-4, 1.5e-4),
    )  # fmt: skip


@pytest.mark.parametrize("kappa", [0.8e-3, 2e-3, 5e-3])
def test_pads_and_machine_are_found_where_brakings_are_exact(kappa):
    generator = generator_of(0.9, 0.05)
    found, pressed = stretches(60, np.random.default_rng(1), kappa=kappa, generator=generator)
    values, precision = _pads_and_machine(found, pressed, generator)
    assert np.exp(values[0]) == pytest.approx(kappa, rel=0.01)
    assert values[1] == pytest.approx(1.0 / 0.9, rel=0.01)
    # Sixty brakings: their scatter, a tenth of what the pads take and more, does not move the pads by 5 %.
    assert 0.002 < np.sqrt(np.linalg.inv(precision)[0, 0]) < 0.05


def test_pads_hold_their_truth_over_noise_and_machines():
    """Machines drawn as wide as the prior says, heights wander, pads stray: nine in ten intervals of 90 % hold."""
    rng, place = np.random.default_rng(5), []
    for _ in range(40):
        prior = generator_of(0.9, 0.05)
        true = generator_of(0.9 + 0.05 * rng.standard_normal(), 0.05)
        kappa = 2e-3 * np.exp(0.7 * rng.standard_normal())
        found, pressed = stretches(30, rng, kappa=kappa, generator=true, noise_j=8_000.0)
        values, precision = _pads_and_machine(found, pressed, prior)
        place.append((values[0] - np.log(kappa)) / np.hypot(np.sqrt(np.linalg.inv(precision)[0, 0]), PAD_SIGMA_RATIO))
    assert np.mean(np.abs(place) < 1.645) >= 0.85
    assert 0.4 < np.sqrt(np.mean(np.square(place))) < 1.2


def test_what_the_generator_took_by_hand():
    generator, held = generator_of(0.8, 0.04), Held(into_motor_j=1e5, moving_s=10.0, squared_n2_s=1e7)
    taken = (1e5 + 100.0 * 10.0 + 2e-4 * 1e7) / 0.8
    assert generator.taken_j(held) == pytest.approx(taken)
    parts = (0.04 / 0.8 * taken, 90.0 * 10.0 / 0.8, 1.5e-4 * 1e7 / 0.8)
    assert generator.sigma_j(held) == pytest.approx(np.sqrt(np.sum(np.square(parts))))
    both = Held.sum_of([held, held])
    assert (both.into_motor_j, both.moving_s, both.noise_j2) == (2e5, 20.0, 0.0)


def test_a_machine_that_nobody_measured_apart_loses_as_a_generator_what_it_loses_as_a_motor():
    build = build_of(TwinVehicle())
    assert Generator.of(build).efficiency == build.powertrain.regen_efficiency
    fitted = replace(build, basis="fit of 3 drives")
    drive = build.powertrain.drive_efficiency
    found = Generator.of(fitted).efficiency
    assert found.value == pytest.approx(max(2.0 - 1.0 / drive.value, build.powertrain.regen_efficiency.value))
    assert found.sigma == pytest.approx(np.hypot(0.05, drive.sigma / drive.value**2))
    # Drives may teach more than can be, where losses of their own stand beside it; no machine gives more than it takes.
    beyond = replace(fitted, powertrain=replace(fitted.powertrain, regen_efficiency=PlanningValue(1.06, 0.05)))
    assert Generator.of(beyond).efficiency.value == 1.0
    vague = PlanningValue(0.6, 0.06)
    planned = replace(build, powertrain=replace(build.powertrain, regen_efficiency=vague))
    assert Generator.of(planned).efficiency.value == pytest.approx(2.0 - 1.0 / drive.value)


def test_noise_of_a_stretch_is_three_percent_of_its_kinetic_energy_and_the_part_of_its_height():
    vehicle = TwinVehicle()
    drive = twin_drive("urban", 1, duration_s=1500.0).to_drive()
    for one in found_in(drive, build_of(vehicle))[:8]:
        height = min(3.0, np.sqrt(2.0) * (one.end_s - one.start_s) / 20.0)
        expected = (0.03 * one.kinetic_j) ** 2 + (vehicle.mass_kg * 9.80665 * height) ** 2
        assert one.noise_j2 == pytest.approx(expected)
