import json
from dataclasses import replace

import numpy as np
import pytest

from logan.drive.wheel_work import rotating_mass_of
from logan.model.balance import segment_drive
from logan.model.drive_fit import predicted_energy
from logan.model.estimator import covariance_parts, fit, fit_result_of
from logan.model.fit_result import DriveInformation
from logan.model.measurement import Measurement, MeasurementKind, expected_measurement
from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.model.priors import prior_of
from logan.model.regen_limit import solve_with_regen_limit
from logan.model.unknowns import FULL_REGEN_RATIO, At, shared_prior
from logan.results import Estimate, json_ready
from tests.builds import example_build
from tests.model import synthetic_segments
from tests.model.simple_drives import channel, smooth_drive
from tests.model.synthetic_segments import drive_of, own_of, shared_truth

TRUTH = {"mass": 1780.0, "drag": 0.88, "rolling": 0.0108, "drive": 0.86, "regen": 0.79, "auxiliary": 420.0}


@pytest.fixture(scope="module")
def build():
    return example_build()


@pytest.fixture(scope="module", autouse=True)
def same_rotating_mass(build):
    before = synthetic_segments.ROTATING_KG
    synthetic_segments.ROTATING_KG = rotating_mass_of(build)
    yield
    synthetic_segments.ROTATING_KG = before


def drives_of(count, *, seed=1, noise_j=1.5e4, spread=0.0, first=1):
    rng = np.random.default_rng(seed)
    drives = []
    for number in range(count):
        own = own_of(rng.normal(0.0, spread) if spread else 0.0, rng.normal(0, 1), rng.normal(0, 1))
        drives.append(
            drive_of(shared_truth(**TRUTH), rng, drive_id=str(first + number), own=own, noise_j=noise_j, count=25)
        )
    return drives


def highway_consumption(parameters):
    """Wh/km at 29 m/s on the level, 25 °C."""
    mass, drag, rolling, drive, _, auxiliary = parameters
    return ((mass * 9.80665 * rolling + 0.6 * drag * 29.0**2) / drive + auxiliary / 29.0) / 3.6


def fitted_at(result, kind, speed_m_per_s=29.0, temperature_degc=25.0):
    """What a fit expects of a measurement, with all that it learned."""
    asked = Measurement(
        kind=kind, value=1.0, sigma=1.0, source="", speed_m_per_s=speed_m_per_s, temperature_degc=temperature_degc
    )
    return expected_measurement(asked, np.concatenate([result.posterior.log_mean, result.learned.shared]), 0.0)[0]


def test_wrong_plan_is_put_right_by_eight_drives(build):
    result = fit(prior_of(build), drives_of(8), [], build)
    truth = list(TRUTH.values())
    assert result.converged
    assert not result.is_prior_dominated
    found = fitted_at(result, MeasurementKind.STEADY_POWER) / 29.0 / 3.6
    assert found == pytest.approx(highway_consumption(truth), rel=0.01)
    planned_error = abs(highway_consumption(result.prior.median) / highway_consumption(truth) - 1.0)
    assert planned_error > 0.03
    deviation = (result.posterior.log_mean - np.log(truth)) / result.posterior.log_sigma
    assert np.abs(deviation).max() < 3.0


def test_without_drives_the_fit_is_the_plan_and_says_so(build):
    prior = prior_of(build)
    result = fit(prior, [], [], build)
    assert result.posterior.log_mean == pytest.approx(prior.log_mean)
    assert result.posterior.log_covariance == pytest.approx(prior.log_covariance)
    assert result.posterior.sources == prior.sources
    assert result.learned_ratio == pytest.approx(np.ones(6))
    assert result.hull is None
    assert "mostly your plan" in result.warnings[0]
    assert result.wind_sigma_m_per_s == result.noise.wind_sigma_m_per_s


def test_one_drive_is_prior_dominated_in_those_words(build):
    result = fit(prior_of(build), drives_of(1), [], build)
    assert result.is_prior_dominated
    assert any("mostly your plan" in words and "one drive" in words for words in result.warnings)


def test_a_refused_drive_is_listed_with_its_reason_and_takes_no_part(build):
    good = drives_of(3)
    refused = replace(good[0], drive_id="short", refusal="too short for a fit")
    with_it = fit(prior_of(build), [*good, refused], [], build)
    without = fit(prior_of(build), good, [], build)
    assert with_it.posterior.log_mean == pytest.approx(without.posterior.log_mean)
    assert with_it.drive_count == 3
    assert with_it.drives[-1].refusal == "too short for a fit"
    assert any("short takes no part: too short" in words for words in with_it.warnings)


@pytest.mark.parametrize(
    ("kind", "value", "name"),
    [
        (MeasurementKind.MASS, 1780.0, "mass_kg"),
        (MeasurementKind.DRAG_AREA, 0.88, "drag_area_m2"),
        (MeasurementKind.ROLLING_COEFFICIENT, 0.0108, "rolling_coefficient"),
        (MeasurementKind.AUXILIARY_POWER, 420.0, "auxiliary_power_w"),
    ],
)
def test_a_direct_measurement_pins_its_parameter(build, kind, value, name):
    measured = Measurement(kind=kind, value=value, sigma=0.002 * value, source="test")
    result = fit(prior_of(build), [], [measured], build)
    estimate = result.posterior.estimate(name)
    assert estimate.value == pytest.approx(value, rel=0.001)
    assert estimate.sigma == pytest.approx(0.002 * value, rel=0.02)


def test_a_coastdown_force_moves_drag_and_rolling_along_what_it_measures(build):
    force_n = 1780.0 * 9.80665 * 0.0108 * (1 + 0.008 * 5.0) + 0.5 * 1.2 * 0.88 * 27.0**2
    measured = Measurement(
        kind=MeasurementKind.ROAD_LOAD, value=force_n, sigma=0.005 * force_n, source="coastdown", speed_m_per_s=27.0
    )
    result = fit(prior_of(build), [], [measured], build)
    found_n = fitted_at(result, MeasurementKind.ROAD_LOAD, 27.0, 20.0)
    assert found_n == pytest.approx(force_n, rel=0.005)
    covariance = result.posterior.log_covariance
    assert covariance[1, 2] < -0.2 * np.sqrt(covariance[1, 1] * covariance[2, 2])


def test_an_exact_planning_value_stays_where_it_is(build):
    prior = prior_of(build)
    covariance = np.array(prior.log_covariance)
    covariance[0, :] = covariance[:, 0] = 0.0
    exact = ParameterDistribution(log_mean=prior.log_mean, log_covariance=covariance, sources=prior.sources)
    result = fit(exact, drives_of(4), [], build)
    assert result.posterior.median[0] == pytest.approx(prior.median[0])
    assert result.posterior.log_sigma[0] == 0.0


def test_spread_between_drives_is_learned(build):
    steady = fit(prior_of(build), drives_of(12, spread=0.0), [], build)
    moody = fit(prior_of(build), drives_of(12, spread=0.06), [], build)
    assert steady.between_drive_sigma_ratio < 0.02
    assert 0.035 < moody.between_drive_sigma_ratio < 0.09


def test_result_turns_into_json_with_its_names(build):
    content = json_ready(fit(prior_of(build), drives_of(2), [], build))
    assert content["schema"] == "fit-result/1"
    assert content["parameter_names"] == list(PARAMETER_NAMES)
    assert len(json.dumps(content)) < 100_000


def test_what_noting_wind_and_payload_would_take_off_a_days_spread_is_said(build):
    rng = np.random.default_rng(6)
    winds = [own_of(0.0, *rng.normal(0.0, 2.5, 2)) for _ in range(8)]
    drives = [drive_of(shared_truth(), rng, drive_id=str(k), own=own, noise_j=1e4) for k, own in enumerate(winds)]
    found = fit(prior_of(build), drives, [], build)
    day, left = found.between_drive_sigma_ratio, found.noted_sigma_ratio
    assert 0.5 * day < left["wind"] < day
    assert left["wind"] < left["payload"] < day
    known = [replace(drive, wind_known=True, payload_known=True) for drive in drives]
    assert fit(prior_of(build), known, [], build).noted_sigma_ratio == {}
    # A station's wind leaves half of it: of four days noted and four not the mean square is 5/8.
    half = fit(prior_of(build), [*known[:4], *drives[4:]], [], build)
    assert found.wind_sigma_m_per_s == pytest.approx(found.noise.wind_sigma_m_per_s)
    assert half.wind_sigma_m_per_s == pytest.approx(half.noise.wind_sigma_m_per_s * np.sqrt(5.0 / 8.0))


def full_drives(build, count, *, first_charge, lost):
    """Drives whose pack takes less back the nearer it is to full, as logged."""
    drives = []
    for number in range(count):
        drive = smooth_drive(
            build, duration_s=1200.0, mean=17.0 + number, swing=10.0, temperature_degc=15.0 + 2 * number
        )
        time_s, current = drive.channels["pack_current"].time_s, np.array(drive.channels["pack_current"].value)
        charge = first_charge - 0.08 * time_s / time_s[-1]
        taken = 1.0 - lost * np.clip((charge - 0.9) / 0.1, 0.0, 1.0)
        base_a = build.auxiliary.base_power_w.value / 350.0
        current = np.where(current < base_a, base_a + (current - base_a) * taken, current)
        noise = np.random.default_rng(number).normal(0.0, 0.5, current.size)
        drive = replace(
            drive,
            channels=drive.channels
            | {
                "pack_current": channel("pack_current", time_s, current + noise),
                "state_of_charge": channel("state_of_charge", time_s, charge),
            },
        )
        drives.append(segment_drive(drive, build, drive_id=str(number)))
    return drives


def test_regen_lost_to_a_full_pack_is_learned_where_drives_were_full_and_not_claimed_elsewhere(build):
    full = fit(prior_of(build), full_drives(build, 5, first_charge=1.0, lost=0.7), [], build)
    lost = full.learned.values["full_regen_ratio"]
    assert lost.value == pytest.approx(0.7, abs=2.0 * lost.sigma)
    assert lost.sigma < 0.12
    assert any("full pack took" in words for words in full.warnings)
    lower = fit(prior_of(build), full_drives(build, 5, first_charge=0.85, lost=0.7), [], build)
    assert lower.learned.values["full_regen_ratio"].value == pytest.approx(FULL_REGEN_RATIO[0])
    assert lower.learned.values["full_regen_ratio"].sigma >= FULL_REGEN_RATIO[1] * 0.999
    assert not any("full pack" in words for words in lower.warnings)


def test_the_two_parts_of_the_covariance_are_those_of_repeated_fits(build):
    """Linear least squares done again and again, its drives' errors 1.7 times what the weights took them for."""
    plan, rng, scale = shared_prior(prior_of(build), build), np.random.default_rng(5), 1.7
    free = np.flatnonzero(plan.is_free)
    inner = np.ix_(free, free)
    rows = rng.normal(0.0, 1.0, (8, free.size)) * np.sqrt(np.diag(plan.precision)[free])
    told = np.zeros(plan.precision.shape)
    told[inner] = rows.T @ rows
    nothing = np.zeros(len(told))
    drive = DriveInformation(drive_id="1", reference=nothing, gradient=nothing, information=told)
    by_plan, by_drives = covariance_parts(plan.precision + told, plan, [drive])
    count = 40_000
    assumed = rng.multivariate_normal(np.zeros(free.size), np.linalg.inv(plan.precision[inner]), count)
    pulls = assumed @ plan.precision[inner] + scale * rng.standard_normal((count, 8)) @ rows
    wrong = pulls @ np.linalg.inv(plan.precision[inner] + told[inner])
    expected = (by_plan + scale**2 * by_drives)[inner]
    width = np.sqrt(np.diag(expected))
    assert np.cov(wrong.T) / np.outer(width, width) == pytest.approx(expected / np.outer(width, width), abs=0.03)
    assert np.diag(by_plan)[free].min() > 0.0 < np.diag(by_drives)[free].min()


def test_what_was_weighed_is_no_less_sure_for_drives_that_contradict_each_other(build):
    """Twice the errors of the drives: what they decide is twice as wide, a weight from the scales as it was."""
    prior, drives = prior_of(build), drives_of(6)
    scales = Measurement(kind=MeasurementKind.MASS, value=1800.0, sigma=9.0, source="scales")
    plan = shared_prior(prior, build)
    cold, hot = (
        replace(drives[k], cabin_logged=True, ambient_temperature_degc=degc) for k, degc in ((0, -9.0), (1, 44.0))
    )
    solution = solve_with_regen_limit(plan, [cold, hot, *drives[2:]], [scales], build)
    solution = replace(solution, regen_limit=Estimate(2e4, "W", 500.0, "braking"))
    drives = [cold, hot, *drives[2:]]
    listed = [*drives, replace(drives[0], refusal="too short")]
    calm, torn = (
        fit_result_of(solution, plan, prior, listed, [scales], build, scale_ratio=ratio) for ratio in (1.0, 2.0)
    )
    assert torn.posterior.log_sigma[At.MASS] == pytest.approx(calm.posterior.log_sigma[At.MASS], rel=0.02)
    assert torn.posterior.log_sigma[At.MASS] < 1.01 * 9.0 / 1800.0
    assert torn.posterior.log_mean == pytest.approx(calm.posterior.log_mean)
    drag = torn.posterior.log_sigma[At.DRAG] / calm.posterior.log_sigma[At.DRAG]
    assert 1.1 < drag < 2.0
    for name in ("between_drive_sigma_ratio", "level_sigma_ratio", "wind_sigma_m_per_s", "auxiliary_sigma_ratio"):
        assert getattr(torn, name) == pytest.approx(2.0 * getattr(calm, name))
    assert torn.noted_sigma_ratio == pytest.approx({name: 2.0 * one for name, one in calm.noted_sigma_ratio.items()})
    for name in ("regen_power_limit", "heating_w_per_k", "cooling_w_per_k"):
        assert getattr(torn.learned, name).sigma == pytest.approx(2.0 * getattr(calm.learned, name).sigma)
    assert torn.learned.regen_power_limit.sigma == 1000.0
    assert calm.level_sigma_ratio == solution.scales.level_sigma_ratio
    assert calm.auxiliary_sigma_ratio == solution.scales.auxiliary_sigma_ratio
    by_plan, by_drives = covariance_parts(solution.information, plan, calm.information)
    for found, squared in ((calm, 1.0), (torn, 4.0)):
        covariance = by_plan + squared * by_drives
        assert found.posterior.log_covariance == pytest.approx(covariance[:6, :6])
        for told, state in zip(found.drives[:6], solution.states, strict=True):
            given = solution.shared, covariance, state.drive, rotating_mass_of(build), solution.scales
            anew = predicted_energy(*given, source="fit", own_ratio=np.sqrt(squared))
            assert (told.refined.value, told.refined.sigma) == pytest.approx((anew.value, anew.sigma))
    assert torn.drives[-1].refined.sigma is None
    for one, other in zip(torn.drives[:-1], calm.drives[:-1], strict=True):
        assert 1.5 < one.refined.sigma / other.refined.sigma < 2.0
