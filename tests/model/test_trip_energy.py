from dataclasses import replace

import numpy as np
import pytest

from logan.drive.wheel_work import rotating_mass_of
from logan.model.balance import segment_drive
from logan.model.drive_fit import own_variance_j2, trip_energy, with_logged_auxiliary
from logan.model.drive_likelihood import OWN_MEAN, NoiseScales, segment_variance_j2
from logan.model.forward import consumption
from logan.model.parameters import Conditions
from logan.model.priors import planning_values
from logan.model.schedule import Schedule
from logan.model.unknowns import Own
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.model.simple_drives import smooth_drive
from tests.model.test_balance import plan_vector


@pytest.fixture(scope="module")
def build():
    return example_build()


@pytest.fixture(scope="module")
def segments(build):
    return segment_drive(smooth_drive(build, climb_m=25.0), build)


def test_a_drive_of_the_plan_is_predicted_by_the_plan(build, segments):
    predicted = trip_energy(plan_vector(build), segments, rotating_mass_of(build))
    assert predicted.energy_j == pytest.approx(segments.measured_j, rel=0.01)


def test_a_pack_that_takes_nothing_back_costs_all_regen(build, segments):
    shared, rotating_kg = plan_vector(build), rotating_mass_of(build)
    free = trip_energy(shared, segments, rotating_kg).energy_j
    closed = replace(segments, trip_regen_limit_j=np.zeros(segments.trip.count))
    shut = trip_energy(shared, closed, rotating_kg).energy_j
    assert shut > free


def test_logged_auxiliary_power_replaces_the_models(build, segments):
    shared = plan_vector(build)
    own, left = with_logged_auxiliary(replace(segments, auxiliary_power_w=900.0), shared, 0.3)
    more_j = trip_energy(shared, segments, 0.0, own=own).energy_j - trip_energy(shared, segments, 0.0).energy_j
    expected = (900.0 - build.auxiliary.base_power_w.value) * segments.duration_s
    assert more_j == pytest.approx(expected)
    assert left == 0.05
    assert with_logged_auxiliary(segments, shared, 0.3) == (pytest.approx(OWN_MEAN), 0.3)


def test_a_drives_own_variance_adds_level_wind_auxiliaries_heights_and_what_segments_miss(build, segments):
    shared = plan_vector(build)
    energy = trip_energy(shared, segments, rotating_mass_of(build))
    scales = NoiseScales(level_sigma_ratio=0.04, segment_ratio=0.7)
    found = own_variance_j2(energy, segments, scales, 0.2)
    parts = energy.by_own * [0.04, 0.98, 0.98, 0.2]
    missed = 0.7**2 * float(segment_variance_j2(segments).sum())
    per_metre_j = np.exp(shared[0] - shared[3]) * 9.80665
    heights = 2.0 * (per_metre_j * segments.elevation_sigma_m) ** 2
    assert found == pytest.approx(float((parts**2).sum()) + missed + heights)


def test_an_unknown_road_height_makes_a_prediction_much_less_sure(build, segments):
    energy = trip_energy(plan_vector(build), segments, rotating_mass_of(build))
    level = replace(segments, elevation_sigma_m=50.0, has_elevation=False)
    known, unknown = (own_variance_j2(energy, drive, NoiseScales(), 0.2) for drive in (segments, level))
    assert unknown > 2.0 * known


def test_unlogged_cabin_power_widens_and_raises_a_prediction(build, segments):
    cold = replace(segments, unlogged_cabin_log=0.6, unlogged_cabin_log_sigma=0.7)
    own, spread = with_logged_auxiliary(cold, plan_vector(build), 0.2)
    assert own[Own.AUXILIARY] == 0.6
    assert spread == pytest.approx(np.hypot(0.2, 0.7))


def test_the_linear_road_load_of_a_coastdown_costs_the_fit_what_it_costs_the_plan(build):
    vehicle = replace(build.vehicle, linear_road_load_n_s_per_m=PlanningValue(5.0, 0.0, "coastdown"))
    linear = replace(build, vehicle=vehicle)
    drive = smooth_drive(build)
    plain, loaded = (segment_drive(drive, settings) for settings in (build, linear))
    more_j = [trip_energy(plan_vector(build), part, rotating_mass_of(build)).energy_j for part in (plain, loaded)]
    speed = drive["speed"]
    schedule = Schedule(name="same", time_s=speed.time_s, speed_m_per_s=speed.value)
    parameters = np.array([[value.value for value in planning_values(build)]])
    taken = [consumption(schedule, Conditions(), parameters, settings) for settings in (build, linear)]
    by_plan_j = (taken[1].total_wh_per_km - taken[0].total_wh_per_km)[0] * 3600.0 * schedule.distance_m / 1000.0
    assert more_j[1] - more_j[0] == pytest.approx(by_plan_j, rel=0.02)
