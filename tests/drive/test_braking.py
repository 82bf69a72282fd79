from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from logan.demo.twin import STEP_S, TwinVehicle
from logan.drive.braking import (
    PAD_SIGMA_RATIO,
    Braking,
    Generator,
    Held,
    _pads_and_machine,
    brakings,
    friction_by_pressure,
    is_known_apart,
)
from logan.drive.drive import pack_power
from logan.drive.logged_loads import auxiliary_load
from logan.drive.wheel_work import effective_mass_kg, wheel_work
from logan.settings import PlanningValue
from tests.twin_drives import build_of, made_drive, twin_drive, with_true_height, without


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


def test_pads_without_a_braking_that_tells_anything_are_as_sure_as_their_priors():
    """Noise beyond all measure: what is left is 0.7 of the pads' logarithm, and the machine's own, over its 0.8."""
    generator = generator_of(0.8, 0.04)
    found, pressed = stretches(3, np.random.default_rng(1), kappa=2e-3, generator=generator)
    values, precision = _pads_and_machine([replace(one, noise_j2=1e40) for one in found], pressed, generator)
    assert values == pytest.approx([np.log(2e-3), 1.25, 125.0, 2.5e-4])
    sigmas = 1.0 / np.sqrt(np.diag(precision))
    assert sigmas == pytest.approx([0.7, 0.04 / 0.8**2, 90.0 / 0.8, 1.5e-4 / 0.8])


def test_a_generator_taken_for_a_motor_is_as_unsure_as_the_motors_inverse():
    build = build_of(TwinVehicle())
    train = replace(build.powertrain, drive_efficiency=PlanningValue(0.8, 0.06))
    found = Generator.of(replace(build, powertrain=train, basis="fit of 3 drives")).efficiency
    assert found.sigma == pytest.approx(np.hypot(0.05, 0.06 / 0.64))


@pytest.mark.parametrize(("sigma", "is_known"), [(0.0099, True), (0.0101, False), (0.02, False)])
def test_a_regen_efficiency_is_known_apart_to_two_percent_of_itself(sigma, is_known):
    build = build_of(TwinVehicle())
    planned = replace(build, powertrain=replace(build.powertrain, regen_efficiency=PlanningValue(0.5, sigma)))
    assert is_known_apart(planned) is is_known
    assert is_known_apart(replace(planned, basis="fit of 3 drives")) is False


def slowing(net_w, back_w, *more, seconds=12.0):
    """A minute at 20 m/s, then slower by so many watts more than tires and air take; ten samples a second."""
    build, time_s = build_of(TwinVehicle()), 0.1 * np.arange(900)
    speed = np.full(time_s.shape, 20.0)
    even = made_drive(("speed", time_s, speed))
    work, mass_kg = wheel_work(even, build), effective_mass_kg(even, build)
    tires_n, air_n = work.rolling_j[0] / 2.0, work.air_j[0] / 2.0
    for k in range(601, 601 + round(10 * seconds)):
        held_n = tires_n + air_n * (speed[k - 1] / 20.0) ** 2 + net_w / speed[k - 1]
        speed[k:] = speed[k - 1] - 0.1 * held_n / mass_kg
    back = back_w(time_s) if callable(back_w) else np.where((time_s > 60.0) & (time_s < 60.0 + seconds), back_w, 0.0)
    drive = made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 400.0)),
        ("pack_current", time_s, (300.0 - back) / 400.0),
        ("speed", time_s, speed),
        ("dcdc_power", time_s, np.full(time_s.shape, 300.0)),
        *((name, time_s, value(time_s)) for name, value in more),
    )
    return drive, build


def given_up_j(one):
    """Kinetic energy between two speeds, with the twin's rotating parts."""
    vehicle = TwinVehicle()
    mass_kg = vehicle.mass_kg * (1.0 + vehicle.rotating_mass_ratio)
    return 0.5 * mass_kg * (one.start_speed_m_per_s**2 - one.end_speed_m_per_s**2)


@pytest.mark.parametrize(("net_w", "back_w", "count"), [(500, 450, 0), (500, 550, 1), (1_800, 0, 0), (2_300, 0, 1)])
def test_a_braking_is_half_a_kilowatt_back_or_two_kilowatts_held_back(net_w, back_w, count):
    found = found_in(*slowing(net_w, back_w))
    assert len(found) == count
    for one in found:
        assert one.kinetic_j == pytest.approx(given_up_j(one))
        assert one.braking_j == pytest.approx(net_w * (one.end_s - one.start_s), rel=0.05)


def pulses(*spans, watts=1_000.0):
    return lambda time_s: sum(np.where((time_s > a - 0.01) & (time_s < b + 0.01), watts, 0.0) for a, b in spans)


@pytest.mark.parametrize(
    ("spans", "expected"),
    [
        ([(61.0, 63.0), (63.9, 66.0)], [(61.0, 66.0)]),
        ([(61.0, 63.0), (64.2, 66.0)], [(61.0, 63.0), (64.2, 66.0)]),
        ([(61.0, 63.0), (63.7, 64.0), (64.7, 67.0)], [(61.0, 63.0), (64.7, 67.0)]),
        ([(61.0, 63.0), (63.7, 64.2), (64.9, 67.0)], [(61.0, 67.0)]),
    ],
)
def test_brakings_a_second_apart_are_one_and_a_blink_is_none(spans, expected):
    """What lasts less than four tenths of a second joins nothing."""
    found = found_in(*slowing(800, pulses(*spans)))
    assert [(one.start_s, one.end_s) for one in found] == [pytest.approx(span) for span in expected]


@pytest.mark.parametrize(("seconds", "count"), [(0.9, 0), (1.1, 1)])
def test_a_braking_below_two_watt_hours_is_left_out(seconds, count):
    """Tires and air take 6.7 kW of what it gives up, so a second gives up 7.5 kJ."""
    assert len(found_in(*slowing(600, pulses((61.0, 61.0 + seconds))))) == count


def test_energies_of_a_braking_by_hand():
    """3 kW into the pack and 300 W into the DC-DC converter for five seconds at the speed's own pace."""
    drive, build = slowing(1_000, pulses((61.0, 66.0), watts=3_300.0))
    (one,) = found_in(drive, build)
    assert one.into_pack_j == pytest.approx(3_000.0 * 5.0, rel=0.02)
    assert one.into_motor_j == pytest.approx(3_300.0 * 5.0, rel=0.02)
    assert one.moving_s == pytest.approx(5.0)
    assert one.braking_j == pytest.approx(1_000.0 * 5.0, rel=0.02)
    assert one.potential_j == 0.0
    force_n = (
        3_300.0 / build.powertrain.regen_efficiency.value / (0.5 * (one.start_speed_m_per_s + one.end_speed_m_per_s))
    )
    assert one.squared_n2_s == pytest.approx(force_n**2 * 5.0, rel=0.03)
    assert one.limited_by == ""
    assert (one.capped_j, one.limited) == (0.0, Held())


def limit_of(*spans, at=0.0, else_at=900.0):
    return lambda time_s: np.where(pulses(*spans, watts=1.0)(time_s) > 0.0, at, else_at)


@pytest.mark.parametrize(("until_s", "name"), [(61.2, ""), (61.9, "charge_current_limit")])
def test_a_limit_counts_from_a_twentieth_of_the_braking_on(until_s, name):
    """Ten seconds on the brake with nothing coming back, and no current allowed for 0.2 or 0.9 of them."""
    drive, build = slowing(
        9_000, 0.0, ("brake_switch", pulses((61.0, 71.0), watts=1.0)),
        ("charge_current_limit", limit_of((61.0, until_s))), seconds=10.0,
    )  # fmt: skip
    (one,) = found_in(drive, build)
    assert one.limited_by == name
    assert (one.limited.moving_s > 0.0) == bool(name)


@pytest.mark.parametrize(
    ("peak_a", "drawn_a", "is_reached"),
    [(150.0, 1.9, True), (150.0, 2.1, False), (400.0, 3.9, True), (-400.0, 3.9, True), (400.0, 4.1, False)],
)
def test_at_a_limit_of_zero_the_auxiliaries_may_draw_two_amperes_or_a_hundredth_of_the_largest(
    peak_a, drawn_a, is_reached
):
    """A sensor of hundreds of amperes is a hundredth of them off, and the DC-DC converter draws on at standstill."""
    stop = pulses((61.0, 66.0), watts=1.0)
    drive, build = slowing(
        9_000, lambda time_s: 300.0 - 400.0 * np.where(time_s < 0.5, peak_a, drawn_a),
        ("brake_switch", stop), ("charge_current_limit", limit_of((61.0, 66.0))), seconds=5.0,
    )  # fmt: skip
    (one,) = found_in(drive, build)
    assert bool(one.limited_by) is is_reached


def test_of_two_limits_the_one_that_held_back_most_is_named():
    """The build's cap of 3 kW is reached throughout, the charge current's only for two of ten seconds."""
    drive, build = slowing(
        9_000, 3_300.0, ("charge_current_limit", limit_of((61.0, 63.0), at=7.0)), seconds=10.0,
    )  # fmt: skip
    build = replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=3_000.0))
    (one,) = found_in(drive, build)
    assert one.limited_by == "regen power limit of the build"
    assert one.limited.moving_s == pytest.approx(10.0, abs=0.3)
    assert one.capped_j == pytest.approx(one.limited.braking_j - Generator.of(build).taken_j(one.limited))


@pytest.mark.parametrize(("back_w", "is_reached"), [(2_800.0, False), (2_900.0, True)])
def test_a_cap_is_reached_at_nineteen_twentieths_of_it(back_w, is_reached):
    drive, build = slowing(9_000, back_w + 300.0, seconds=10.0)
    build = replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=3_000.0))
    (one,) = found_in(drive, build)
    assert bool(one.limited_by) is is_reached
    announced, _ = slowing(
        9_000, back_w + 300.0, ("charge_power_limit", limit_of((0.0, 120.0), at=3_000.0)), seconds=10.0,
    )  # fmt: skip
    (one,) = found_in(announced, build_of(TwinVehicle()))
    assert one.limited_by == ("charge_power_limit" if is_reached else "")


def test_friction_that_no_braking_tells_is_pressure_by_way_at_the_usual_pads_and_as_unsure_as_they_are():
    """Five bar for eight seconds, one bar of it before the pads bite: 0.002 N per pascal, known to 0.7 and 0.1."""
    drive, build = slowing(9_000, 300.0, ("brake_pressure", pulses((61.0, 69.0), watts=5e5)))
    work = wheel_work(drive, build)
    mute = [replace(one, noise_j2=1e40) for one in found_in(drive, build)]
    speed = work.speed_m_per_s[610:691]
    whole, sigma = friction_by_pressure(drive, build, work, mute)
    assert whole == pytest.approx(2e-3 * 4e5 * float(np.mean(speed)) * 8.0, rel=0.02)
    assert sigma == pytest.approx(np.hypot(0.7, 0.1) * whole)
    assert friction_by_pressure(without(drive, "brake_pressure"), build, work, mute) is None
    assert friction_by_pressure(drive, build, work, []) is None


def test_a_pedal_pressed_later_or_sooner_is_not_of_this_braking():
    for pressed, expected in (((62.0, 63.0), True), ((75.0, 80.0), False), ((50.0, 55.0), False)):
        (one,) = (
            one for one in found_in(*slowing(800, pulses((61.0, 66.0)), ("brake_switch", pulses(pressed, watts=1.0))))
            if one.into_motor_j > 1_000.0
        )  # fmt: skip
        assert one.brake_pressed is expected
        assert (one.friction_j == 0.0) is not expected or one.braking_j < one.into_motor_j
