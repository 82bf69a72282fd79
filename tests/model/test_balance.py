import json
from dataclasses import replace

import numpy as np
import pytest

from logan.drive.drive import Channel, Drive, DriveConditions
from logan.drive.wheel_work import rotating_mass_of
from logan.model.balance import LONGEST_SEGMENT_S, SHORTEST_SEGMENT_S, segment_drive
from logan.model.drive_likelihood import NoiseScales, first_state, segment_residual
from logan.model.plan import plan_of
from logan.model.road_integrals import TRIP_STEP_S
from logan.model.segments_table import DriveSegments
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT
from logan.results import json_ready
from tests.builds import example_build
from tests.model.simple_drives import channel, smooth_drive, wavy_speed


@pytest.fixture(scope="module")
def build():
    return example_build()


def plan_vector(build):
    plan, shared = plan_of(build), np.zeros(SHARED_COUNT)
    shared[:7] = np.log(
        [
            plan.mass_kg,
            plan.drag_area_m2,
            plan.rolling_coefficient,
            plan.drive_efficiency_ratio,
            plan.regen_efficiency_ratio,
            plan.auxiliary_power_w,
            plan.rolling_temperature_coefficient_per_k,
        ]
    )
    return shared


def worst_residual_ratio(segments, build):
    plan = plan_vector(build)
    state = first_state(segments, NoiseScales(hilliness_m2_per_m=10.0), plan)
    residual, _, _ = segment_residual(state, plan, np.zeros(OWN_COUNT), rotating_mass_of(build))
    return float(np.max(np.abs(residual[:-1]) / segments.sums(np.abs(segments.trip_power_j))))


@pytest.mark.parametrize("temperature_degc", [-5.0, 20.0, 35.0])
def test_the_balance_of_a_drive_by_formula_closes(build, temperature_degc):
    segments = segment_drive(smooth_drive(build, climb_m=60.0, temperature_degc=temperature_degc), build)
    assert segments.count >= 8
    assert worst_residual_ratio(segments, build) < 0.01


def test_payload_is_carried_in_the_balance(build):
    drive = smooth_drive(build, climb_m=40.0, conditions=DriveConditions(payload_kg=250.0))
    segments = segment_drive(drive, build)
    assert segments.payload_kg == 250.0
    assert worst_residual_ratio(segments, build) < 0.01


def test_integrals_are_those_of_the_formula(build):
    segments = segment_drive(smooth_drive(build, duration_s=700.0), build)
    time_s = np.arange(0.0, 699.0, 0.01)
    speed, _ = wavy_speed(time_s)
    start, end = segments.trip.start_s[0], segments.trip.start_s[0] + segments.trip.duration_s.sum()
    inside = (time_s >= start) & (time_s <= end)
    assert segments.distance_m == pytest.approx(np.trapezoid(speed[inside], time_s[inside]), rel=1e-4)
    density = 101_325.0 / (287.058 * 293.15)
    expected = density * np.trapezoid(speed[inside] ** 3, time_s[inside])
    assert segments.trip.air_kg_m2_per_s2.sum() == pytest.approx(expected, rel=2e-4)
    assert segments.trip.temperature_distance_m_k == pytest.approx(-5.0 * segments.trip.distance_m)
    assert segments.sums(segments.trip_power_j).sum() == pytest.approx(segments.measured_j, rel=0.02)


def test_a_lag_of_the_pack_power_is_found_and_taken_out(build):
    segments = segment_drive(smooth_drive(build, lag_s=0.4), build)
    assert segments.pack_lag_s == pytest.approx(0.4, abs=0.06)
    assert worst_residual_ratio(segments, build) < 0.01
    assert any("late against speed" in words for words in segments.warnings)


def test_logged_pack_power_alone_is_enough(build):
    both = smooth_drive(build)
    power = Channel(
        name="pack_power",
        time_s=both["pack_voltage"].time_s,
        value=both["pack_voltage"].value * both["pack_current"].value,
    )
    alone = smooth_drive(build, without=("pack_voltage", "pack_current"), extra=(power,))
    assert segment_drive(alone, build).measured_j == pytest.approx(segment_drive(both, build).measured_j)


@pytest.mark.parametrize(
    ("without", "reason"),
    [(("pack_current",), "no pack power"), (("speed",), "no road speed")],
)
def test_a_drive_without_power_or_speed_is_refused_with_the_reason(build, without, reason):
    segments = segment_drive(smooth_drive(build, without=without), build, drive_id="7")
    assert reason in segments.refusal
    assert segments.drive_id == "7"
    assert segments.count == 0


def test_a_drive_that_is_too_short_is_refused_with_the_reason(build):
    assert "too short for a fit" in segment_drive(smooth_drive(build, duration_s=120.0), build).refusal
    assert "hardly overlap" in segment_drive(smooth_drive(build, duration_s=8.0), build).refusal


def test_power_and_speed_that_never_meet_are_refused(build):
    drive = smooth_drive(build)
    later = Channel(name="speed", time_s=drive["speed"].time_s + 5000.0, value=drive["speed"].value)
    assert "overlap" in segment_drive(Drive(channels={**drive.channels, "speed": later}), build).refusal


def test_without_elevation_the_drive_says_little_and_says_why(build):
    known = segment_drive(smooth_drive(build), build)
    unknown = segment_drive(smooth_drive(build, without=("elevation", "barometric_pressure")), build)
    assert not unknown.has_elevation
    assert unknown.elevation_sigma_m > 5.0 * known.elevation_sigma_m
    assert any("no elevation" in words for words in unknown.warnings)


def test_a_gap_costs_its_segment_and_nothing_else(build):
    drive = smooth_drive(build)
    current = np.array(drive["pack_current"].value)
    current[4000:4300] = np.nan
    gappy = segment_drive(
        drive.with_channels(Channel(name="pack_current", time_s=drive["speed"].time_s, value=current)), build
    )
    assert gappy.coverage_ratio == pytest.approx(1.0 - 30.0 / 899.0, abs=0.003)
    first_s = gappy.trip.start_s[gappy.first_step.astype(int)]
    last_s = gappy.trip.start_s[gappy.last_step.astype(int) - 1] + 2.0
    assert not ((first_s < 430.0) & (last_s > 400.0)).any()
    assert worst_residual_ratio(gappy, build) < 0.01
    trip_end_s = gappy.trip.start_s + gappy.trip.duration_s
    assert not ((gappy.trip.start_s < 430.0) & (trip_end_s > 400.0)).any()


def test_charging_is_no_part_of_the_drive(build):
    drive = smooth_drive(build)
    plugged = channel("charging", drive["speed"].time_s, drive["speed"].time_s > 600.0)
    segments = segment_drive(drive.with_channels(plugged), build)
    assert (segments.trip.start_s + segments.trip.duration_s).max() <= 601.0


def test_unlogged_weather_is_assumed_and_said(build):
    segments = segment_drive(smooth_drive(build, without=("ambient_temperature",)), build)
    assert any("20\u202f°C assumed" in words for words in segments.warnings)
    noted = DriveConditions(ambient_temperature_degc=2.0, pressure_pa=95_000.0, relative_humidity_ratio=0.5)
    cold = segment_drive(
        smooth_drive(build, without=("ambient_temperature", "barometric_pressure"), conditions=noted), build
    )
    assert cold.ambient_temperature_degc == 2.0
    assert cold.air_density_kg_per_m3 == pytest.approx(95_000.0 / (287.058 * 275.15), rel=0.005)


def test_known_wind_enters_the_air_work(build):
    drive = smooth_drive(build)
    time_s = drive["speed"].time_s
    calm = segment_drive(drive, build)
    windy = segment_drive(drive.with_channels(channel("headwind", time_s, 3.0)), build)
    speed, _ = wavy_speed(time_s)
    expected = np.mean((speed + 3.0) ** 2 * speed) / np.mean(speed**3)
    assert windy.wind_known
    ratio = windy.trip.air_kg_m2_per_s2.sum() / calm.trip.air_kg_m2_per_s2.sum()
    assert ratio == pytest.approx(expected, rel=0.005)


def test_station_wind_needs_a_course_and_counts_seven_tenths(build):
    conditions = DriveConditions(wind_m_per_s=5.0, wind_from_deg=90.0)
    without_course = segment_drive(smooth_drive(build, conditions=conditions), build)
    assert not without_course.wind_known
    drive = smooth_drive(build, conditions=conditions)
    east = segment_drive(drive.with_channels(channel("heading", drive["speed"].time_s, 90.0)), build)
    into_it = segment_drive(smooth_drive(build).with_channels(channel("headwind", drive["speed"].time_s, 3.5)), build)
    assert east.wind_known
    assert east.trip.air_kg_m2_per_s2.sum() == pytest.approx(into_it.trip.air_kg_m2_per_s2.sum(), rel=1e-6)


def test_course_from_positions_points_where_the_vehicle_goes(build):
    drive = smooth_drive(build)
    time_s = drive["speed"].time_s
    metres = np.concatenate(([0.0], np.cumsum(np.diff(time_s) * drive["speed"].value[1:])))
    placed = drive.with_channels(
        channel("latitude", time_s, 10.0),
        channel("longitude", time_s, 20.0 + metres / 111_320.0 / np.cos(np.radians(10))),
    )
    road = segment_drive(placed, build).trip
    assert road.air_east[4:-4] == pytest.approx(road.air_along[4:-4], rel=1e-3)
    assert np.abs(road.air_north[4:-4]).max() < 1e-3 * road.air_along.max()


def test_regen_acceptance_limits_the_steps(build):
    drive = smooth_drive(build)
    time_s = drive["speed"].time_s
    by_power = segment_drive(drive.with_channels(channel("charge_power_limit", time_s, 9_000.0)), build)
    by_current = segment_drive(drive.with_channels(channel("charge_current_limit", time_s, 20.0)), build)
    assert by_power.trip_regen_limit_j == pytest.approx(np.full(by_power.trip.count, 18_000.0))
    assert by_current.trip_regen_limit_j == pytest.approx(np.full(by_current.trip.count, 14_000.0))


def test_segments_survive_json(build):
    segments = segment_drive(smooth_drive(build, climb_m=30.0), build, drive_id="12")
    again = DriveSegments.from_dict(json.loads(json.dumps(json_ready(segments))))
    assert json_ready(again) == json_ready(segments)
    refused = segment_drive(smooth_drive(build, duration_s=8.0), build)
    assert DriveSegments.from_dict(json.loads(json.dumps(json_ready(refused)))).refusal == refused.refusal
    with pytest.raises(ValueError, match="schema is drive-segments/0"):
        DriveSegments.from_dict({"schema": "drive-segments/0"})


def capped_drive(build, **channels):
    drive = smooth_drive(build)
    time_s = drive["speed"].time_s
    return Drive(
        channels={**drive.channels, **{name: channel(name, time_s, value) for name, value in channels.items()}}
    )


def test_a_step_may_put_back_no_more_than_the_tighter_of_the_logged_and_the_planned_limit(build):
    """Steps of TRIP_STEP_S seconds: 12 kW logged, or 9 kW by the build; a limit of petawatts is none."""
    planned = replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=9_000.0))
    free = replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=None))
    logged = segment_drive(capped_drive(build, charge_power_limit=12_000.0), free)
    assert logged.trip_regen_limit_j == pytest.approx(12_000.0 * TRIP_STEP_S)
    both = segment_drive(capped_drive(build, charge_power_limit=12_000.0), planned)
    assert both.trip_regen_limit_j == pytest.approx(9_000.0 * TRIP_STEP_S)
    assert np.isinf(segment_drive(smooth_drive(free), free).trip_regen_limit_j).all()


def test_below_a_share_of_the_fade_speed_nothing_comes_back(build):
    """A linear fade over a steady stop gives back a third, as full regen above 3^-0.5 of the fade speed does."""
    fading = replace(
        build, powertrain=replace(build.powertrain, regen_power_limit_w=9_000.0, regen_fade_speed_m_per_s=18.0)
    )
    segments = segment_drive(smooth_drive(build), fading)
    mean = segments.trip.distance_m / TRIP_STEP_S
    slow = mean < 18.0 / np.sqrt(3.0)
    assert 0 < slow.sum() < slow.size
    assert (segments.trip_regen_limit_j[slow] == 0.0).all()
    assert (segments.trip_regen_limit_j[~slow] > 0.0).all()


def test_cabin_energy_stands_apart_step_by_step(build):
    segments = segment_drive(capped_drive(build, heater_power=1_500.0), build)
    assert segments.cabin_logged
    assert segments.trip_cabin_j == pytest.approx(1_500.0 * TRIP_STEP_S)
    plain = segment_drive(smooth_drive(build), build)
    assert not plain.cabin_logged
    assert not plain.trip_cabin_j.any()


def test_an_edge_is_as_sure_as_speed_and_timing_there(build):
    """A speed off by s stores m v s, so a heavier drive's edges are less sure; to 5 %, as rotating parts stay."""
    light = segment_drive(smooth_drive(build), build)
    heavy = segment_drive(smooth_drive(build, conditions=DriveConditions(payload_kg=300.0)), build)
    ratio = (build.vehicle.mass_kg.value + 300.0) / build.vehicle.mass_kg.value
    assert heavy.edge_sigma_j == pytest.approx(ratio * light.edge_sigma_j, rel=0.05)
    assert heavy.payload_kg == 300.0


def test_what_is_missing_is_said_and_a_lag_below_a_twentieth_of_a_second_is_not(build):
    bare = segment_drive(smooth_drive(build, without=("elevation", "ambient_temperature")), build).warnings
    assert any("no elevation" in words for words in bare)
    assert any("20\u202f°C assumed" in words for words in bare)
    assert not any("late against speed" in words for words in segment_drive(smooth_drive(build), build).warnings)


def test_segments_are_between_the_shortest_and_the_longest_and_hold_the_drive(build):
    segments = segment_drive(smooth_drive(build, duration_s=1500.0), build)
    lengths = (segments.last_step - segments.first_step + 1) * TRIP_STEP_S
    assert lengths.min() >= SHORTEST_SEGMENT_S
    assert lengths[:-1].max() <= LONGEST_SEGMENT_S
    assert segments.sums(segments.trip.distance_m).sum() == pytest.approx(segments.distance_m, rel=0.01)


def test_a_refused_drive_claims_nothing(build):
    refused = segment_drive(smooth_drive(build, without=("speed",)), build)
    assert not any((refused.has_elevation, refused.has_heading, refused.cabin_logged, refused.wind_known))
    assert (refused.coverage_ratio, refused.pack_lag_s, refused.payload_kg) == (0.0, 0.0, 0.0)
    assert refused.auxiliary_power_w is None


def test_a_force_that_changes_within_a_step_is_seen_in_the_packs_power(build):
    plan, time_s = plan_of(build), np.arange(0.0, 400.0, 0.05)
    quiet_w, swing_w = 3_000.0, 10_000.0
    power_w = quiet_w + swing_w * np.where(time_s % 1.0 < 0.5, 1.0, -1.0)
    drive = Drive(
        channels={
            "speed": channel("speed", time_s, 20.0),
            "pack_power": channel("pack_power", time_s, power_w),
            "elevation": channel("elevation", time_s, 100.0),
        }
    )
    segments = segment_drive(drive, build)
    inner = slice(2, -2)
    returned_w = swing_w - quiet_w + plan.auxiliary_power_w
    assert segments.trip_swing_j[inner] == pytest.approx(0.5 * TRIP_STEP_S * returned_w, rel=0.08)
    variance_n2 = (plan.drive_efficiency_ratio * swing_w / 20.0) ** 2
    assert segments.trip_swing_n2_s[inner] == pytest.approx(variance_n2 * TRIP_STEP_S, rel=0.08)
    calm = segment_drive(smooth_drive(build, swing=0.0), build)
    assert calm.trip_swing_j.max() == 0.0
    assert calm.trip_swing_n2_s.max() < 1e-3 * variance_n2


@pytest.mark.parametrize(("charge", "full"), [(0.85, 0.0), (0.95, 0.5), (1.0, 1.0)])
def test_how_full_the_pack_is_goes_with_every_step(build, charge, full):
    drive = smooth_drive(build, extra=(channel("state_of_charge", np.arange(0.0, 900.0), charge),))
    assert segment_drive(drive, build).trip_full_ratio == pytest.approx(full)
    assert not segment_drive(smooth_drive(build), build).trip_full_ratio.any()
