"""The budget code on the Guide's own worked examples."""

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.routes import highway_route, mixed_route
from logan.demo.twin import TwinVehicle, drive_twin
from logan.driving_range.attribution import range_budget
from logan.driving_range.uncertainty_budget import BudgetRow, uncertainty_budget
from logan.instruments.posterior import known_instruments
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.model.sensor_errors import with_sensor_errors
from logan.model.unknowns import SHARED_COUNT, At
from logan.pipeline.plan import make_plan
from logan.pipeline.predict import refine_range
from logan.units import DisplayUnits
from logan.wording import untold_text
from tests.builds import example_build


def fitted_drives():
    """What a fit says of two drives of a twin."""
    rng, build = np.random.default_rng(3), example_build()
    twins = [drive_twin(TwinVehicle(), mixed_route(rng, duration_s=900.0), rng=rng) for _ in range(2)]
    segments = [segment_drive(twin.to_drive(), build, drive_id=str(index)) for index, twin in enumerate(twins)]
    return fit(prior_of(build), segments, (), build).drives


@pytest.fixture(scope="module")
def refined_twin():
    """A twin's two drives, fitted with the sensors' errors, and its range."""
    rng, build = np.random.default_rng(3), example_build()
    routes = [mixed_route(rng, duration_s=1500.0), highway_route(rng, duration_s=900.0)]
    drives = [drive_twin(TwinVehicle(mass_kg=1900.0), route, rng=rng).to_drive() for route in routes]
    segments = [segment_drive(drive, build, drive_id=str(index)) for index, drive in enumerate(drives)]
    known = with_sensor_errors(fit(prior_of(build), segments, (), build), known_instruments(build), build)
    plan = make_plan(build, np.random.default_rng(1))
    return refine_range(build, plan, known, np.random.default_rng(2))


def row(sigma, sensitivity=1.0, freedom=np.inf, source="x"):
    return BudgetRow(
        source=source, evaluation="B", sigma=sigma, unit="nm", sensitivity=sensitivity, degrees_of_freedom=freedom
    )


def test_the_gauge_block_of_the_guide():
    """JCGM 100:2008 H.1, Table H.1 (from memory): 25, 9.7, 2.9, 16.6 nm; u_c 32 nm, 16 degrees, k 2.92, U 93 nm."""
    rows = [row(25.0, freedom=18), row(9.7, freedom=25.6), row(2.9, freedom=50), row(0.029, 16.6 / 0.029, freedom=2)]
    found = uncertainty_budget("length", "nm", 50_000_838.0, rows, level_ratio=0.99)
    assert found.combined == pytest.approx(31.7, abs=0.05)
    assert int(found.effective_degrees_of_freedom) == 16
    assert found.coverage_factor == pytest.approx(2.92, abs=0.005)
    assert found.expanded == pytest.approx(93.0, abs=0.6)
    assert [round(one.contribution, 1) for one in found.rows] == [25.0, 16.6, 9.7, 2.9]


@pytest.mark.parametrize(
    ("name", "value", "sigma"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)]
)
def test_the_impedance_of_the_guide_with_its_correlations(name, value, sigma):
    """JCGM 100:2008 H.2 (inputs as quoted by others, results from memory): V, I and phase read together."""
    volt, ampere, phase = 4.9990, 19.6610e-3, 1.04446
    of = {
        "R": (volt / ampere * np.cos(phase), np.cos(phase), -np.sin(phase)),
        "X": (volt / ampere * np.sin(phase), np.sin(phase), np.cos(phase)),
        "Z": (volt / ampere, 1.0, 0.0),
    }[name]
    result, share, turn = of
    rows = [row(3.2e-3, share / ampere), row(9.5e-6, -share * volt / ampere**2), row(7.5e-4, turn * volt / ampere)]
    correlation = np.array([[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]])
    found = uncertainty_budget(name, "ohm", result, rows, correlation)
    assert found.value == pytest.approx(value, abs=6e-3)
    assert found.combined == pytest.approx(sigma, rel=0.025)


def test_what_is_sure_of_itself_takes_the_normal_factor():
    assert uncertainty_budget("x", "m", 1.0, [row(1.0), row(2.0)]).coverage_factor == pytest.approx(1.6449, abs=1e-4)


def test_the_budget_of_a_range_is_as_wide_as_its_samples(refined_twin):
    """Two ways to the same width: the sheet's squares, and ten thousand samples."""
    target = refined_twin.refined.target
    sampled = (target.range_m.p90 - target.range_m.p10) / (2.0 * 1.2816)
    assert refined_twin.budget.combined == pytest.approx(sampled, rel=0.08)
    assert refined_twin.budget.value == target.range_m.p50
    sources = {row.source for row in refined_twin.budget.rows}
    assert {"current gain", "voltage gain", "speed gain", "usable energy", "vehicle, as the fit leaves it"} <= sources


def test_what_days_differ_by_is_known_as_well_as_drives_are_many(refined_twin):
    """Spreads of n drives have n - 1 degrees of freedom (JCGM 100, 4.2.6; from memory); of one drive one."""
    elasticity = np.zeros(SHARED_COUNT)
    elasticity[[At.DRAG, At.ROLLING, At.AUXILIARY]] = 0.7, 0.25, 0.05
    shown = refined_twin.refined.target
    unfitted = fit(prior_of(example_build()), [], [], example_build())
    listed = fitted_drives()
    for count in (1, 2, 6):
        known = replace(unfitted, drives=tuple(listed[k % 2] for k in range(count)))
        assert known.drive_count == count
        budget = range_budget(known, (), elasticity, shown, (0.04, 0.3, 0.02))
        days = {row.source: row for row in budget.rows if row.source.startswith("day to day")}
        assert {(row.evaluation, row.degrees_of_freedom) for row in days.values()} == {("A", max(count - 1, 1))}
        miles = [days[f"day to day: {name}"].contribution for name in ("traffic, tires", "auxiliaries", "wind")]
        expected = np.array([0.95 * 0.04, 0.05 * 0.3, 0.02]) * shown.range_m.p50
        assert miles == pytest.approx(expected)
    calm = range_budget(known, (), elasticity, shown, (0.04, 0.3, 0.0))
    assert "day to day: wind" not in {row.source for row in calm.rows}


def test_the_waterfall_runs_between_the_ranges_that_are_shown(refined_twin):
    for planned, refined in refined_twin.pairs:
        found = refined_twin.attribution(refined.name)
        assert (found.range_before_m, found.range_after_m) == (planned.range_m.p50, refined.range_m.p50)
        moved = refined.range_m.p50 - planned.range_m.p50
        assert sum(step.range_change_m for step in found.steps) == pytest.approx(moved, abs=1e-6)


def test_what_no_drive_tells_is_said_with_the_test_that_would(refined_twin):
    told = {row.source: row.told_by for row in refined_twin.budget.rows}
    assert told["current gain"] == "a clamp meter or a wall meter"
    assert told["speed gain"] == "GPS"
    assert told["usable energy"] == "a run from full to empty"
    assert "truck scale" in told["vehicle, as the fit leaves it"]
    assert not told["day to day: traffic, tires"]
    assert not told["day to day: wind"]
    words = untold_text(refined_twin.budget, DisplayUnits())
    largest = next(row for row in refined_twin.budget.rows if row.told_by)
    assert largest.source in words
    assert largest.told_by in words
    assert f"± {largest.contribution / 1609.344:.1f} mi" in words
