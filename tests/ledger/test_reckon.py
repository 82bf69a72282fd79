from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import STEP_S, TwinVehicle
from logan.drive.braking import brakings, friction_by_pressure
from logan.drive.drive import pack_power
from logan.drive.logged_loads import auxiliary_load
from logan.drive.wheel_work import wheel_work
from logan.ledger.ledger import GRADE_BASE_M, LedgerRow
from logan.ledger.reckon import energy_ledger
from logan.results import Estimate, Refusal
from logan.settings import AnalysisSettings, PlanningValue
from logan.units import STANDARD_GRAVITY_M_PER_S2
from tests.twin_drives import build_of, made_drive, twin_drive, without


def energy(ledger, name):
    return ledger.entry(name).energy_wh.value


@pytest.mark.parametrize("seed", [0, 1])
def test_every_cause_against_the_truth_and_the_residual_closes(seed):
    twin = twin_drive("mixed", seed, duration_s=1500.0)
    ledger = energy_ledger(twin.to_drive(), build_of(twin.vehicle))
    trace, hours = twin.trace, STEP_S / 3600.0
    speed = 0.5 * (trace["speed"] + np.append(trace["speed"][1:], trace["speed"][-1]))
    truth = {
        "rolling": (trace["rolling_force"] * speed).sum() * hours,
        "air": (trace["drag_force"] * speed).sum() * hours,
        "friction brakes": (trace["brake_force"] * speed).sum() * hours,
        "DC-DC": trace["dcdc_power"].sum() * hours,
        "drivetrain": trace["loss_power"].sum() * hours,
    }
    # The twin's air is dry; half-humid air is 0.4 % lighter.
    for name, wh in truth.items():
        assert energy(ledger, name) == pytest.approx(wh, rel=0.02, abs=25.0)
    assert abs(ledger.residual_ratio) < 0.01
    assert abs(ledger.residual_wh.value) < 2.0 * ledger.residual_wh.sigma


def test_the_entries_add_up_to_the_residual():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    ledger = energy_ledger(twin.to_drive(), build_of(twin.vehicle))
    outside = {"pack out", "pack in", "pack resistance", "residual"}
    spent = sum(entry.energy_wh.value for entry in ledger.entries if entry.name not in outside)
    assert energy(ledger, "pack out") - energy(ledger, "pack in") - spent == pytest.approx(ledger.residual_wh.value)


def test_a_dragging_brake_shows_in_the_residual():
    vehicle = TwinVehicle(dragging_brake_n=150.0)
    twin = twin_drive("mixed", 0, duration_s=1500.0, vehicle=vehicle)
    ledger = energy_ledger(twin.to_drive(), build_of(vehicle))
    dragged_wh = 150.0 * twin.distance_m / 3600.0
    assert ledger.residual_wh.value == pytest.approx(dragged_wh / vehicle.drive_efficiency_ratio, rel=0.25)
    assert ledger.residual_wh.value > 3.0 * ledger.residual_wh.sigma


def test_rows_of_segments_and_of_speeds_hold_the_whole_drive():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    ledger = energy_ledger(twin.to_drive(), build_of(twin.vehicle))
    net = energy(ledger, "pack out") - energy(ledger, "pack in")
    for rows in (ledger.segments, ledger.by_speed, ledger.by_grade, ledger.by_temperature):
        assert sum(row.net_wh for row in rows) == pytest.approx(net, rel=0.01)
        assert sum(row.distance_m for row in rows) == pytest.approx(twin.distance_m, rel=0.003)
    assert len(ledger.segments) > 3
    assert ledger.by_speed[0].label == "standing"


def test_consumption_rises_with_grade_and_hills_pay_for_it():
    twin = twin_drive("hill", 0, duration_s=900.0)
    rows = energy_ledger(twin.to_drive(), build_of(twin.vehicle)).by_grade
    up, down = rows[-1], rows[0]
    assert up.net_wh_per_km > 300.0 > 0.0 > down.net_wh_per_km
    assert up.hills_wh > 0.0 > down.hills_wh


def test_bands_of_outside_temperature_hold_the_whole_drive():
    """It cools from 22 to 8 degrees on the way: three bands of five, and nothing is lost between them."""
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    drive = twin.to_drive()
    ambient = drive["ambient_temperature"]
    cooling = replace(ambient, value=np.interp(ambient.time_s, [0.0, drive.duration_s], [22.0, 8.0]))
    ledger = energy_ledger(drive.with_channels(cooling), build_of(twin.vehicle))
    assert [(row.low, row.high) for row in ledger.by_temperature] == [
        (5.0, 10.0),
        (10.0, 15.0),
        (15.0, 20.0),
        (20.0, 25.0),
    ]
    assert sum(row.net_wh for row in ledger.by_temperature) == pytest.approx(twin.net_wh, rel=0.01)
    assert energy_ledger(without(drive, "ambient_temperature"), build_of(twin.vehicle)).by_temperature == ()


def test_marked_spans_have_their_own_rows():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    time_s = np.arange(0.0, 1500.0, 1.0)
    held = ((time_s > 200.0) & (time_s < 400.0)).astype(float)
    drive = twin.to_drive()
    marker = replace(drive["odometer"], name="marker", time_s=time_s, value=held)
    (row,) = energy_ledger(drive.with_channels(marker), build_of(twin.vehicle)).by_marker
    assert (row.low, row.high) == (201.0, 399.0)
    assert row.duration_s == pytest.approx(198.0, abs=0.5)
    pressed = np.isin(time_s, (100.0, 300.0, 700.0)).astype(float)
    marker = replace(marker, value=pressed)
    rows = energy_ledger(drive.with_channels(marker), build_of(twin.vehicle)).by_marker
    assert [(row.low, row.high) for row in rows] == [(100.0, 300.0), (300.0, 700.0)]


def level_drive(*extra, current_a: float = 40.0):
    time_s = np.arange(0.0, 1000.0, 0.5)
    return made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 375.0)),
        ("pack_current", time_s, np.full(time_s.shape, current_a)),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
        ("ambient_temperature", time_s, np.full(time_s.shape, 25.0)),
        *((name, time_s, np.full(time_s.shape, watts)) for name, watts in extra),
    )


def test_auxiliaries_stand_apart():
    build = build_of(TwinVehicle())
    ledger = energy_ledger(level_drive(("heater_power", 1800.0), ("dcdc_power", 300.0)), build)
    assert energy(ledger, "heater") == pytest.approx(1800.0 * 999.5 / 3600.0)
    assert energy(ledger, "DC-DC") == pytest.approx(300.0 * 999.5 / 3600.0)
    total = energy_ledger(level_drive(("heater_power", 1800.0), ("auxiliary_power", 2500.0)), build)
    assert energy(total, "other auxiliaries") == pytest.approx(700.0 * 999.5 / 3600.0)


def test_unlogged_auxiliaries_come_from_the_build_and_say_so():
    ledger = energy_ledger(level_drive(), build_of(TwinVehicle()))
    assert energy(ledger, "inverter standby") == pytest.approx(350.0 * 999.5 / 3600.0)
    assert "auxiliaries not logged: 350 W of the build assumed" in ledger.notes
    assert "level road assumed: no height is known" in ledger.notes


def test_rolling_on_the_level_is_weight_times_coefficient():
    vehicle = TwinVehicle()
    ledger = energy_ledger(level_drive(), build_of(vehicle))
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_M_PER_S2
    rolling_wh = weight_n * vehicle.rolling_coefficient * 20.0 * 999.5 / 3600.0
    assert energy(ledger, "rolling") == pytest.approx(rolling_wh)


def test_pack_resistance_is_shown_and_not_part_of_the_closure():
    ledger = energy_ledger(level_drive(), build_of(TwinVehicle()))
    assert energy(ledger, "pack resistance") == pytest.approx(0.1 * 40.0**2 * 999.5 / 3600.0, rel=1e-6)
    assert any("not part of the closure" in note for note in ledger.notes)


def test_without_speed_the_wheels_are_a_remainder():
    ledger = energy_ledger(without(level_drive(), "speed"), build_of(TwinVehicle()))
    assert isinstance(ledger.residual_wh, Refusal)
    assert ledger.entry("drivetrain").basis == "remainder"
    assert ledger.segments == ()


def test_without_power_or_against_a_flag_the_ledger_is_refused():
    build = build_of(TwinVehicle())
    assert "no pack power" in energy_ledger(without(level_drive(), "pack_current"), build).residual_wh.reason
    refusal = Refusal("current has the wrong sign", "turn it round")
    ledger = energy_ledger(level_drive(), build, refusals={"net_energy": refusal})
    assert ledger.entries == ()
    assert ledger.residual_wh == refusal


def test_half_a_drive_without_power_is_refused():
    drive = level_drive()
    value = np.where(drive["pack_current"].time_s > 500.0, np.nan, 40.0)
    ledger = energy_ledger(drive.with_channels(replace(drive["pack_current"], value=value)), build_of(TwinVehicle()))
    assert "50 % of the driving time" in ledger.residual_wh.reason


def test_every_figure_carries_an_uncertainty():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    for entry in energy_ledger(twin.to_drive(), build_of(twin.vehicle)).entries:
        assert isinstance(entry.energy_wh, Estimate)
        assert entry.energy_wh.sigma is not None


def sigma(ledger, name):
    return ledger.entry(name).energy_wh.sigma


def test_every_entry_is_as_sure_as_what_it_rests_on():
    """Standard uncertainties in squares, by hand: efficiencies to 0.01, 8 kg, 0.02 m2, 0.0003 of Crr, 0.01 ohm."""
    vehicle = TwinVehicle(regen_force_limit_n=600.0)
    build = build_of(vehicle)
    twin = twin_drive("hill", 0, duration_s=900.0, vehicle=vehicle)
    drive = without(twin.to_drive(), "brake_pressure")
    ledger, work = energy_ledger(drive, build), wheel_work(drive, build)
    mass_ratio = 8.0 / vehicle.mass_kg
    gain = np.hypot(build.instruments.voltage_gain_ratio.sigma, build.instruments.current_gain_ratio.sigma)
    height_wh = work.mass_kg * STANDARD_GRAVITY_M_PER_S2 * work.height_sigma_m * np.sqrt(2.0) / 3600.0
    expected = {
        "pack out": gain * energy(ledger, "pack out"),
        "pack in": gain * energy(ledger, "pack in"),
        "rolling": np.hypot(0.0003 / vehicle.rolling_coefficient, mass_ratio) * energy(ledger, "rolling"),
        "air": 0.02 / vehicle.drag_area_m2 * energy(ledger, "air"),
        "hills": np.hypot(mass_ratio * energy(ledger, "hills"), height_wh),
        "kinetic": mass_ratio * abs(energy(ledger, "kinetic")),
        "pack resistance": 0.01 / build.pack.resistance_ohm.value * energy(ledger, "pack resistance"),
        "DC-DC": 0.02 * energy(ledger, "DC-DC"),
    }
    for name, wh in expected.items():
        assert sigma(ledger, name) == pytest.approx(wh, rel=1e-6), name
    assert ledger.entry("hills").basis == ledger.entry("rolling").basis == "modeled"
    power = pack_power(drive)
    held = [
        one for one in brakings(drive, build, work, power, auxiliary_load(drive, build, power)) if one.friction_j > 0.0
    ]
    assert energy(ledger, "friction brakes") == pytest.approx(sum(one.friction_j for one in held) / 3600.0)
    assert sigma(ledger, "friction brakes") == pytest.approx(np.sqrt(sum(one.sigma_j**2 for one in held)) / 3600.0)
    assert len(held) > 1
    net = energy(ledger, "pack out") - energy(ledger, "pack in")
    wheel = ("rolling", "air", "hills", "kinetic", "friction brakes")
    idle = sigma(ledger, "inverter standby")
    parts = [gain * net, *(sigma(ledger, name) for name in wheel), sigma(ledger, "drivetrain"), idle]
    assert ledger.residual_wh.sigma == pytest.approx(np.sqrt(np.sum(np.square(parts))), rel=1e-6)
    assert ledger.residual_ratio == pytest.approx(ledger.residual_wh.value / energy(ledger, "pack out"))


def test_a_climb_that_stays_is_as_sure_as_weight_and_heights_together():
    """Up by 600 m: m g h, its mass to 8 kg, and two heights in squares."""
    way = np.arange(2_000.0)
    climbing = rolling_drive(np.full(2_000, 20.0), ("elevation", 0.5 * way, 0.3 * way))
    vehicle = TwinVehicle()
    ledger, work = energy_ledger(climbing, build_of(vehicle)), wheel_work(climbing, build_of(vehicle))
    per_meter_wh = work.mass_kg * STANDARD_GRAVITY_M_PER_S2 / 3600.0
    assert energy(ledger, "hills") == pytest.approx(per_meter_wh * 600.0, rel=0.02)
    by_mass_wh = 8.0 / vehicle.mass_kg * energy(ledger, "hills")
    by_height_wh = per_meter_wh * work.height_sigma_m * np.sqrt(2.0)
    assert by_mass_wh > 0.2 * by_height_wh > 0.0
    assert sigma(ledger, "hills") == pytest.approx(np.hypot(by_mass_wh, by_height_wh), rel=1e-6)


def test_hills_that_nobody_logged_are_unknown_and_not_none():
    """By hand: two heights that may lie 50 m off each, lifted by the vehicle's weight (common practice)."""
    build = build_of(TwinVehicle())
    drive = without(twin_drive("urban", 0, duration_s=600.0).to_drive(), "elevation", "grade", "barometric_pressure")
    ledger, work = energy_ledger(drive, build), wheel_work(drive, build)
    rise_wh = work.mass_kg * STANDARD_GRAVITY_M_PER_S2 * 50.0 * np.sqrt(2.0) / 3600.0
    assert work.height_sigma_m is None
    assert energy(ledger, "hills") == 0.0
    assert ledger.entry("hills").basis == "level road assumed"
    assert sigma(ledger, "hills") == pytest.approx(rise_wh)
    assert ledger.residual_wh.sigma > rise_wh


def two_way_drive():
    """500 s at 22.5 kW out and 500 s at 7.5 kW back, at a steady 20 m/s, with 2.1 kW of logged auxiliaries."""
    time_s = np.arange(0.0, 1000.5, 0.5)
    drive = level_drive(("heater_power", 1_800.0), ("dcdc_power", 300.0))
    current = np.where(time_s[: drive["pack_current"].time_s.size] < 500.0, 60.0, -20.0)
    return drive.with_channels(replace(drive["pack_current"], value=current))


def test_the_drivetrain_loses_a_share_each_way():
    vehicle = TwinVehicle()
    build = build_of(vehicle)
    ledger = energy_ledger(two_way_drive(), build)
    auxiliary_w = sum(energy(ledger, name) for name in ("heater", "DC-DC", "inverter standby")) / 999.5 * 3600.0
    forward, back = (22_500.0 - auxiliary_w) * 500.0 / 3600.0, (7_500.0 + auxiliary_w) * 499.5 / 3600.0
    drive, regen = vehicle.drive_efficiency_ratio, vehicle.regen_efficiency_ratio
    lost = (1.0 - drive) * forward + (1.0 / regen - 1.0) * back
    assert energy(ledger, "drivetrain") == pytest.approx(lost, rel=2e-3)
    assert sigma(ledger, "drivetrain") == pytest.approx(np.hypot(0.01 * forward, 0.01 / regen**2 * back), rel=2e-3)


def test_losses_that_the_drives_taught_go_with_time_and_with_the_square_of_force():
    vehicle = TwinVehicle()
    build = build_of(vehicle)
    taught = replace(
        build,
        powertrain=replace(
            build.powertrain, constant_loss_w=PlanningValue(200.0, 0.0), copper_loss_w_per_n2=PlanningValue(2e-3, 0.0)
        ),
    )
    plain, ledger = energy_ledger(level_drive(), build), energy_ledger(level_drive(), taught)
    force_n = (energy(plain, "rolling") + energy(plain, "air")) * 3600.0 / (20.0 * 999.5)
    fixed = (200.0 + 2e-3 * force_n**2) * 999.5 / 3600.0
    more = energy(ledger, "drivetrain") - energy(plain, "drivetrain")
    assert more == pytest.approx(vehicle.drive_efficiency_ratio * fixed, rel=0.01)


def test_heat_of_the_pack_follows_its_temperature_and_is_left_out_of_the_closure():
    build, drive = build_of(TwinVehicle()), level_drive()
    ohm, warm = build.pack.resistance_ohm.value, energy_ledger(drive, build)
    assert energy(warm, "pack resistance") == pytest.approx(ohm * 40.0**2 * 999.5 / 3600.0)
    cells = replace(drive["ambient_temperature"], name="pack_temperature", value=np.full(2000, 0.0))
    cold = energy_ledger(drive.with_channels(cells), build)
    # Arrhenius, common practice: 25 kJ/mol from 25 to 0 degrees.
    factor = np.exp(build.pack.resistance_activation_j_per_mol / 8.314462 * (1.0 / 273.15 - 1.0 / 298.15))
    assert energy(cold, "pack resistance") == pytest.approx(factor * energy(warm, "pack resistance"), rel=1e-4)
    assert cold.residual_wh.value == pytest.approx(warm.residual_wh.value)


def test_what_is_not_covered_is_filled_at_the_mean():
    build, drive = build_of(TwinVehicle()), two_way_drive()
    kept = np.r_[0:475, 525:1475, 1525:2000]  # 25 s of those with power out, 25 s of those with power back
    cut = drive.with_channels(
        *(replace(drive[name], time_s=drive[name].time_s[kept], value=drive[name].value[kept])
          for name in ("pack_voltage", "pack_current"))
    )  # fmt: skip
    whole, filled = energy_ledger(drive, build), energy_ledger(cut, build)
    for name in ("pack out", "pack in", "heater", "pack resistance", "drivetrain"):
        assert energy(filled, name) == pytest.approx(energy(whole, name), rel=3e-3), name
    assert filled.residual_wh.coverage_ratio == pytest.approx(0.95, abs=2e-3)
    refused = energy_ledger(cut, build, AnalysisSettings(min_coverage_ratio=0.97))
    assert "95 %" in refused.residual_wh.reason


def test_each_step_of_the_speed_bands_has_its_own_energy():
    """20 m/s throughout: one band holds all, by its own arithmetic."""
    ledger = energy_ledger(two_way_drive(), build_of(TwinVehicle()))
    (row,) = [row for row in ledger.by_speed if row.distance_m > 0.0]
    assert row.low <= 20.0 < row.high
    assert row.distance_m == pytest.approx(20.0 * 999.5)
    assert row.duration_s == pytest.approx(999.5)
    assert row.pack_out_wh == pytest.approx(22_500.0 * 500.0 / 3600.0, rel=1e-3)
    assert row.pack_in_wh == pytest.approx(7_500.0 * 499.5 / 3600.0, rel=2e-3)
    assert row.rolling_wh == pytest.approx(energy(ledger, "rolling"))
    assert row.air_wh == pytest.approx(energy(ledger, "air"))
    assert row.net_wh_per_km == pytest.approx((row.pack_out_wh - row.pack_in_wh) / (row.distance_m / 1000.0))
    parts = ("heater", "DC-DC", "inverter standby")
    assert row.auxiliary_wh == pytest.approx(sum(energy(ledger, name) for name in parts), rel=1e-6)


def test_grade_bands_have_the_edges_of_the_method_and_take_a_logged_grade_at_its_word():
    grades = (-0.08, -0.05, -0.03, -0.01, 0.0, 0.01, 0.03, 0.05, 0.08)
    drive = level_drive()
    time_s = drive["speed"].time_s
    logged = replace(drive["speed"], name="grade", value=np.repeat(grades, 223)[: time_s.size])
    rows = energy_ledger(drive.with_channels(logged), build_of(TwinVehicle())).by_grade
    edges = [(row.low, row.high) for row in rows]
    assert edges == [
        (-0.5, -0.06), (-0.06, -0.04), (-0.04, -0.02), (-0.02, -0.005), (-0.005, 0.005), (0.005, 0.02), (0.02, 0.04),
        (0.04, 0.06), (0.06, 0.5),
    ]  # fmt: skip
    assert [row.distance_m for row in rows[1:-1]] == pytest.approx([20.0 * 223 * 0.5] * 7, rel=0.01)


def test_grade_by_height_is_taken_over_its_base():
    """Height rises by 3 in 100 in the middle third: a band of 3 %, as long as the climb but for its ends."""
    drive = level_drive()
    time_s = drive["speed"].time_s
    way_m = 20.0 * time_s
    height = np.interp(way_m, [0.0, 7_000.0, 13_000.0, 20_000.0], [100.0, 100.0, 280.0, 280.0])
    rows = energy_ledger(
        drive.with_channels(replace(drive["speed"], name="elevation", value=height)), build_of(TwinVehicle())
    ).by_grade
    climb = next(row for row in rows if row.low == 0.02)
    assert climb.distance_m == pytest.approx(6_000.0, abs=GRADE_BASE_M)
    assert climb.hills_wh > 0.0
    level = next(row for row in rows if row.low == -0.005)
    assert level.distance_m == pytest.approx(13_990.0, abs=GRADE_BASE_M)


@pytest.mark.parametrize(("held_s", "is_span"), [(5.0, False), (6.0, True)])
def test_a_marker_held_for_five_seconds_is_a_span_and_a_shorter_one_a_press(held_s, is_span):
    time_s = np.arange(0.0, 1000.0, 0.5)
    value = sum(((time_s > at_s) & (time_s <= at_s + held_s)).astype(float) for at_s in (100.0, 400.0))
    drive = level_drive()
    rows = energy_ledger(
        drive.with_channels(replace(drive["speed"], name="marker", time_s=time_s, value=value)), build_of(TwinVehicle())
    ).by_marker
    assert len(rows) == (2 if is_span else 1)
    assert rows[0].duration_s == pytest.approx(held_s - 0.5 if is_span else 300.0, abs=0.6)


def test_a_segment_below_its_least_length_goes_with_the_next():
    """Stops after 50 m and after 1 km: the first hop is no segment of its own."""
    time_s = np.arange(0.0, 400.0, 0.5)
    speed = np.where((time_s > 10) & (time_s < 20), 5.0, np.where((time_s > 40) & (time_s < 140), 10.0, 0.0))
    speed = np.where((time_s > 200) & (time_s < 300), 10.0, speed)
    rows = energy_ledger(
        made_drive(
            ("pack_voltage", time_s, np.full(time_s.shape, 375.0)),
            ("pack_current", time_s, 10.0 + speed),
            ("speed", time_s, speed),
        ),
        build_of(TwinVehicle()),
    ).segments
    assert [row.distance_m for row in rows] == pytest.approx([1_040.0, 990.0], abs=15.0)


def test_a_charge_in_the_log_is_no_part_of_the_drive():
    """Ten minutes at 22.5 kW, then five on the charger: covered in full, and nothing of the charge comes back."""
    time_s = np.arange(0.0, 900.5, 0.5)
    parked = time_s >= 600.0
    drive = made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 375.0)),
        ("pack_current", time_s, np.where(parked, -20.0, 60.0)),
        ("speed", time_s, np.where(parked, 0.0, 20.0)),
    )
    ledger = energy_ledger(drive, build_of(TwinVehicle()))
    assert ledger.residual_wh.coverage_ratio == pytest.approx(1.0, abs=1e-3)
    assert energy(ledger, "pack out") == pytest.approx(22_500.0 * 599.5 / 3600.0, rel=2e-3)
    assert energy(ledger, "pack in") == pytest.approx(0.0, abs=1.0)


def test_without_speed_what_is_left_is_as_sure_as_the_gain_of_all_that_was_drawn():
    build = build_of(TwinVehicle())
    ledger = energy_ledger(without(two_way_drive(), "speed"), build)
    gain = np.hypot(build.instruments.voltage_gain_ratio.sigma, build.instruments.current_gain_ratio.sigma)
    assert sigma(ledger, "drivetrain") == pytest.approx(gain * energy(ledger, "pack out"))
    spent = sum(energy(ledger, name) for name in ("heater", "DC-DC", "inverter standby") if ledger.entry(name))
    net = energy(ledger, "pack out") - energy(ledger, "pack in")
    assert energy(ledger, "drivetrain") == pytest.approx(net - spent)


def test_the_driveline_that_drives_taught_is_lost_in_the_drivetrain():
    build, drive = build_of(TwinVehicle()), level_drive()
    train = replace(
        build.powertrain, driveline_drag_n=PlanningValue(30.0, 3.0), driveline_n_s_per_m=PlanningValue(0.5, 0.1)
    )
    plain, ledger = energy_ledger(drive, build), energy_ledger(drive, replace(build, powertrain=train))
    more = 40.0 * 20.0 * 999.5 / 3600.0
    assert energy(ledger, "drivetrain") - energy(plain, "drivetrain") == pytest.approx(more)
    assert plain.residual_wh.value - ledger.residual_wh.value == pytest.approx(more)


def test_by_the_fit_friction_that_pressure_tells_comes_out_of_the_drivetrain():
    """The regen efficiency that drives teach has swallowed friction: told apart, it is not counted twice."""
    vehicle = TwinVehicle(regen_force_limit_n=600.0)
    drive = twin_drive("urban", 1, duration_s=1500.0, vehicle=vehicle).to_drive()
    fitted = replace(build_of(vehicle), basis="fit of 3 drives")
    told, untold = energy_ledger(drive, fitted), energy_ledger(without(drive, "brake_pressure"), fitted)
    friction = energy(told, "friction brakes")
    assert friction > 50.0
    assert (energy(untold, "friction brakes"), sigma(untold, "friction brakes")) == (0.0, 0.0)
    assert energy(untold, "drivetrain") - energy(told, "drivetrain") == pytest.approx(friction)
    assert told.residual_wh.value == pytest.approx(untold.residual_wh.value)
    work = wheel_work(drive, fitted)
    found = brakings(drive, fitted, work, pack_power(drive), auxiliary_load(drive, fitted, pack_power(drive)))
    by_pressure = np.array(friction_by_pressure(drive, fitted, work, found)) / 3600.0
    assert (friction, sigma(told, "friction brakes")) == pytest.approx(tuple(by_pressure))


def rolling_drive(speed, *more, step_s=0.5):
    """A drive of any speed, sampled every half second, at 20 A and 375 V throughout."""
    time_s = np.arange(speed.size) * step_s
    return made_drive(
        ("pack_voltage", time_s, np.full(time_s.shape, 375.0)),
        ("pack_current", time_s, np.full(time_s.shape, 20.0)),
        ("speed", time_s, speed),
        *((name, np.asarray(at_s, dtype=float), np.asarray(value, dtype=float)) for name, at_s, value in more),
    )


def test_a_step_of_two_meters_is_a_slope_of_one_percent_over_two_hundred_meters_about_it():
    """The base reaches 100 m to each side, so the step is seen from 200 m of road, whatever it is that climbs."""
    speed = np.full(2_000, 20.0)
    way_m = 10.0 * np.arange(2_000)
    height = np.where(way_m < 10_000.0, 50.0, 52.0)
    rows = energy_ledger(rolling_drive(speed, ("elevation", way_m / 20.0, height)), build_of(TwinVehicle())).by_grade
    assert [(row.low, row.distance_m) for row in rows if row.low > -0.005] == [(0.005, pytest.approx(200.0, abs=11.0))]


def test_a_slope_that_no_two_heights_tell_has_no_rows():
    """Heights half a minute apart, and between the samples of speed: none is near enough to stand for a step."""
    at_s = np.arange(0.25, 990.0, 30.0)
    drive = rolling_drive(np.full(2_000, 20.0), ("elevation", at_s, 50.0 + 0.1 * at_s))
    assert energy_ledger(drive, build_of(TwinVehicle())).by_grade == ()


@pytest.mark.parametrize(("gap_s", "told_m"), [(9.0, 20.0 * 999.0), (12.0, 0.0)])
def test_a_logged_grade_stands_for_ten_seconds_and_no_longer(gap_s, told_m):
    at_s = np.arange(0.0, 1_001.0, gap_s)
    drive = rolling_drive(np.full(2_000, 20.0), ("grade", at_s, np.full(at_s.shape, 0.03)))
    rows = energy_ledger(drive, build_of(TwinVehicle())).by_grade
    assert sum(row.distance_m for row in rows) == pytest.approx(told_m, rel=0.01)


@pytest.mark.parametrize(("gap_s", "told_s"), [(110.0, 990.0), (150.0, 0.0)])
def test_an_outside_temperature_stands_for_two_minutes_and_no_longer(gap_s, told_s):
    at_s = np.arange(0.0, 1_001.0, gap_s)
    drive = rolling_drive(np.full(2_000, 20.0), ("ambient_temperature", at_s, np.full(at_s.shape, 21.0)))
    rows = energy_ledger(drive, build_of(TwinVehicle())).by_temperature
    assert sum(row.duration_s for row in rows) == pytest.approx(told_s, abs=2.0)


def spell(*pieces):
    """Speeds of (seconds, m/s) pieces at two samples a second."""
    return np.concatenate([np.full(round(2 * seconds), value) for seconds, value in pieces])


@pytest.mark.parametrize(
    ("stop_s", "standing", "segments"), [(2.0, 0.0, 1), (2.5, 0.0, 2), (9.0, 0.28, 2), (9.0, 0.32, 1)]
)
def test_a_stop_lasts_two_seconds_below_a_third_of_a_meter_per_second(stop_s, standing, segments):
    """A stop of n samples lasts n - 1 steps; the first and last spells are the longer ones."""
    drive = rolling_drive(spell((60.0, 10.0), (stop_s, standing), (60.0, 10.0)))
    assert len(energy_ledger(drive, build_of(TwinVehicle())).segments) == segments


@pytest.mark.parametrize(("hop_s", "lengths_m"), [(9.0, [690.0]), (11.0, [110.0, 600.0])])
def test_a_hop_of_a_hundred_meters_is_a_segment_of_its_own(hop_s, lengths_m):
    """At 10 m/s; the shorter hop goes with the next."""
    drive = rolling_drive(spell((5.0, 0.0), (hop_s, 10.0), (5.0, 0.0), (60.0, 10.0), (5.0, 0.0)))
    rows = energy_ledger(drive, build_of(TwinVehicle())).segments
    assert [row.distance_m for row in rows] == pytest.approx(lengths_m, abs=6.0)


def test_speeds_are_told_in_bands_of_five_with_standing_apart():
    """Each speed is held for a minute; what crawls above 0.3 m/s moves."""
    drive = rolling_drive(spell(*((60.0, value) for value in (0.25, 0.35, 4.9, 5.1, 9.9, 14.0, 0.0))))
    rows = energy_ledger(drive, build_of(TwinVehicle())).by_speed
    assert [(row.low, row.high) for row in rows] == [(0.0, 0.3), (0.0, 5.0), (5.0, 10.0), (10.0, 15.0)]
    assert [row.duration_s for row in rows] == pytest.approx([119.0, 120.5, 120.0, 59.5], abs=1.1)


@pytest.mark.parametrize(("distance_m", "expected"), [(49.9, None), (50.0, 400.0), (64.0, 312.5)])
def test_a_row_of_less_than_fifty_meters_has_no_consumption(distance_m, expected):
    row = LedgerRow(
        label="any", low=0.0, high=9.0, distance_m=distance_m, duration_s=9.0, pack_out_wh=25.0, pack_in_wh=5.0,
        rolling_wh=None, air_wh=None, hills_wh=None, kinetic_wh=None, auxiliary_wh=None,
    )  # fmt: skip
    assert row.net_wh == 20.0
    assert row.net_wh_per_km == (None if expected is None else pytest.approx(expected))


def test_below_three_tenths_of_a_meter_per_second_nothing_is_lost_with_time():
    build = build_of(TwinVehicle())
    train = replace(build.powertrain, constant_loss_w=PlanningValue(200.0, 0.0))
    taught = replace(build, powertrain=train)
    for speed, lost_w in ((0.25, 0.0), (0.35, 200.0 * build.powertrain.drive_efficiency.value)):
        drive = rolling_drive(np.full(2_000, speed))
        more = energy(energy_ledger(drive, taught), "drivetrain") - energy(energy_ledger(drive, build), "drivetrain")
        assert more == pytest.approx(lost_w * 999.0 / 3600.0, abs=0.2)


def test_what_only_goes_out_puts_nothing_in():
    ledger = energy_ledger(level_drive(), build_of(TwinVehicle()))
    assert {row.pack_in_wh for row in (*ledger.segments, *ledger.by_speed, *ledger.by_temperature)} == {0.0}


def test_segments_hold_the_first_step_and_the_last():
    rows = energy_ledger(rolling_drive(spell((60.0, 10.0), (5.0, 0.0), (60.0, 10.0))), build_of(TwinVehicle())).segments
    assert [(row.low, row.high) for row in rows] == [(0.0, 64.5), (64.5, 124.5)]


def test_beside_a_long_mark_a_short_one_is_none():
    time_s = np.arange(0.0, 1000.0, 0.5)
    value = sum(
        ((time_s > a) & (time_s <= b)).astype(float) for a, b in ((100.0, 102.0), (400.0, 420.0), (700.0, 701.0))
    )
    value[:20] = np.nan  # nothing said yet
    drive = level_drive()
    marker = replace(drive["speed"], name="marker", time_s=time_s, value=value)
    rows = energy_ledger(drive.with_channels(marker), build_of(TwinVehicle())).by_marker
    assert [(row.label, row.low, row.high) for row in rows] == [("marked 1", 400.5, 420.0)]
