import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.drive_cycles.cycles import load_cycle
from logan.model.breakdown import CAUSES
from logan.model.forward import consumption, consumption_wh_per_km
from logan.model.parameters import PARAMETER_NAMES, Conditions, Environment, environment_of
from logan.model.priors import prior_of
from logan.model.schedule import Schedule, steady_schedule
from logan.settings import MotorSettings, PlanningValue
from logan.units import METRES_PER_SECOND_PER_MPH
from tests.builds import example_build

WH_PER_MI = 1.609344
PLANNING_AIR = Conditions(
    ambient_temperature_degc=25.0,
    pressure_pa=1.2 * 287.058 * 298.15,
    relative_humidity_ratio=0.0,
    cabin_climate=False,
)


def mean_power_w(found):
    """Mean net power at the pack terminals. [W]"""
    return float(found.total_wh_per_km[0]) * found.distance_m / 1000.0 * 3600.0 / found.duration_s


def plain_build(**powertrain):
    """No rotating parts, no temperature effects, no limit of regen: what the golden numbers assume."""
    build = example_build()
    return dataclasses.replace(
        build,
        vehicle=dataclasses.replace(build.vehicle, wheel_inertia_kg_m2=0.0),
        powertrain=dataclasses.replace(
            build.powertrain,
            motor=MotorSettings(max_speed_rpm=1e4, max_torque_nm=300.0, max_power_w=1e5, rotor_inertia_kg_m2=0.0),
            regen_fade_speed_m_per_s=0.0,
            **powertrain,
        ),
        pack=dataclasses.replace(build.pack, charge_current_limit_a=None),
    )


def parameters(mass, drag, rolling, drive, regen, auxiliary):
    return np.array([[mass, drag, rolling, drive, regen, auxiliary]])


BOX = parameters(2200.0, 1.25, 0.012, 0.87, 0.80, 600.0)


@pytest.mark.recomputed("by hand from first principles: 2200 kg, 1.25 m2, 0.012, 1.2 kg/m3, 0.87, 600 W")
@pytest.mark.parametrize(
    ("mph", "wh_per_mi"), [(25, 205.17), (35, 244.52), (45, 302.32), (55, 376.91), (65, 467.65), (75, 574.25)]
)
def test_planning_table_of_a_boxy_four_wheel_drive(mph, wh_per_mi):
    schedule = steady_schedule(mph * METRES_PER_SECOND_PER_MPH)
    found = consumption_wh_per_km(schedule, PLANNING_AIR, BOX, plain_build())
    assert found * WH_PER_MI == pytest.approx(wh_per_mi, rel=3e-4)


@pytest.mark.recomputed("by hand from first principles: sports saloon, 1600 kg, 0.62 m2, 0.009")
@pytest.mark.parametrize(("mph", "wh_per_mi"), [(35, 136.5), (65, 243.2)])
def test_planning_table_of_a_sports_saloon(mph, wh_per_mi):
    schedule = steady_schedule(mph * METRES_PER_SECOND_PER_MPH)
    sample = parameters(1600.0, 0.62, 0.009, 0.87, 0.80, 600.0)
    found = consumption_wh_per_km(schedule, PLANNING_AIR, sample, plain_build())
    assert found * WH_PER_MI == pytest.approx(wh_per_mi, abs=0.15)


@pytest.mark.recomputed("by hand from first principles: 6 % at 55 mph, 49.3 kW wheel, 57.2 kW battery")
def test_power_on_a_six_percent_grade():
    schedule = steady_schedule(55 * METRES_PER_SECOND_PER_MPH, grade_ratio=0.06)
    found = consumption(schedule, PLANNING_AIR, BOX, plain_build())
    wheel_w = found.wheel_drive_wh_per_km[0] * schedule.distance_m / 1000.0 * 3600.0 / schedule.duration_s
    assert wheel_w == pytest.approx(49.3e3, abs=60.0)
    assert mean_power_w(found) == pytest.approx(57.2e3, abs=120.0)


def elasticities(schedule, step, box, build):
    ends = [
        consumption_wh_per_km(schedule, PLANNING_AIR, box * np.exp(sign * step * np.eye(6)), build)
        for sign in (-1.0, 1.0)
    ]
    return (np.log(ends[1]) - np.log(ends[0])) / (2.0 * step)


@pytest.mark.parametrize("cycle", ["udds", "us06"])
def test_mass_drag_area_and_efficiencies_cannot_be_told_apart(cycle):
    slope = elasticities(load_cycle(cycle), 1e-5, BOX, plain_build())
    assert slope[0] + slope[1] + slope[3] - slope[4] == pytest.approx(0.0, abs=1e-7)
    factor = 1.07
    moved = BOX * np.array([factor, factor, 1.0, factor, 1.0 / factor, 1.0])
    before, after = (
        consumption_wh_per_km(load_cycle(cycle), PLANNING_AIR, sample, plain_build()) for sample in (BOX, moved)
    )
    assert after == pytest.approx(before, rel=1e-12)


@pytest.mark.common_practice("a boxy four-wheel drive needs about 70 to 100 kWh for 200 miles")
def test_a_boxy_four_wheel_drive_needs_what_common_practice_says():
    for mph in (55, 65):
        schedule = steady_schedule(mph * METRES_PER_SECOND_PER_MPH)
        kwh = consumption_wh_per_km(schedule, PLANNING_AIR, BOX, plain_build())[0] * 200 * WH_PER_MI / 1000.0
        assert 70.0 <= kwh <= 100.0


sample_parameters = st.tuples(
    st.floats(800.0, 3500.0),
    st.floats(0.4, 2.5),
    st.floats(0.006, 0.03),
    st.floats(0.6, 0.95),
    st.floats(0.3, 0.95),
    st.floats(50.0, 3000.0),
)
sample_conditions = st.builds(
    Conditions,
    ambient_temperature_degc=st.floats(-25.0, 45.0),
    headwind_m_per_s=st.floats(-10.0, 10.0),
    payload_kg=st.floats(0.0, 500.0),
    warm_start=st.booleans(),
    state_of_charge_ratio=st.one_of(st.none(), st.floats(0.5, 1.0)),
)


@given(sample_parameters, sample_conditions, st.sampled_from(["udds", "us06"]))
@settings(deadline=None, max_examples=25)
def test_the_causes_add_up_to_the_fast_total_and_close_the_energy_balance(sample, conditions, cycle):
    schedule, build = load_cycle(cycle), example_build()
    found = consumption(schedule, conditions, np.array([sample]), build)
    fast = consumption_wh_per_km(schedule, conditions, np.array([sample]), build)
    assert found.total_wh_per_km == pytest.approx(fast, rel=1e-9)
    out = found.wheel_drive_wh_per_km + found.drivetrain_loss_wh_per_km + found.auxiliary_wh_per_km
    balance = out + found.cabin_climate_wh_per_km - found.recovered_wh_per_km
    assert found.total_wh_per_km == pytest.approx(balance, rel=1e-9)
    for cause in CAUSES:
        if cause not in ("air", "hills", "speed_change"):
            assert getattr(found, f"{cause}_wh_per_km")[0] >= -1e-9


@given(st.integers(2, 8))
@settings(deadline=None, max_examples=8)
def test_points_added_on_the_line_change_nothing_while_regen_is_whole(times):
    coarse = Schedule(
        name="x", time_s=np.array([0.0, 20.0, 60.0, 75.0]), speed_m_per_s=np.array([0.0, 20.0, 20.0, 8.0])
    )
    fine_s = np.unique(np.concatenate([np.linspace(0.0, 75.0, 75 * times + 1), coarse.time_s]))
    fine = Schedule(name="x", time_s=fine_s, speed_m_per_s=np.interp(fine_s, coarse.time_s, coarse.speed_m_per_s))
    found = [consumption(schedule, PLANNING_AIR, BOX, plain_build()) for schedule in (coarse, fine)]
    assert found[1].total_wh_per_km == pytest.approx(found[0].total_wh_per_km, rel=1e-9)


def test_a_round_trip_over_a_hill_costs_more_than_a_level_road():
    build = plain_build()
    time_s = np.linspace(0.0, 1200.0, 241)
    speed = np.full(time_s.shape, 20.0)
    height = 720.0 * (1.0 - np.abs(time_s / 600.0 - 1.0))
    level = Schedule(name="level", time_s=time_s, speed_m_per_s=speed)
    hill = Schedule(name="hill", time_s=time_s, speed_m_per_s=speed, elevation_m=height)
    flat, over = (consumption(schedule, PLANNING_AIR, BOX, build) for schedule in (level, hill))
    assert over.hills_wh_per_km[0] == pytest.approx(0.0, abs=1e-9)
    assert over.total_wh_per_km[0] > flat.total_wh_per_km[0]


@pytest.mark.recomputed("by hand from first principles: 100 m of climb at 2200 kg is 599 Wh, 689 Wh from the pack")
def test_climb_costs_its_potential_energy_over_efficiency():
    time_s = np.array([0.0, 500.0])
    level = Schedule(name="level", time_s=time_s, speed_m_per_s=np.full(2, 20.0))
    climb = dataclasses.replace(level, name="climb", elevation_m=np.array([0.0, 100.0]))
    flat, up = (consumption(schedule, PLANNING_AIR, BOX, plain_build()) for schedule in (level, climb))
    assert (up.hills_wh_per_km - flat.hills_wh_per_km)[0] * 10.0 == pytest.approx(599.0, abs=0.5)
    assert (up.total_wh_per_km - flat.total_wh_per_km)[0] * 10.0 == pytest.approx(689.0, abs=0.7)


def test_wind_from_ahead_costs_and_from_behind_saves():
    schedule = steady_schedule(29.0)
    still, ahead, behind = (
        consumption_wh_per_km(schedule, dataclasses.replace(PLANNING_AIR, headwind_m_per_s=wind), BOX, plain_build())[0]
        for wind in (0.0, 5.0, -5.0)
    )
    assert behind < still < ahead
    assert ahead - still > still - behind


def test_a_wind_vector_acts_by_course():
    north = dataclasses.replace(steady_schedule(20.0), heading_deg=np.zeros(61))
    south = dataclasses.replace(north, heading_deg=np.full(61, 180.0))
    windy = dataclasses.replace(PLANNING_AIR, wind_m_per_s=4.0, wind_from_deg=0.0)
    against = consumption_wh_per_km(north, windy, BOX, plain_build())
    along = consumption_wh_per_km(south, windy, BOX, plain_build())
    headwind = dataclasses.replace(PLANNING_AIR, headwind_m_per_s=4.0)
    assert against == pytest.approx(consumption_wh_per_km(north, headwind, BOX, plain_build()))
    assert along < against


def test_rotating_parts_cost_only_where_speed_changes():
    still, turning = plain_build(), example_build()
    steady = steady_schedule(20.0)
    without, with_parts = (consumption_wh_per_km(steady, PLANNING_AIR, BOX, build) for build in (still, turning))
    assert with_parts == pytest.approx(without)
    spun = dataclasses.replace(still, vehicle=dataclasses.replace(still.vehicle, wheel_inertia_kg_m2=4.0))
    light, heavy = (consumption_wh_per_km(load_cycle("udds"), PLANNING_AIR, BOX, build) for build in (still, spun))
    assert heavy > light


def test_a_regen_cap_sends_the_rest_to_the_brakes():
    free = consumption(load_cycle("us06"), PLANNING_AIR, BOX, plain_build())
    capped = consumption(load_cycle("us06"), PLANNING_AIR, BOX, plain_build(regen_power_limit_w=10e3))
    assert capped.friction_brakes_wh_per_km[0] > free.friction_brakes_wh_per_km[0]
    assert capped.recovered_wh_per_km[0] < free.recovered_wh_per_km[0]
    assert capped.total_wh_per_km[0] > free.total_wh_per_km[0]


def test_cold_and_full_packs_recover_less():
    build = plain_build()
    recovered = [
        consumption(
            load_cycle("us06"),
            dataclasses.replace(PLANNING_AIR, pack_temperature_degc=cells, state_of_charge_ratio=charge),
            BOX,
            build,
        ).recovered_wh_per_km[0]
        for cells, charge in ((25.0, None), (-12.0, None), (-15.0, None), (25.0, 0.99), (25.0, 1.0))
    ]
    assert recovered[0] > recovered[1] > recovered[2] == 0.0
    assert recovered[0] > recovered[3] > recovered[4] == 0.0


def test_regen_fades_at_low_speed():
    faded = dataclasses.replace(
        plain_build(),
        powertrain=dataclasses.replace(plain_build().powertrain, regen_fade_speed_m_per_s=8.0),
    )
    whole = consumption_wh_per_km(load_cycle("udds"), PLANNING_AIR, BOX, plain_build())
    assert consumption_wh_per_km(load_cycle("udds"), PLANNING_AIR, BOX, faded) > whole


def test_cold_weather_costs_rolling_air_and_heating():
    build = example_build()
    warm, cold = (
        consumption(steady_schedule(29.0), Conditions(ambient_temperature_degc=degc), BOX, build)
        for degc in (20.0, -7.0)
    )
    assert cold.rolling_wh_per_km[0] / warm.rolling_wh_per_km[0] == pytest.approx((1 + 0.008 * 32) / (1 + 0.008 * 5))
    assert cold.air_wh_per_km[0] / warm.air_wh_per_km[0] == pytest.approx(293.15 / 266.15, rel=0.01)
    assert cold.cabin_climate_wh_per_km[0] == pytest.approx(110.0 * 24.0 / 29.0 / 3.6)
    assert warm.cabin_climate_wh_per_km[0] == 0.0


def test_a_cold_start_costs_more_than_a_warm_one():
    build = example_build()
    warm, cold = (
        consumption(load_cycle("udds"), Conditions(ambient_temperature_degc=0.0, warm_start=start), BOX, build)
        for start in (True, False)
    )
    assert cold.rolling_wh_per_km[0] > warm.rolling_wh_per_km[0]
    assert cold.cabin_climate_wh_per_km[0] > warm.cabin_climate_wh_per_km[0]


def test_heater_stops_at_its_limit_and_measured_auxiliaries_take_the_place_of_all():
    build = example_build()
    arctic = consumption(steady_schedule(20.0), Conditions(ambient_temperature_degc=-60.0), BOX, build)
    assert arctic.cabin_climate_wh_per_km[0] == pytest.approx(5000.0 / 20.0 / 3.6)
    measured = consumption(
        steady_schedule(20.0), Conditions(ambient_temperature_degc=-60.0, auxiliary_power_w=900.0), BOX, build
    )
    assert measured.auxiliary_wh_per_km[0] == pytest.approx(900.0 / 20.0 / 3.6)
    assert measured.cabin_climate_wh_per_km[0] == 0.0


def test_the_answer_to_temperature_may_differ_from_sample_to_sample():
    samples = np.repeat(BOX, 2, axis=0)
    environment = Environment(
        rolling_temperature_coefficient_per_k=np.array([0.0, 0.01]), heating_w_per_k=0.0, cooling_w_per_k=0.0
    )
    cold = dataclasses.replace(PLANNING_AIR, ambient_temperature_degc=5.0)
    found = consumption(steady_schedule(20.0), cold, samples, example_build(), environment=environment)
    assert found.rolling_wh_per_km[1] / found.rolling_wh_per_km[0] == pytest.approx(1.2)


def with_losses(**losses):
    return dataclasses.replace(environment_of(plain_build()), **losses)


def test_loss_terms_that_copy_an_efficiency_at_one_speed_give_its_consumption():
    steady = steady_schedule(25.0)
    constant = consumption(steady, PLANNING_AIR, BOX, plain_build())
    loss_w = float(constant.drivetrain_loss_wh_per_km[0]) * 3.6 * 25.0
    ideal = BOX * np.array([1.0, 1.0, 1.0, 1.0 / 0.87, 1.0, 1.0])
    by_terms = consumption(steady, PLANNING_AIR, ideal, plain_build(), environment=with_losses(constant_loss_w=loss_w))
    assert by_terms.total_wh_per_km == pytest.approx(constant.total_wh_per_km)


def test_with_loss_terms_the_causes_still_add_up():
    terms = with_losses(constant_loss_w=300.0, copper_loss_w_per_n2=6e-4)
    found = consumption(load_cycle("us06"), PLANNING_AIR, BOX, plain_build(), environment=terms)
    plain = consumption(load_cycle("us06"), PLANNING_AIR, BOX, plain_build())
    added = found.drivetrain_loss_wh_per_km - plain.drivetrain_loss_wh_per_km
    assert added[0] > 0
    assert found.total_wh_per_km == pytest.approx(plain.total_wh_per_km + added, rel=1e-9)
    fast = consumption_wh_per_km(load_cycle("us06"), PLANNING_AIR, BOX, plain_build(), environment=terms)
    assert fast == pytest.approx(found.total_wh_per_km)


def test_loss_terms_may_differ_from_sample_to_sample():
    samples = np.repeat(BOX, 500, axis=0)
    terms = with_losses(constant_loss_w=np.linspace(0.0, 360.0, 500))
    found = consumption_wh_per_km(load_cycle("us06"), PLANNING_AIR, samples, plain_build(), environment=terms)
    assert np.diff(found) == pytest.approx(np.full(499, found[1] - found[0]))
    whole = consumption(load_cycle("us06"), PLANNING_AIR, samples, plain_build(), environment=terms)
    assert whole.total_wh_per_km == pytest.approx(found)


def test_pack_heat_is_the_square_of_the_current_and_stays_out_of_the_total():
    build = plain_build()
    found = consumption(steady_schedule(29.0), PLANNING_AIR, BOX, build)
    power_w = mean_power_w(found)
    open_v = 96 * 3.68
    current = (open_v - np.sqrt(open_v**2 - 4 * 0.09 * power_w)) / 0.18
    heat_w = found.pack_resistance_wh_per_km[0] * 29.0 * 3.6
    assert heat_w == pytest.approx(0.09 * current**2, rel=1e-6)


def test_samples_are_independent_of_each_other():
    samples = prior_of(example_build()).sample(300, np.random.default_rng(5))
    together = consumption_wh_per_km(load_cycle("udds"), Conditions(), samples, example_build())
    alone = [consumption_wh_per_km(load_cycle("udds"), Conditions(), row, example_build())[0] for row in samples[::60]]
    assert together[::60] == pytest.approx(alone, rel=1e-12)


def test_wrong_input_is_refused():
    with pytest.raises(ValueError, match=f"shape \\(n, {len(PARAMETER_NAMES)}\\)"):
        consumption(steady_schedule(20.0), PLANNING_AIR, np.ones((2, 5)), example_build())
    standing = Schedule(name="x", time_s=np.arange(3.0), speed_m_per_s=np.zeros(3))
    with pytest.raises(ValueError, match="no distance"):
        consumption(standing, PLANNING_AIR, BOX, example_build())


def test_crosswind_raises_drag_by_yaw():
    build = plain_build()
    yawed = dataclasses.replace(build, vehicle=dataclasses.replace(build.vehicle, frontal_crosswind_ratio=0.01))
    windy = dataclasses.replace(PLANNING_AIR, crosswind_m_per_s=4.0)
    assert consumption_wh_per_km(steady_schedule(29.0), windy, BOX, yawed) > consumption_wh_per_km(
        steady_schedule(29.0), windy, BOX, build
    )


def test_an_uncertain_value_must_be_above_zero():
    build = example_build()
    broken = dataclasses.replace(
        build, auxiliary=dataclasses.replace(build.auxiliary, base_power_w=PlanningValue(0, 1))
    )
    with pytest.raises(ValueError, match="above zero"):
        prior_of(broken)


@given(sample_parameters, sample_conditions, st.sampled_from(["udds", "hwfet"]), st.floats(1.001, 1.3))
@settings(deadline=None, max_examples=25)
def test_more_drag_rolling_and_load_cost_more_and_better_efficiencies_cost_less(sample, conditions, cycle, factor):
    # With a headwind of any size air resistance opposes; a strong tailwind would push instead.
    conditions = dataclasses.replace(conditions, headwind_m_per_s=abs(conditions.headwind_m_per_s))
    base = np.array(sample)
    moved = base * np.where(np.eye(6, dtype=bool), factor, 1.0)
    schedule = load_cycle(cycle)
    before = consumption_wh_per_km(schedule, conditions, base, example_build())[0]
    after = consumption_wh_per_km(schedule, conditions, moved, example_build())
    assert np.all(after[[1, 2, 5]] > before)
    assert after[3] < before
    assert after[4] <= before + 1e-9
