from dataclasses import replace

import numpy as np
import pytest

from logan.heat.fit import fit_heat, judged
from logan.heat.forecast import HeatRoad, forecast_heat, road_samples
from logan.heat.road import launch_road, road_heat
from logan.heat.series import RoadVehicle, heat_series
from logan.results import Estimate, Refusal
from tests.benchmarks.heat.forecasts import medians_of, parameter_samples, told_build
from tests.benchmarks.heat.truth import climb, draw, drive, logged, ordinary_trips
from tests.twin_drives import made_drive, without


@pytest.fixture(scope="module")
def vehicle_truth():
    rng = np.random.default_rng(77)
    truth = draw(rng)
    build = told_build(truth, rng)
    drives = [logged(truth, drive(truth, trip, rng), rng) for trip in ordinary_trips(rng)]
    return truth, build, drives, RoadVehicle.of(build, medians_of(build))


@pytest.fixture(scope="module")
def model(vehicle_truth):
    truth, build, drives, vehicle = vehicle_truth
    return fit_heat([heat_series(one, vehicle) for one in drives], build, total_ratio=truth.ratio)


def asked(vehicle_truth, model, trip, *, start_charge=0.9):
    truth, build, _, _ = vehicle_truth
    rng = np.random.default_rng(5)
    ratio = truth.ratio if trip.ratio is None else trip.ratio
    vehicle = RoadVehicle.of(build, medians_of(build), ratio)
    road = HeatRoad(
        speed_m_per_s=trip.speed, grade_ratio=trip.grade, ambient_degc=trip.ambient, payload_kg=trip.payload,
        drag_factor=trip.drag_factor, start_charge_ratio=start_charge,
    )  # fmt: skip
    samples = road_samples(road, vehicle, build, parameter_samples(build, rng), rng)
    return samples, forecast_heat(model, samples, road, vehicle, build, rng), road, vehicle


def test_an_unseen_climb_of_another_structure_is_forecast_within_its_band(vehicle_truth, model):
    truth, *_ = vehicle_truth
    trip = climb(np.random.default_rng(8))
    real = drive(truth, trip, np.random.default_rng(9))
    _, found, _, _ = asked(vehicle_truth, model, trip)
    motor = next(part for part in found.parts if part.part == "motor")
    peak = float(real["motor"].max() + truth.values["off_motor"])
    assert motor.middle_degc.max() == pytest.approx(peak, abs=10.0)
    assert motor.low_degc.max() - 2.0 < peak < motor.high_degc.max() + 2.0


def test_a_rotor_with_a_sensor_is_a_part_of_its_own_and_one_without_is_refused(vehicle_truth, model):
    """Of another structure: the truth's rotor heats by speed and windage and gives its heat to the iron."""
    truth, build, _, vehicle = vehicle_truth
    rng = np.random.default_rng(12)
    traces = [drive(truth, trip, rng) for trip in ordinary_trips(rng)]
    series = [heat_series(logged(truth, trace, rng, has_rotor=True), vehicle) for trace in traces]
    fitted = fit_heat(series, build, total_ratio=truth.ratio)
    for trip in (climb(np.random.default_rng(8)), climb(np.random.default_rng(8), tow=True)):
        real = drive(truth, trip, np.random.default_rng(9))["rotor"].max()
        _, found, _, _ = asked(vehicle_truth, fitted, trip)
        rotor = next(part for part in found.parts if part.part == "rotor")
        assert rotor.middle_degc.max() == pytest.approx(real, abs=6.0)
        assert rotor.low_degc.max() - 1.0 < real < rotor.high_degc.max() + 1.0
    assert "no temperature of the rotor" in model.parts["rotor"].refusal.reason


def test_a_rise_far_beyond_what_was_seen_has_a_band_and_no_point(vehicle_truth, model):
    weak = replace(model, parts={**model.parts, "motor": replace(model.parts["motor"], rise_k=10.0)})
    _, found, _, _ = asked(vehicle_truth, weak, climb(np.random.default_rng(8), tow=True))
    motor = next(part for part in found.parts if part.part == "motor")
    assert isinstance(motor.peak_degc, Refusal)
    assert "times the highest that was seen" in motor.peak_degc.reason
    assert motor.high_degc.max() > motor.low_degc.max() + 5.0


def test_a_taller_gear_without_a_pull_is_a_guess(vehicle_truth, model):
    truth, *_ = vehicle_truth
    calm = replace(model, mean_copper_nm2=100.0)
    trip = climb(np.random.default_rng(8), ratio=0.6 * truth.ratio)
    _, found, _, _ = asked(vehicle_truth, calm, trip)
    motor = next(part for part in found.parts if part.part == "motor")
    assert "no drive has shown" in motor.peak_degc.reason
    assert found.over_ratio is None


def test_without_coolant_the_inverter_is_refused_and_the_motor_says_so(vehicle_truth):
    truth, build, drives, vehicle = vehicle_truth
    dry = [heat_series(without(one, "coolant_temperature"), vehicle) for one in drives]
    model = fit_heat(dry, build, total_ratio=truth.ratio)
    assert "coolant" in model.parts["inverter"].refusal.reason
    assert "25\u202fK" in model.notes[0]
    _, found, _, _ = asked(vehicle_truth, model, climb(np.random.default_rng(8)))
    assert found.over_ratio is None  # a red limit of the inverter is given, and nothing may be said of it
    assert "inverter" in found.refused


def test_each_drive_is_forecast_by_the_others(vehicle_truth, model):
    _, build, drives, vehicle = vehicle_truth
    series = [heat_series(one, vehicle) for one in drives]
    found = judged(model, series, build).left_out_k
    assert {"motor", "inverter", "coolant"} <= set(found)
    assert len(found["motor"]) == 3
    assert 0.0 < np.median(np.abs(found["motor"])) < 8.0
    assert judged(model, series[:1], build).left_out_k == {}


def test_a_motor_that_hardly_warmed_is_refused(vehicle_truth):
    truth, build, drives, vehicle = vehicle_truth
    series = heat_series(drives[0], vehicle)
    cold = replace(
        series, temperatures={"motor": np.full(series.square.size, 21.0) + np.linspace(0, 5, series.square.size)}
    )
    assert "K needed" in fit_heat([cold], build, total_ratio=truth.ratio).parts["motor"].refusal.reason


@pytest.mark.parametrize(
    ("gone", "source", "within"),
    [
        (("motor_torque",), "pack power", 0.08),  # as with a phase current
        (("motor_torque", "motor_speed"), "pack power", 0.08),
        (("motor_torque", "pack_current"), "wheel force", 0.6),
    ],
)
def test_torque_need_not_be_logged_and_pack_power_tells_it_better_than_the_road(vehicle_truth, gone, source, within):
    """Against the torque as it really was: wind and payload are in no log."""
    truth, _, drives, vehicle = vehicle_truth
    for drive_ in drives:
        series = heat_series(without(drive_, *gone), vehicle)
        assert series.load_source == source
        real = heat_series(drive_, vehicle).square.mean() / truth.values["torque_gain"] ** 2
        assert series.square.mean() == pytest.approx(real, rel=within)


def test_a_certified_b_and_driveline_drag_are_in_the_force_at_the_wheels(vehicle_truth):
    """By hand: at a steady 20 m/s, B of 6 N s/m and 40 N of drag are 160 N more at the wheels."""
    _, _, _, vehicle = vehicle_truth
    t = np.arange(600.0)
    steady = made_drive(("speed", t, np.full(600, 20.0)), ("motor_temperature", t, np.full(600, 40.0)))
    more = replace(vehicle, linear_n_s_per_m=6.0, driveline_n=40.0)
    torque = [heat_series(steady, one).magnitude[10] for one in (vehicle, more)]
    assert torque[1] - torque[0] == pytest.approx(160.0 / 0.97 / vehicle.radians_per_metre, rel=1e-9)


def test_what_cannot_be_used_says_why(vehicle_truth):
    _, _, _, vehicle = vehicle_truth
    t = np.arange(600.0)
    assert "speed" in heat_series(made_drive(("motor_temperature", t, t)), vehicle).reason
    assert "temperature" in heat_series(made_drive(("speed", t, t * 0 + 20)), vehicle).reason
    short = made_drive(("speed", t[:100], t[:100] * 0 + 9.0), ("motor_temperature", t[:100], t[:100]))
    assert "four minutes" in heat_series(short, vehicle).reason


def test_a_full_pack_takes_no_regen_and_a_fuller_one_less(vehicle_truth, model):
    down = replace_grade(climb(np.random.default_rng(8)), -0.06)
    low, full = (asked(vehicle_truth, model, down, start_charge=charge)[0] for charge in (0.5, 0.99))
    assert np.median(low.regen_lost_wh) < 0.1 * np.median(low.regenerated_wh)
    assert np.median(full.regen_lost_wh) > np.median(full.regenerated_wh)
    assert np.all(full.charge_ratio[-1] <= 1.0)


def test_a_cold_pack_gives_less_by_its_sag(vehicle_truth):
    """Closed form: (Voc - Vfloor) / R x Vfloor, with R by Arrhenius; a road that asks for more is cut there."""
    _, build, _, vehicle = vehicle_truth
    pack = replace(build.pack, cell_voltage_floor_v=3.2, discharge_current_limit_a=None, state_of_charge_points=())
    weak, rng = replace(build, pack=pack), np.random.default_rng(1)
    steep = HeatRoad(speed_m_per_s=np.full(120, 28.0), grade_ratio=np.full(120, 0.12), ambient_degc=-15.0)
    found = road_samples(steep, vehicle, weak, parameter_samples(weak, rng), rng)
    ohm = pack.resistance_ohm.value * np.exp(
        pack.resistance_activation_j_per_mol / 8.314462618 * (1 / 258.15 - 1 / 298.15)
    )
    floor_v = 3.2 * pack.cells_in_series
    most_a = (pack.cells_in_series * pack.cell_nominal_voltage_v - floor_v) / ohm
    assert np.sqrt(found.load.current_a2[-1]).max() == pytest.approx(most_a, rel=1e-3)
    assert found.short_ratio.min() > 0.9


def replace_grade(trip, grade):
    trip.grade = np.full(trip.speed.size, grade)
    return trip


def test_the_road_tells_what_holds_and_with_what_charge_one_arrives(vehicle_truth, model):
    _, build, _, _ = vehicle_truth
    trip = climb(np.random.default_rng(8), tow=True)
    _, _, road, vehicle = asked(vehicle_truth, model, trip)
    rng = np.random.default_rng(3)
    found = road_heat("pass", road, model, vehicle, build, lambda k: parameter_samples(build, rng)[:k], rng)
    assert found.distance_m == pytest.approx(trip.speed.sum())
    assert found.arrival_charge.p05 < found.arrival_charge.p50 < 0.9
    assert any("winding" in note for note in found.notes)
    if isinstance(found.held_share, Estimate) and found.held_share.value < 1.0:
        assert found.forecast.over_ratio < 0.9


def test_launches_repeat_and_are_no_failure_where_all_is_given(vehicle_truth, model):
    _, build, _, vehicle = vehicle_truth
    speed = launch_road(build, vehicle, 3)
    assert speed.max() == pytest.approx(26.82)
    assert np.sum((speed[:-1] < 0.01) & (speed[1:] > 0.01)) == 3
    chances = []
    for is_all_out in (False, True):
        road = HeatRoad(speed_m_per_s=speed, grade_ratio=np.zeros(speed.size), ambient_degc=25.0, is_all_out=is_all_out)
        rng = np.random.default_rng(5)
        samples = road_samples(road, vehicle, build, parameter_samples(build, rng), rng)
        chances.append(forecast_heat(model, samples, road, vehicle, build, rng).over_ratio)
    assert chances[0] < 0.9 < chances[1]
