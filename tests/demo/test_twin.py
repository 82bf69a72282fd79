"""The twin keeps the laws that everything else is measured against."""

import numpy as np
import pytest

from logan.demo.routes import coastdown_route, highway_route, hill_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import STEP_S, TwinVehicle, TwinWeather, drive_twin


@pytest.mark.parametrize("make_route", [urban_route, highway_route, hill_route, coastdown_route])
def test_wheel_work_ends_up_in_speed_height_and_losses(make_route):
    rng = np.random.default_rng(1)
    vehicle = TwinVehicle()
    trace = drive_twin(vehicle, make_route(rng), rng=rng).trace
    speed = trace["speed"]
    mean_speed = 0.5 * (speed + np.append(speed[1:], speed[-1]))
    net_n = trace["wheel_force"] - trace["brake_force"] - trace["rolling_force"] - trace["drag_force"]
    work_j = float(np.sum(net_n * mean_speed) * STEP_S)
    inertia_kg = vehicle.mass_kg * (1 + vehicle.rotating_mass_ratio)
    kinetic_j = 0.5 * inertia_kg * (speed[-1] ** 2 - speed[0] ** 2)
    potential_j = vehicle.mass_kg * 9.80665 * (trace["elevation"][-1] - trace["elevation"][0])
    throughput_j = float(np.sum(np.abs(trace["wheel_force"] * mean_speed)) * STEP_S)
    assert work_j == pytest.approx(kinetic_j + potential_j, abs=2e-4 * throughput_j)


def test_steady_consumption_matches_a_long_steady_drive_on_the_level():
    rng = np.random.default_rng(2)
    vehicle, weather = TwinVehicle(), TwinWeather(ambient_temperature_degc=5.0)
    from logan.demo.routes import route_of

    time_s = np.array([0.0, 30.0, 1200.0])
    route = route_of(time_s, np.full(3, 29.0576), rng=rng)
    trace = drive_twin(vehicle, route, rng=rng, weather=weather).trace
    late = trace.time_s > 300.0
    wh = float(np.sum(trace["pack_power"][late]) * STEP_S / 3600.0)
    km = float(trace["distance"][-1] - trace["distance"][late][0]) / 1000.0
    assert wh / km == pytest.approx(vehicle.steady_consumption_wh_per_km(29.0576, weather), rel=1e-3)


def test_the_same_seed_gives_the_same_log():
    def make():
        rng = np.random.default_rng(3)
        sensors = TwinSensors(lost_ratio=0.05, elevation_sigma_m=2.5)
        return drive_twin(TwinVehicle(), mixed_route(rng, duration_s=300.0), rng=rng, sensors=sensors).measured

    first, second = make(), make()
    assert all(np.array_equal(first[name][1], second[name][1]) for name in first)
