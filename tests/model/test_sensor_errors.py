"""Shared sensor errors in a fit: against fitting the same drives again with the error in them."""

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.routes import highway_route, mixed_route, urban_route
from logan.demo.twin import TwinVehicle, drive_twin
from logan.driving_range.attribution import sensor_elasticity
from logan.driving_range.other_values import environment_by, learned_other_values
from logan.driving_range.prediction import draw_samples
from logan.driving_range.scenarios import prepare_scenarios, scenario_consumption_wh_per_km
from logan.driving_range.sensitivity import consumption_elasticity
from logan.driving_range.usable_energy import usable_energy_of
from logan.instrument_settings import SensorError
from logan.instruments.drive_evidence import UNKNOWNS, InstrumentEvidence, Sensor
from logan.instruments.posterior import known_instruments
from logan.ledger.reckon import energy_ledger
from logan.model.balance import segment_drive
from logan.model.estimator import fit, fit_result_of
from logan.model.fitted_build import fitted_build
from logan.model.parameters import EFFICIENCIES, PARAMETER_NAMES
from logan.model.priors import prior_of
from logan.model.regen_limit import solve_with_regen_limit
from logan.model.sensor_errors import with_sensor_errors
from logan.model.unknowns import shared_prior, whole_efficiencies
from logan.settings import PlanningValue, Scenario, ScenarioKind
from tests.builds import MPH, example_build

HEAVY = TwinVehicle(mass_kg=1900.0, drag_area_m2=1.15, rolling_coefficient=0.0125, drive_efficiency_ratio=0.86)
BUILD = example_build()
(STEADY,) = prepare_scenarios((Scenario(name="65", kind=ScenarioKind.STEADY, speed_m_per_s=65 * MPH),), lambda _: None)


@pytest.fixture(scope="module")
def drives():
    rng = np.random.default_rng(3)
    routes = [
        mixed_route(rng, duration_s=1800.0),
        highway_route(rng, duration_s=1500.0),
        urban_route(rng, duration_s=1500.0),
    ]
    return [drive_twin(HEAVY, route, rng=rng).to_drive() for route in routes * 2]


def fitted(drives, build=BUILD):
    segments = [segment_drive(drive, build, drive_id=str(index)) for index, drive in enumerate(drives)]
    return fit(prior_of(build), segments, (), build)


READ_BY = {
    Sensor.CURRENT_GAIN: ("pack_current",),
    Sensor.VOLTAGE_GAIN: ("pack_voltage",),
    Sensor.SPEED_GAIN: ("speed", "wheel_speed"),
    Sensor.CURRENT_ZERO: ("pack_current",),
    Sensor.TEMPERATURE_OFFSET: ("temperature",),
}


def shown(drive, sensor, error):
    """The drive as a sensor with this error shows it."""
    is_added = sensor in (Sensor.CURRENT_ZERO, Sensor.TEMPERATURE_OFFSET)
    read = [one for name, one in drive.channels.items() if any(word in name for word in READ_BY[sensor])]
    read = [one for one in read if not one.name.startswith("gnss")]
    return drive.with_channels(
        *(replace(one, value=one.value + error if is_added else one.value * np.exp(error)) for one in read)
    )


def log_used(result):
    """Consumption at 65 mph as it is predicted from a fit, in logarithms."""
    environment = environment_by(learned_other_values(BUILD, result.learned).medians)
    used = scenario_consumption_wh_per_km(STEADY, result.posterior.median[None, :], BUILD, environment=environment)
    return float(np.log(used[0]))


def elasticity(result, sensor):
    """Of the consumption at 65 mph to one sensor's error, in closed form: the gradient times G. [ratio]"""
    by_unknown = consumption_elasticity(
        STEADY, result.posterior.median, BUILD, learned_other_values(BUILD, result.learned)
    )
    return -float(sensor_elasticity(result, by_unknown)[UNKNOWNS.index(sensor)])


@pytest.fixture(scope="module")
def exact(drives):
    return fitted(drives)


@pytest.mark.parametrize(
    ("sensor", "step"),
    [
        (Sensor.CURRENT_GAIN, 0.01),
        (Sensor.VOLTAGE_GAIN, 0.01),
        (Sensor.SPEED_GAIN, 0.01),
        (Sensor.CURRENT_ZERO, 0.1),
        (Sensor.TEMPERATURE_OFFSET, 1.0),
    ],
)
def test_the_elasticity_to_each_instrument_is_that_of_fitting_again(drives, exact, sensor, step):
    """Central differences: the drives as a sensor with that error each way shows them, against the closed form."""
    ends = [log_used(fitted([shown(drive, sensor, way * step) for drive in drives])) for way in (1.0, -1.0)]
    moved = (ends[1] - ends[0]) / (2.0 * step)
    told = elasticity(with_sensor_errors(exact, known_instruments(BUILD), BUILD), sensor)
    assert told == pytest.approx(
        moved, rel=0.12 if sensor in (Sensor.CURRENT_GAIN, Sensor.VOLTAGE_GAIN, Sensor.CURRENT_ZERO) else 0.08
    )
    # Air at 65 mph takes 3 x the speed's error and the distance 1 x; a whole zero of 360 W per ampere is 0.0144.
    low, high = {Sensor.SPEED_GAIN: (1.0, 4.0), Sensor.CURRENT_ZERO: (-0.0144, 0.0)}.get(sensor, (-1.1, 1.1))
    assert low < told < high


@pytest.mark.parametrize("ratio", [1.0, 1.3, 2.0])
def test_intervals_widened_by_scatter_leave_the_sensors_errors_within_what_is_known_of_them(drives, exact, ratio):
    """Where drives contradict each other, what they say may be wider than the plan; signs turned round there once."""
    known, plan = known_instruments(BUILD), shared_prior(prior_of(BUILD), BUILD)
    segments = [segment_drive(drive, BUILD, drive_id=str(index)) for index, drive in enumerate(drives)]
    solution = solve_with_regen_limit(plan, segments, (), BUILD)
    widened = fit_result_of(solution, plan, prior_of(BUILD), segments, (), BUILD, scale_ratio=ratio)
    found = with_sensor_errors(widened, known, BUILD)
    left = found.sensors.instruments.covariance
    assert np.linalg.eigvalsh(left)[0] > -1e-12
    assert np.linalg.eigvalsh(known.covariance - left)[0] > -1e-12  # drives never make them less sure
    assert np.linalg.eigvalsh(found.posterior.log_covariance)[0] > -1e-12
    moved = np.abs(found.posterior.log_mean - exact.posterior.log_mean)
    assert (moved < 2.0 * found.posterior.log_sigma + 1e-9).all()


def range_sigma(build, result):
    """Relative standard uncertainty of the range over samples, day-to-day spread not counted."""
    usable, others = usable_energy_of(build, result), learned_other_values(build, result.learned)
    draws = draw_samples(result.posterior, build, 40_000, np.random.default_rng(1), usable=usable, others=others)
    return float(np.std(usable.log_sigma * draws.usable - np.log(draws.consumption_wh_per_km(STEADY, build))))


def counted(weights):
    return InstrumentEvidence(name="full to empty", source="run", weights=weights, value=0.0, sigma=0.002)


def test_the_gain_of_the_sensor_that_counted_the_pack_cancels(exact):
    """R = U_m e^-gain / (C e^-gain): with the same sensor for both, a bad gain costs nothing; its zero does."""
    pack = replace(BUILD.pack, usable_energy_wh=PlanningValue(57_000.0, 30_000.0, "hardly known"))
    build = replace(BUILD, pack=pack)
    bad = replace(build.instruments, current_gain_ratio=replace(build.instruments.current_gain_ratio, sigma=0.05))
    good = replace(build.instruments, current_gain_ratio=replace(build.instruments.current_gain_ratio, sigma=0.0001))
    same = {Sensor.USABLE: 1.0, Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0}

    def sigma(instruments, weights):
        of = replace(build, instruments=instruments)
        return range_sigma(of, with_sensor_errors(exact, known_instruments(of, [counted(weights)]), of))

    assert sigma(bad, same) == pytest.approx(sigma(good, same), abs=0.003)
    # By a datasheet or another meter the gain stays whole.
    assert sigma(bad, {Sensor.USABLE: 1.0}) > sigma(good, {Sensor.USABLE: 1.0}) + 0.007
    drift = replace(good, current_zero_a=replace(good.current_zero_a, sigma=3.0))
    with_zero = same | {Sensor.CURRENT_ZERO: 360.0 * 9.0 / 57_000.0}  # nine hours of town
    assert sigma(drift, with_zero) > sigma(good, with_zero) + 0.002


def test_more_drives_do_not_average_the_sensor_away(drives, exact):
    few = with_sensor_errors(fitted(drives[:2]), known_instruments(BUILD), BUILD)
    many = with_sensor_errors(exact, known_instruments(BUILD), BUILD)
    column = 3  # efficiency
    for result in (few, many):
        widened = result.posterior.log_sigma[column] ** 2 - result.sensors.conditional_covariance[column, column]
        assert widened >= 0.0
    gain = many.sensors.cross_covariance[column, 0]
    assert gain > few.sensors.cross_covariance[column, 0] > 0.0


def test_sensors_taken_as_exact_change_nothing(exact):
    none = {
        name: replace(getattr(BUILD.instruments, name), sigma=0.0)
        for name in (
            "current_gain_ratio",
            "voltage_gain_ratio",
            "speed_gain_ratio",
            "current_zero_a",
            "temperature_offset_k",
        )
    }
    sure = replace(BUILD, instruments=replace(BUILD.instruments, **none))
    result = with_sensor_errors(exact, known_instruments(sure), sure)
    assert result.posterior.log_mean == pytest.approx(exact.posterior.log_mean)
    assert result.posterior.log_covariance == pytest.approx(exact.posterior.log_covariance)


def test_a_ledger_is_reckoned_with_the_vehicle_that_its_own_sensors_show(drives, exact):
    """A speed known to read 5 % high, and left in, is in drive and fit alike: its ledger closes as the fit does."""
    high = InstrumentEvidence(name="tire", source="floor", weights={Sensor.SPEED_GAIN: 1.0}, value=0.05, sigma=0.001)
    wide = replace(BUILD, instruments=replace(BUILD.instruments, speed_gain_ratio=SensorError(0.05)))
    known = with_sensor_errors(exact, known_instruments(wide, [high]), wide)
    assert known.estimate("drag_area_m2").value > 1.1 * exact.estimate("drag_area_m2").value
    closed = [energy_ledger(drives[1], fitted_build(BUILD, found)).residual_ratio for found in (exact, known)]
    assert closed[1] == pytest.approx(closed[0], abs=1e-6)
    assert abs(closed[1]) < 0.04


def test_efficiencies_are_shown_as_a_plan_counts_them(exact):
    """With the losses in them that have names: as samples of the whole fit scatter, and below the rest alone."""
    drawn = np.random.default_rng(2).multivariate_normal(exact.shared, exact.shared_covariance, 4000)
    samples = np.array([whole_efficiencies(row) for row in drawn])
    for place, name in enumerate(EFFICIENCIES):
        shown = exact.as_planned(name)
        assert shown.value < exact.estimate(name).value
        assert shown.value == pytest.approx(np.median(samples[:, place]), rel=0.01)
        assert shown.sigma == pytest.approx(samples[:, place].std(), rel=0.08)
        planned = exact.prior.estimate(name)
        shrunk = shown.sigma / shown.value / (planned.sigma / planned.value)  # what the table shows side by side
        assert exact.learned_ratio[PARAMETER_NAMES.index(name)] == pytest.approx(shrunk, rel=1e-3)
        assert exact.posterior.width_over(exact.prior)[PARAMETER_NAMES.index(name)] != pytest.approx(shrunk, rel=1e-2)
    assert exact.learned_ratio[0] == pytest.approx(exact.posterior.width_over(exact.prior)[0])
    assert exact.as_planned("mass_kg") == exact.estimate("mass_kg")
