from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from logan.demo.routes import TwinRoute, highway_route, urban_route
from logan.demo.twin import TwinVehicle, TwinWeather, drive_twin
from logan.drive.drive import DriveConditions
from logan.driving_range.difference import DriveDifference, explain_difference, side_of
from logan.driving_range.other_values import OtherValues, planned_other_values
from logan.metrics.energy import energy_summary
from logan.model.priors import prior_of
from logan.results import Estimate, Refusal
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.twin_drives import without

BUILD = example_build()


def recorded(
    route: TwinRoute, *, weather: TwinWeather | None = None, heater_w_per_k: float = 0.0, mass_kg: float = 1800.0
):
    vehicle = TwinVehicle(
        mass_kg=mass_kg, drag_area_m2=1.0, drive_efficiency_ratio=0.87, regen_efficiency_ratio=0.8,
        auxiliary_power_w=350.0, total_ratio=9.0, tyre_rolling_circumference_m=2.0, heater_w_per_k=heater_w_per_k,
    )  # fmt: skip
    return drive_twin(vehicle, route, rng=np.random.default_rng(5), weather=weather).to_drive()


def town(seed: int = 1) -> TwinRoute:
    return urban_route(np.random.default_rng(seed), duration_s=900.0, climb_ratio=0.0)


def highway(speed_mph: float, climb_ratio: float = 0.0) -> TwinRoute:
    return highway_route(np.random.default_rng(2), duration_s=1200.0, speed_mph=speed_mph, climb_ratio=climb_ratio)


def explained(first, second) -> DriveDifference:
    sides = side_of(first, BUILD, "first"), side_of(second, BUILD, "second")
    return explain_difference(*sides, prior_of(BUILD), BUILD, np.random.default_rng(0))


def effect(found: DriveDifference, name: str) -> float:
    return next(part.effect_wh_per_km.value for part in found.parts if part.name == name)


def largest(found: DriveDifference) -> str:
    return max(found.parts, key=lambda part: abs(part.effect_wh_per_km.value)).name


def test_a_drive_does_not_differ_from_itself():
    drive = recorded(highway(60.0))
    found = explained(drive, drive)
    assert [part.effect_wh_per_km.value for part in found.parts] == pytest.approx([0.0] * 6, abs=1e-9)
    assert found.unexplained_wh_per_km.value == pytest.approx(0.0, abs=1e-9)


def test_parts_and_remainder_add_up_to_the_measured_difference():
    found = explained(
        recorded(town()), recorded(highway(65.0, 0.02), weather=TwinWeather(ambient_temperature_degc=2.0))
    )
    total = sum(part.effect_wh_per_km.value for part in found.parts) + found.unexplained_wh_per_km.value
    assert total == pytest.approx(found.difference_wh_per_km.value, abs=1e-9)


def test_turning_the_question_round_turns_every_sign():
    one, other = recorded(town()), recorded(highway(65.0), weather=TwinWeather(ambient_temperature_degc=0.0))
    there, back = explained(one, other), explained(other, one)
    for name in ("speed", "driving", "hills", "weather", "heating and cooling"):
        assert effect(there, name) == pytest.approx(-effect(back, name), abs=1e-9)


def test_a_faster_drive_is_explained_by_its_speed():
    found = explained(recorded(highway(50.0)), recorded(highway(70.0)))
    assert largest(found) == "speed"
    assert abs(found.unexplained_wh_per_km.value) < 0.1 * found.difference_wh_per_km.value


def test_cold_air_and_a_heater_are_told_apart():
    warm, cold = TwinWeather(ambient_temperature_degc=20.0), TwinWeather(ambient_temperature_degc=-5.0)
    found = explained(
        recorded(highway(60.0), weather=warm, heater_w_per_k=120.0),
        recorded(highway(60.0), weather=cold, heater_w_per_k=120.0),
    )
    truth_wh_per_km = 120.0 * 22.0 / (60.0 * 1.609344)
    assert effect(found, "heating and cooling") == pytest.approx(truth_wh_per_km, rel=0.1)
    assert sigma(found, "heating and cooling") == pytest.approx(0.02 * truth_wh_per_km * 27.0 / 22.0, rel=0.3)
    assert effect(found, "weather") > 5.0
    assert abs(effect(found, "speed")) < 1.0
    assert abs(found.unexplained_wh_per_km.value) < 0.1 * found.difference_wh_per_km.value


def test_stop_and_go_against_steady_is_explained_by_driving_and_speed():
    found = explained(recorded(highway(60.0)), recorded(town()))
    assert effect(found, "driving") > 5.0
    assert effect(found, "speed") < -10.0


def test_a_noted_load_is_its_own_part():
    laden = replace(recorded(town(), mass_kg=2200.0), conditions=DriveConditions(payload_kg=400.0))
    found = explained(recorded(town()), laden)
    assert largest(found) == "load"
    assert effect(found, "load") == pytest.approx(found.difference_wh_per_km.value, rel=0.15)


def test_what_the_vehicle_changed_stays_unexplained():
    dragging = TwinVehicle(
        mass_kg=1800.0,
        drag_area_m2=1.0,
        drive_efficiency_ratio=0.87,
        regen_efficiency_ratio=0.8,
        dragging_brake_n=120.0,
    )
    second = drive_twin(dragging, highway(60.0), rng=np.random.default_rng(5)).to_drive()
    found = explained(recorded(highway(60.0)), second)
    assert found.unexplained_wh_per_km.value == pytest.approx(120.0 / 0.87 / 3.6, rel=0.25)


def test_a_refused_consumption_refuses_the_difference_and_keeps_the_parts():
    blind = recorded(highway(60.0))
    blind = replace(blind, channels={name: channel for name, channel in blind.channels.items() if "pack" not in name})
    found = explained(blind, recorded(highway(70.0)))
    assert isinstance(found.difference_wh_per_km, Refusal)
    assert isinstance(found.unexplained_wh_per_km, Refusal)
    assert all(isinstance(part.effect_wh_per_km, Estimate) for part in found.parts)


def test_what_was_assumed_is_said():
    blind = recorded(town())
    blind = replace(blind, channels={name: channel for name, channel in blind.channels.items() if name != "elevation"})
    found = explained(blind, recorded(town()))
    assert any(text.startswith("first:") and "level" in text for text in found.assumed)


ROUTES = (town(), highway(62.0, 0.01))
WEATHER = (TwinWeather(ambient_temperature_degc=22.0), TwinWeather(ambient_temperature_degc=-4.0, headwind_m_per_s=0.8))
MASS_KG = (1800.0, 2050.0)


@pytest.fixture(scope="module")
def true_parts():
    """Parts of the twin's own consumption: every road in every weather with every load was really driven."""
    used = {
        (a, b, c): energy_summary(recorded(ROUTES[a], weather=WEATHER[b], mass_kg=MASS_KG[c]), BUILD)
        for a in (0, 1) for b in (0, 1) for c in (0, 1)
    }  # fmt: skip
    value = {choice: found.net_wh_per_km.value for choice, found in used.items()}
    parts = np.zeros(3)
    for order in permutations(range(3)):
        choice = [0, 0, 0]
        for factor in order:
            before = value[tuple(choice)]
            choice[factor] = 1
            parts[factor] += (value[tuple(choice)] - before) / 6.0
    return parts


def test_each_part_holds_its_truth_within_its_own_uncertainty(true_parts):
    """Plans drawn around the twin as wide as they say: nine in ten intervals of 90 % hold, and none is idly wide."""
    laden = DriveConditions(payload_kg=250.0)
    drives = (
        recorded(ROUTES[0], weather=WEATHER[0]),
        replace(recorded(ROUTES[1], weather=WEATHER[1], mass_kg=MASS_KG[1]), conditions=laden),
    )
    truth, rng = prior_of(BUILD), np.random.default_rng(11)
    place = []
    for _ in range(24):
        log_mean = rng.multivariate_normal(truth.log_mean, truth.log_covariance)
        plan = replace(truth, log_mean=log_mean)
        sides = [side_of(drive, BUILD, str(number)) for number, drive in enumerate(drives)]
        found = explain_difference(*sides, plan, BUILD, rng)
        estimate = {part.name: part.effect_wh_per_km for part in found.parts}
        road = [estimate[name] for name in ("speed", "driving", "hills")]
        place.append(
            [
                (estimate["weather"].value - true_parts[1]) / estimate["weather"].sigma,
                (estimate["load"].value - true_parts[2]) / estimate["load"].sigma,
                (sum(one.value for one in road) - true_parts[0]) / np.linalg.norm([one.sigma for one in road]),
            ]
        )
    held = np.mean(np.abs(place) < 1.645, axis=0)
    assert (held >= 0.85).all()
    scale = np.sqrt(np.mean(np.square(place), axis=0))
    assert (scale > 0.3).all()
    assert (scale < 1.3).all()


def sigma(found: DriveDifference, name: str) -> float:
    return next(part.effect_wh_per_km.sigma for part in found.parts if part.name == name)


def test_weather_takes_what_drives_taught_of_temperature_with_its_uncertainty():
    """Rolling at the pack rises by the coefficient for each kelvin; 26 K lie between the drives."""
    sides = [side_of(recorded(highway(60.0), weather=one), BUILD, str(k)) for k, one in enumerate(WEATHER)]

    def found(per_k, sigma_per_k):
        taught = {"rolling_temperature_coefficient_per_k": PlanningValue(per_k, sigma_per_k, "fit of 9 drives")}
        others = OtherValues(values={**planned_other_values(BUILD).values, **taught})
        return explain_difference(*sides, prior_of(BUILD), BUILD, np.random.default_rng(0), others=others)

    plain, steep, unsure = found(0.008, 1e-6), found(0.016, 1e-6), found(0.008, 0.004)
    more = effect(steep, "weather") - effect(plain, "weather")
    vehicle, train = BUILD.vehicle, BUILD.powertrain
    rolling = vehicle.mass_kg.value * 9.80665 * vehicle.rolling_coefficient.value / train.drive_efficiency.value / 3.6
    assert more == pytest.approx(0.008 * 26.0 * rolling, rel=0.05)
    assert np.sqrt(sigma(unsure, "weather") ** 2 - sigma(plain, "weather") ** 2) == pytest.approx(0.5 * more, rel=0.25)


def test_a_wind_that_nobody_noted_and_a_days_level_are_in_the_intervals():
    drive = recorded(highway(60.0))
    noted = replace(drive, conditions=DriveConditions(wind_m_per_s=0.0))

    def found(one, **more):
        sides = side_of(one, BUILD, "first"), side_of(one, BUILD, "second")
        return explain_difference(*sides, prior_of(BUILD), BUILD, np.random.default_rng(0), **more)

    # Half a density times CdA times 2 v w, both drives alike, at the pack.
    speed = 60.0 * 0.44704
    wind = 0.5 * 1.2 * 1.0 * 2.0 * speed * 1.0 / 0.87 / 3.6 * np.sqrt(2.0)
    assert sigma(found(noted), "weather") == pytest.approx(0.0, abs=1e-9)
    assert sigma(found(drive), "weather") == pytest.approx(wind, rel=0.1)
    assert sigma(found(drive), "hills") > 0.5
    day, calm = (found(noted, between_drive_sigma=one).unexplained_wh_per_km.sigma for one in (0.03, 0.0))
    road = (0.5 * 1.2 * 1.0 * speed**2 + 1800 * 9.80665 * 0.0105) / 0.87 / 3.6
    assert np.sqrt(day**2 - calm**2) == pytest.approx(0.03 * road * np.sqrt(2.0), rel=0.1)
    # Where drives told how far days differ, an unlogged wind is no more than that.
    assert sigma(found(drive, between_drive_sigma=0.01), "weather") == pytest.approx(
        0.01 * road * np.sqrt(2.0), rel=0.1
    )


def test_hills_that_neither_drive_logged_are_unknown_and_not_none():
    drive = recorded(highway(60.0))
    drive = without(drive, "elevation", "grade")
    sides = side_of(drive, BUILD, "first"), side_of(drive, BUILD, "second")
    found = explain_difference(*sides, prior_of(BUILD), BUILD, np.random.default_rng(0))
    # Two heights of each drive, 50 m off each (common practice), lifted at the efficiency of the build.
    joules = sides[0].conditions.payload_kg + BUILD.vehicle.mass_kg.value
    joules *= 9.80665 * 50.0 * 2.0 / BUILD.powertrain.drive_efficiency.value
    assert sigma(found, "hills") == pytest.approx(joules / 3.6 / sides[0].schedule.distance_m, rel=0.02)
    assert found.unexplained_wh_per_km.sigma > sigma(found, "hills")


def test_a_gain_that_both_drives_share_cancels_in_their_difference():
    gain = replace(BUILD.instruments.current_gain_ratio, sigma=0.05)
    poor = replace(BUILD, instruments=replace(BUILD.instruments, current_gain_ratio=gain))
    slow, fast = recorded(highway(50.0)), recorded(highway(70.0))

    def found(build, one, other):
        sides = side_of(one, build, "first"), side_of(other, build, "second")
        return explain_difference(*sides, prior_of(build), build, np.random.default_rng(0))

    same, fair = found(poor, slow, slow), found(BUILD, slow, slow)
    assert same.first_wh_per_km.sigma > 2.0 * fair.first_wh_per_km.sigma
    assert same.difference_wh_per_km.sigma == pytest.approx(fair.difference_wh_per_km.sigma)
    apart, near = found(poor, slow, fast).difference_wh_per_km, found(BUILD, slow, fast).difference_wh_per_km
    left = (0.05**2 - 0.01**2) * near.value**2
    assert apart.sigma**2 - near.sigma**2 == pytest.approx(left, rel=0.02)
