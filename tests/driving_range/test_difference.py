from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.routes import TwinRoute, highway_route, urban_route
from logan.demo.twin import TwinVehicle, TwinWeather, drive_twin
from logan.drive.drive import DriveConditions
from logan.driving_range.difference import DriveDifference, explain_difference, side_of
from logan.model.priors import prior_of
from logan.results import Estimate, Refusal
from tests.builds import example_build

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
