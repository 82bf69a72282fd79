"""Every chapter's worked example: by its equations in plain numpy, as it is printed there, and as logan has it."""

import re
from dataclasses import replace

import numpy as np
import pytest

from logan.drive.logged_loads import _verdict
from logan.driving_range.prediction import draws_of
from logan.driving_range.scenarios import PreparedScenario, ScenarioPart
from logan.driving_range.sensitivity import Standpoint
from logan.heat.network import HeatLoad, march, priors_of
from logan.instruments.drive_evidence import InstrumentEvidence, Sensor
from logan.instruments.posterior import known_instruments
from logan.metrics.energy import energy_summary
from logan.model.estimator import covariance_parts
from logan.model.fit_result import DriveInformation
from logan.model.forward import consumption
from logan.model.heights import expected_climbs
from logan.model.parameters import ParameterDistribution
from logan.model.schedule import steady_schedule
from logan.model.segments_table import RoadIntegrals
from logan.model.unknowns import At, SharedPrior, step_energy
from logan.physics.thermal import CONDUCTOR_MATERIALS, adiabatic_end_degc
from logan.pipeline.method import chapters
from tests.builds import example_build
from tests.configuration.test_road_load import MIDSIZE, build as midsize
from tests.model.synthetic_segments import drive_of, own_of, shared_truth
from tests.model.test_forward import PLANNING_AIR, parameters, plain_build
from tests.twin_drives import made_drive

G = 9.80665


def printed(chapter, *values):
    """Each value stands in the chapter's example, to the digits that are given."""
    (text,) = re.findall(r"## Worked example\n(.*?)(?=\n## |\Z)", chapters()[chapter], re.S)
    for value in values:
        assert re.search(rf"(?<![\d.,]){re.escape(value)}(?![\d.]?\d)", text), f"{chapter}: {value}"


def test_plan():
    speed, efficiency = 65 * 0.44704, 0.88
    rolling_n, air_n = 1500.0 * G * 0.010, 0.5 * 1.2 * 0.65 * speed**2
    wh_per_mi = ((rolling_n + air_n) / efficiency + 400.0 / speed) * 1609.344 / 3600.0
    printed("plan", f"{rolling_n:.1f}", f"{air_n:.1f}", f"{wh_per_mi:.1f}", f"{wh_per_mi / 0.88:.1f}")
    sample = parameters(1500.0, 0.65, 0.010, efficiency, 0.80, 400.0)
    found = consumption(steady_schedule(speed), PLANNING_AIR, sample, plain_build())
    assert found.total_wh_per_km[0] * 1.609344 == pytest.approx(
        wh_per_mi, rel=3e-4
    )  # logan's density is that of CIPM-2007


def test_plan_of_days_one_way_and_back():
    speed, efficiency = 65 * 0.44704, 0.88
    road_n = (1500.0 * G * 0.010 + 0.5 * 1.2 * 0.65 * (speed + np.array([0.0, 1.0, -1.0])) ** 2) / efficiency
    auxiliary_n = 400.0 / speed
    still, against, behind = road_n + auxiliary_n
    by_wind = 100.0 * (against - behind) / 2.0 / still
    back = 100.0 * np.hypot(0.05 * road_n[0], 0.2 * auxiliary_n) / still
    one_way = np.hypot(back, by_wind)
    wh_per_mi = (against - behind) / 2.0 * 1609.344 / 3600.0
    printed("plan", f"{wh_per_mi:.1f}", f"{by_wind:.1f}", f"{one_way:.1f}", f"{back:.1f}")

    build, sure = plain_build(), np.log(parameters(1500.0, 0.65, 0.010, efficiency, 0.80, 400.0)[0])
    exact = ParameterDistribution(log_mean=sure, log_covariance=np.zeros((6, 6)), sources=("example",) * 6)
    draws = draws_of(replace(Standpoint.of_plan(build), parameters=exact), build, 20_000, np.random.default_rng(1))
    for is_back, expected in ((False, one_way), (True, back)):
        road = ScenarioPart(schedule=steady_schedule(speed), conditions=PLANNING_AIR, is_round_trip=is_back)
        prepared = PreparedScenario(scenario=build.scenarios[0], parts=road.ways())
        used = draws.consumption_wh_per_km(prepared, build)
        assert 100.0 * np.log(used).std() == pytest.approx(expected, rel=0.02)
        # A wind against is paid for, one from behind helps.
        tied = np.corrcoef(used, draws.wind_m_per_s)[0, 1]
        assert tied == pytest.approx(0.0 if is_back else by_wind / one_way, abs=0.03)


def test_plan_by_coefficients(tmp_path):
    newton, mph = 4.4482216152605, 0.44704
    drag = 2.0 * 0.0148 * newton / mph**2 / 1.16227
    rolling = 34.98 * newton / (4250 * 0.45359237 * G * (1.0 - 0.008 * (20.0 - 25.0)))
    printed("plan", f"{drag:.3f}", f"{rolling:.5f}")
    vehicle = midsize(tmp_path, MIDSIZE).vehicle
    assert vehicle.drag_area_m2.value == pytest.approx(drag, rel=1e-5)
    assert vehicle.rolling_coefficient.value == pytest.approx(rolling, rel=2e-3)


def test_fit_one_step():
    m, payload, level = 1500.0, 75.0, np.log(1.02)
    s, t, v = 40.0, 2.0, 20.0
    rolling = (m + payload) * G * 0.010 * np.exp(level) * (s + 0.008 * 10.0 * s)
    air = 0.5 * 0.65 * np.exp(level) * 1.2 * v**2 * s
    work = rolling + air + (30.0 + 0.6 * v) * s + (m + payload + 60.0) * 5.0 + (m + payload) * G * 0.5
    energy = work / 0.90 + 80.0 * t + 2e-4 * (work / s) ** 2 * t + 400.0 * t
    printed("fit", f"{rolling:.0f}", f"{air:.0f}", f"{work:.0f}", f"{energy:.0f}")

    shared = shared_truth(mass=m, drag=0.65, rolling=0.010, drive=0.90, auxiliary=400.0)
    shared[[At.CONSTANT_LOSS, At.COPPER_LOSS, At.DRIVELINE_DRAG, At.DRIVELINE_RISE]] = 80.0, 2e-4, 30.0, 0.6
    drive = drive_of(shared, np.random.default_rng(0), count=1, payload_kg=payload, has_heading=False)
    one = np.array([1.0])
    road = RoadIntegrals(
        start_s=0.0 * one, duration_s=t * one, moving_s=t * one, distance_m=s * one,
        temperature_distance_m_k=-10.0 * s * one, warm_up_distance_m=0.0 * one,
        air_kg_m2_per_s2=1.2 * v**2 * s * one, air_along=2.0 * 1.2 * v * s * one, air_north=0.0 * one,
        air_east=0.0 * one, kinetic_m2_per_s2=5.0 * one, climb_m=0.5 * one,
    )  # fmt: skip
    found = step_energy(shared, own_of(level=level), road, replace(drive, air_density_kg_per_m3=1.2), 60.0)
    assert found.energy_j[0] == pytest.approx(energy, rel=1e-9)


def test_fit_two_climbs():
    s2, metres, d = 2.0**2, np.array([500.0, 500.0]), np.array([6.0, -5.0])
    incidence = np.array([[-1.0, 1.0, 0.0], [0.0, -1.0, 1.0]])
    hilly = (2 * max(0.0, (d**2 - 2 * s2).sum() / metres.sum()) + 5 * 0.1) / (2 + 5)
    seen = np.diag(hilly * metres) + s2 * incidence @ incidence.T
    error = s2 * incidence.T @ np.linalg.inv(seen) @ d
    climbs = d - incidence @ error
    printed("fit", f"{hilly:.4f}", *(f"{climb:.2f}".replace("-", "−") for climb in climbs))

    drive = drive_of(shared_truth(), np.random.default_rng(0), count=2)
    drive = replace(drive, trip=replace(drive.trip, distance_m=metres, climb_m=d), climb_m=d, elevation_sigma_m=2.0)
    assert expected_climbs(drive, 1.0, 0.1).road.climb_m == pytest.approx(climbs, rel=1e-9)


def test_fit_two_parts_of_a_width():
    plan, drives, c = 1.0 / 0.10**2, 300.0, 1.7
    whole = 1.0 / (plan + drives)
    parts = np.array([whole * plan * whole, whole * drives * whole])
    widths = 100.0 * np.sqrt([whole, *parts, parts[0] + c**2 * parts[1]])
    printed("fit", *(f"{width:.1f}" for width in widths), f"{100.0 / np.sqrt(drives):.1f}")

    # As many drives, each with its gradient: f by hand, in two unknowns.
    prior, rng = np.diag([plan, 50.0]), np.random.default_rng(2)
    factors = []
    for count, size in ((4, 9.0), (5, 12.0), (6, 7.0), (6, 1.0), (6, 90.0)):
        gradients = size * rng.normal(size=(count, 2))
        told = np.array([[60.0, 20.0], [20.0, 40.0]])
        spread = np.linalg.inv(prior + count * told)
        factor = count / (count - 1.0) * sum(g @ spread @ g for g in gradients) / np.trace(spread @ (count * told))
        factor = min(max(factor, 1.0), 4.0) if count >= 5 else 1.0
        factors.append(factor)
        one = DriveInformation(drive_id="1", reference=np.zeros(2), gradient=np.zeros(2), information=told)
        found = covariance_parts(
            prior + count * told,
            SharedPrior(mean=np.zeros(2), precision=prior, is_free=np.array([True, True])),
            [replace(one, gradient=gradient) for gradient in gradients],
        )
        assert found[0] == pytest.approx(spread @ prior @ spread)
        assert found[1] == pytest.approx(factor * spread @ (count * told) @ spread)
    assert factors[0] == factors[3] == 1.0 < factors[1] < 4.0 == factors[4]
    assert 1.0 < factors[2] < 4.0


def test_heat():
    x, shaft, road, ambient, coolant = 120.0, 400.0, 25.0, 25.0, 50.0
    square, eddy, core = 0.066 * x**2, 0.2 * (shaft / 600.0) ** 2, 0.9 * shaft + 6e-4 * shaft**2
    to_air, winding, housing = 6.0 * (0.4 + road / 20.0), 60.0, 60.0
    for _ in range(200):
        warm = 1.0 + 0.0039 * (housing + 0.8 * (winding - housing) - 25.0)
        copper = square * (warm + eddy / warm)
        housing = (core + copper + 80.0 * coolant + to_air * ambient) / (80.0 + to_air)
        winding = housing + copper / 24.0
    inverter = coolant + (130.0 + 2.5 * x + 0.010 * x**2) / 65.0
    sensor = 0.85 * winding + 0.15 * housing
    printed("heat", f"{copper:.0f}", f"{housing:.1f}", f"{winding:.1f}", f"{sensor:.1f}", f"{inverter:.1f}")

    table = {
        "k_cu": 0.066, "k_f": 8100.0, "w_f": 1e9, "k_ac": 0.2, "f1": 0.9, "f2": 6e-4, "c_w": 4100.0, "c_h": 22500.0,
        "g_wh": 24.0, "g_hc": 80.0, "g_ha": 6.0, "l0": 130.0, "l1": 2.5, "l2": 0.010, "c_i": 4000.0, "g_i": 65.0,
    }  # fmt: skip
    values = {name: np.array([prior.median]) for name, prior in priors_of(example_build()).items()}
    values |= {name: np.array([value]) for name, value in table.items()}
    blocks = np.ones((3000, 1, 1))
    load = HeatLoad(
        square=x**2 * blocks, magnitude=x * blocks, shaft_rad_per_s=shaft * blocks, shaft_square=shaft**2 * blocks,
        road_m_per_s=road * blocks, current_a2=0.0 * blocks, ambient_degc=ambient * blocks, step_s=4.0,
        coolant_degc=coolant * blocks,
    )  # fmt: skip
    start = dict.fromkeys(("motor", "rotor", "inverter", "coolant", "cells", "oil"), np.full((1, 1), 40.0))
    found = march(values, load, start, has_coolant=True)
    assert found.winding[-1].item() == pytest.approx(winding, abs=1e-3)
    assert found.motor[-1].item() == pytest.approx(sensor, abs=1e-3)
    assert found.inverter[-1].item() == pytest.approx(inverter, abs=1e-3)


def test_measured():
    forward_as, back_as = 60.0 * 600 + 60.0 * 0.75 / 2, 20.0 * 0.25 / 2 + 20.0 * 599
    gross, regen = 360.0 * forward_as / 3600.0, 360.0 * back_as / 3600.0
    net, metres = gross - regen, 15.0 * 1200.0
    gain, offset = net * np.hypot(0.01, 0.01), 360.0 * 0.3 * 1200.0 / 3600.0
    hot = (40.0 + 234.5) * np.exp(600.0**2 * 30.0 / (226.0 * 50.0) ** 2) - 234.5
    printed("measured", f"{gross:.2f}", f"{regen:.2f}", f"{net:.1f}", f"{net / metres * 1000.0:.1f}")
    printed("measured", f"{gain:.1f}", f"{offset:.1f}", f"{hot:.1f}")

    time_s = np.arange(0.0, 1200.5)
    found = energy_summary(
        made_drive(
            ("pack_voltage", time_s, np.full(time_s.shape, 360.0)),
            ("pack_current", time_s, np.where(time_s < 600.5, 60.0, -20.0)),
            ("speed", time_s, np.full(time_s.shape, 15.0)),
        ),
        example_build(),
    )
    assert found.gross_wh.value == pytest.approx(gross, rel=1e-9)
    assert found.regenerated_wh.value == pytest.approx(regen, rel=1e-9)
    assert found.net_wh_per_km.value == pytest.approx(net / metres * 1000.0, rel=1e-9)
    parts = {part.name: part.sigma_wh for part in found.budget}
    assert {round(gain, 6), round(offset, 6)} <= {round(sigma, 6) for sigma in parts.values()}, parts
    copper = CONDUCTOR_MATERIALS["copper"]
    assert adiabatic_end_degc(600.0**2 * 30, area_mm2=50, start_degc=40, material=copper) == pytest.approx(hot)


def test_sensors():
    prior = np.diag([0.01**2, 0.01**2])
    row, value, sigma = np.array([1.0, 1.0]), 0.020, 0.005
    posterior = np.linalg.inv(np.linalg.inv(prior) + np.outer(row, row) / sigma**2)
    mean = posterior @ row * value / sigma**2
    together = np.sqrt(row @ posterior @ row)
    printed("sensors", f"{100 * mean[0]:.2f}", f"{100 * np.sqrt(posterior[0, 0]):.2f}", f"{100 * together:.2f}")

    wall = InstrumentEvidence(
        name="wall meter",
        source="charge 1",
        weights={Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0},
        value=value,
        sigma=sigma,
    )
    known = known_instruments(example_build(), [wall])
    assert known.of(Sensor.CURRENT_GAIN).value == pytest.approx(mean[0])
    assert known.of(Sensor.CURRENT_GAIN).sigma == pytest.approx(np.sqrt(posterior[0, 0]))
    assert known.power_gain.sigma == pytest.approx(together)


def test_admission():
    spread = 0.1**2 + 0.2**2 + (150.0 / 1500.0) ** 2
    odds = {slope: 1.1 + (slope - 0.5) / spread for slope in (0.40, 0.46, 0.80)}
    printed("admission", *(f"{value:.1f}".replace("-", "−") for value in odds.values()))

    load_w = np.tile([0.0, 3000.0], 300)  # a standard deviation of 1500 W
    at_rest = np.zeros(600)  # where the pack gives nothing, while 1500 W are logged on average
    verdicts = [_verdict(load_w, np.zeros(600), at_rest, (slope, 0.1)).is_real for slope in odds]
    assert verdicts == [value > 2.0 for value in odds.values()]
    follows = [_verdict(load_w, load_w, at_rest, (slope, 0.1)).is_real for slope in odds]
    assert follows == [value >= 0.0 for value in odds.values()]
