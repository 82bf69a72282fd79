from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import STEP_S, TwinVehicle
from logan.metrics.energy import energy_summary
from logan.metrics.regen import DEFINITIONS, regen_summary
from logan.results import Estimate, Refusal
from logan.settings import PlanningValue
from tests.twin_drives import build_of, made_drive, twin_drive, without


def summary_of(twin, build=None, drive=None):
    drive, build = drive or twin.to_drive(), build or build_of(twin.vehicle)
    return regen_summary(drive, build, energy_summary(drive, build))


def value(summary, number):
    return next(figure.value for figure in summary.figures if figure.number == number)


def truth(twin):
    """Shares and energies of the twin's own trace. [Wh]"""
    trace = twin.trace
    speed = 0.5 * (trace["speed"] + np.append(trace["speed"][1:], trace["speed"][-1]))
    pack, wheel, brake = trace["pack_power"], trace["wheel_force"] * speed, trace["brake_force"] * speed
    hours = STEP_S / 3600.0
    return {
        "out": np.maximum(pack, 0.0).sum() * hours,
        "back": np.maximum(-pack, 0.0).sum() * hours,
        "friction": brake.sum() * hours,
        "braking": (np.maximum(-wheel, 0.0) + brake).sum() * hours,
    }


@pytest.mark.parametrize("vehicle", [TwinVehicle(), TwinVehicle(regen_power_limit_w=15_000.0)], ids=["free", "capped"])
def test_all_eight_definitions_against_the_truth(vehicle):
    twin = twin_drive("urban", 1, duration_s=1500.0, vehicle=vehicle)
    summary, real = summary_of(twin), truth(twin)
    assert [figure.number for figure in summary.figures] == list(range(1, 9))
    assert value(summary, 1).value == pytest.approx(real["back"] / real["out"], rel=0.02)
    assert value(summary, 2).value == pytest.approx(real["back"] / (real["out"] - real["back"]), rel=0.02)
    assert value(summary, 3).value == pytest.approx(real["back"] / real["braking"], rel=0.03)
    assert isinstance(value(summary, 4), Estimate)
    assert value(summary, 5).value == pytest.approx(vehicle.regen_efficiency_ratio, rel=0.04)
    round_trip = vehicle.drive_efficiency_ratio * vehicle.regen_efficiency_ratio
    assert value(summary, 6).value == pytest.approx(round_trip, rel=0.04)
    assert "regen off" in value(summary, 7).reason
    assert isinstance(value(summary, 8), Refusal)
    assert summary.friction_wh.value == pytest.approx(real["friction"], abs=2.0 * summary.friction_wh.sigma)


def test_the_printed_definition_is_named():
    summary = summary_of(twin_drive("urban", 1, duration_s=1500.0))
    printed = next(figure for figure in summary.figures if figure.number == summary.printed)
    assert (printed.number, printed.name, printed.meaning) == DEFINITIONS[0]


def test_energy_lost_to_a_cap_is_found_and_named():
    vehicle = TwinVehicle(regen_power_limit_w=15_000.0)
    twin = twin_drive("urban", 1, duration_s=1500.0, vehicle=vehicle)
    build = build_of(vehicle)
    limit_w = vehicle.regen_power_limit_w * vehicle.regen_efficiency_ratio - vehicle.auxiliary_power_w
    capped = replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=limit_w))
    summary, real = summary_of(twin, capped), truth(twin)
    assert 0.6 * real["friction"] < summary.capped_wh.value <= 1.1 * real["friction"]
    assert value(summary, 8).value == pytest.approx(summary.capped_wh.value / real["braking"], rel=0.05)
    hardest = max(summary.stops, key=lambda stop: stop.capped_wh)
    assert hardest.limited_by == "regen power limit of the build"
    assert hardest.friction_wh > 0.0


def test_a_charge_limit_of_zero_takes_everything():
    twin = twin_drive("urban", 1, duration_s=1500.0, vehicle=TwinVehicle(regen_force_limit_n=0.0))
    drive = twin.to_drive()
    voltage = drive["pack_voltage"]
    limit = replace(voltage, name="charge_current_limit", value=np.zeros(voltage.time_s.shape))
    summary = summary_of(twin, drive=drive.with_channels(limit))
    assert summary.capped_wh.value == pytest.approx(summary.friction_wh.value, rel=0.1)
    assert value(summary, 1).value == pytest.approx(0.0, abs=1e-3)


def test_a_stop_gives_its_energies_and_its_state():
    summary = summary_of(twin_drive("urban", 1, duration_s=1500.0))
    stop = max(summary.stops, key=lambda one: one.kinetic_wh)
    vehicle = TwinVehicle()
    mass_kg = vehicle.mass_kg * (1.0 + vehicle.rotating_mass_ratio)
    kinetic_wh = 0.5 * mass_kg * (stop.start_speed_m_per_s**2 - stop.end_speed_m_per_s**2) / 3600.0
    assert stop.kinetic_wh == pytest.approx(kinetic_wh, rel=1e-3)
    assert stop.recovery_ratio == pytest.approx(stop.recovered_wh / stop.braking_wh)
    assert 0.6 < stop.recovery_ratio < 0.9
    assert 0.5 < stop.state_of_charge_ratio < 1.0
    assert stop.cell_temperature_degc is not None


def test_bands_hold_every_stop_once():
    summary = summary_of(twin_drive("urban", 1, duration_s=1500.0))
    assert sum(band.stop_count for band in summary.by_state_of_charge) == len(summary.stops)
    recovered = sum(band.recovered_wh for band in summary.by_cell_temperature)
    assert recovered == pytest.approx(sum(stop.recovered_wh for stop in summary.stops))


def test_without_the_brake_pedal_no_drivetrain_efficiency():
    twin = twin_drive("urban", 1, duration_s=1500.0)
    drive = without(twin.to_drive(), "brake_switch", "brake_pressure")
    summary = summary_of(twin, drive=drive)
    assert value(summary, 5).reason == "the brake pedal is not logged"
    assert summary.friction_wh.sigma > 10.0
    train = build_of(twin.vehicle).powertrain
    planned = replace(build_of(twin.vehicle), powertrain=replace(train, regen_efficiency=PlanningValue(0.8, 0.05)))
    refused = regen_summary(drive, planned, energy_summary(drive, planned)).friction_wh
    assert "can't be told from regen efficiency without brake pressure; at most" in refused.reason


def test_brake_pressure_tells_friction_from_a_regen_efficiency_that_is_planned_wrong():
    """The plan says 0.70 where the twin has more: the pedal's pressure still gives what the brakes took."""
    twin = twin_drive("urban", 1, duration_s=1500.0, vehicle=TwinVehicle(regen_power_limit_w=15_000.0))
    real = truth(twin)
    train = build_of(twin.vehicle).powertrain
    wrong = replace(build_of(twin.vehicle), powertrain=replace(train, regen_efficiency=PlanningValue(0.70, 0.08)))
    drive = twin.to_drive()
    found = regen_summary(drive, wrong, energy_summary(drive, wrong)).friction_wh
    assert found.source == "by brake pressure, at the wheels"
    assert found.value == pytest.approx(real["friction"], abs=max(2.0 * found.sigma, 0.15 * real["friction"]))


def test_without_speed_only_the_terminal_shares_are_given():
    twin = twin_drive("urban", 1, duration_s=1500.0)
    summary = summary_of(twin, drive=without(twin.to_drive(), "speed", "gnss_speed"))
    assert isinstance(value(summary, 1), Estimate)
    assert value(summary, 3).reason == "no speed is logged"
    assert summary.stops == ()


def test_more_than_the_wheels_gave_up_is_refused():
    twin = twin_drive("urban", 1, duration_s=1500.0)
    build = build_of(twin.vehicle)
    light = replace(build, vehicle=replace(build.vehicle, mass_kg=replace(build.vehicle.mass_kg, value=700.0)))
    assert "cannot be" in value(summary_of(twin, light), 3).reason


def test_a_downhill_drive_has_no_contribution_ratio():
    time_s = np.arange(0.0, 600.0, 0.5)
    drive = made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 360.0)),
        ("pack_current", time_s, np.where(time_s < 250.0, 20.0, -30.0)),
        ("speed", time_s, np.full(time_s.shape, 12.0)),
        ("charging", time_s, np.zeros(time_s.shape)),
    )
    summary = regen_summary(drive, build_of(TwinVehicle()), energy_summary(drive, build_of(TwinVehicle())))
    assert "downhill" in value(summary, 2).reason


def test_a_flag_on_regen_refuses_every_definition():
    twin = twin_drive("urban", 1, duration_s=1500.0)
    drive, build = twin.to_drive(), build_of(twin.vehicle)
    refusal = Refusal("current is averaged over ten seconds", "log it faster")
    summary = regen_summary(drive, build, energy_summary(drive, build), refusals={"regen": refusal})
    assert {figure.value for figure in summary.figures} == {refusal}
