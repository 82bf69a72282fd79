from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.drive.drive import DriveConditions
from logan.drive_library.records import DriveSummary
from logan.drive_library.repository import DriveLibrary
from logan.errors import NotEnoughDataError, UsageError
from logan.pipeline.trend import metric_trend, random_effects_mean
from logan.results import Estimate, Refusal
from tests.drive_library.small_drives import small_drive


@pytest.fixture
def library(tmp_path):
    with DriveLibrary.open(tmp_path / "drives", create=True) as opened:
        yield opened


def store(library, values, changes=(), metric="net_wh_per_km", sigma=1.0):
    for number, value in enumerate(values, start=1):
        figure = value if isinstance(value, Refusal) else Estimate(value, "Wh/km", sigma)
        library.add(small_drive(number, 20), summary=DriveSummary(metrics={metric: figure}))
    for number, change in dict(changes).items():
        library.set_conditions(number, replace(library.record(number).conditions, change=change))
    return library


def test_points_come_by_date_whatever_the_order_of_import(library):
    for seed in (3, 1, 2):
        summary = DriveSummary(metrics={"net_wh_per_km": Estimate(float(seed), "Wh/km", 0.1)})
        library.add(small_drive(seed, 20), summary=summary)
    assert [point.figure.value for point in metric_trend(library, "net_wh_per_km").points] == [1.0, 2.0, 3.0]


def test_a_change_begins_a_new_period_with_its_step(library):
    trend = metric_trend(store(library, [200, 202, 198, 180, 182], {4: "new tires"}), "net_wh_per_km")
    assert [(period.first, period.last, period.change) for period in trend.periods] == [(1, 3, ""), (4, 5, "new tires")]
    step = trend.periods[1].step
    assert step.value == pytest.approx(-19.0)
    assert step.sigma == pytest.approx(np.hypot(trend.periods[0].mean.sigma, trend.periods[1].mean.sigma))


def test_a_change_noted_at_a_refused_drive_counts_from_the_next(library):
    trend = metric_trend(store(library, [200.0, Refusal("no current"), 180.0], {2: "brakes freed"}), "net_wh_per_km")
    assert trend.refused == (2,)
    assert [period.change for period in trend.periods] == ["", "brakes freed"]
    assert trend.points[-1].number == 3


def test_excluded_drives_are_left_out_and_named(library):
    store(library, [200.0, 300.0, 202.0])
    library.set_conditions(2, DriveConditions(excluded_because="trailer"))
    assert metric_trend(library, "net_wh_per_km").excluded == (2,)
    assert len(metric_trend(library, "net_wh_per_km").points) == 2
    assert len(metric_trend(library, "net_wh_per_km", with_excluded=True).points) == 3


def test_an_unknown_metric_is_answered_with_those_there_are(library):
    store(library, [200.0])
    with pytest.raises(UsageError, match="net_wh_per_km"):
        metric_trend(library, "net_wh_per_mi")


def test_a_metric_refused_everywhere_says_why(library):
    with pytest.raises(NotEnoughDataError, match="no current"):
        metric_trend(store(library, [Refusal("no current")]), "net_wh_per_km")


def test_the_random_effects_mean_matches_a_hand_calculation():
    # Formulas of DerSimonian and Laird, worked through step by step.
    mean, sigma, spread = random_effects_mean(np.array([10.0, 20.0, 30.0]), np.array([1.0, 1.0, 2.0]))
    fixed = (10 + 20 + 30 / 4) / 2.25
    q = (10 - fixed) ** 2 + (20 - fixed) ** 2 + (30 - fixed) ** 2 / 4
    between = (q - 2) / (2.25 - (1 + 1 + 1 / 16) / 2.25)
    weights = np.array([1 / (1 + between), 1 / (1 + between), 1 / (4 + between)])
    assert mean == pytest.approx(float(weights @ [10, 20, 30] / weights.sum()))
    assert sigma == pytest.approx(weights.sum() ** -0.5)
    assert spread == pytest.approx(between**0.5)


def test_drives_that_agree_within_their_errors_have_no_spread():
    mean, sigma, spread = random_effects_mean(np.array([10.0, 10.5, 9.5, 10.0]), np.full(4, 1.0))
    assert (mean, sigma, spread) == (pytest.approx(10.0), pytest.approx(0.5), 0.0)


def test_the_interval_holds_the_truth_at_its_stated_rate():
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(400):
        sigma = rng.uniform(0.5, 3.0, 15)
        value = 100.0 + rng.normal(0, 4.0, 15) + rng.normal(0, sigma)
        mean, error, _ = random_effects_mean(value, sigma)
        hits += abs(mean - 100.0) < 1.645 * error
    assert 0.83 < hits / 400 < 0.95


def test_a_value_that_is_all_but_exact_takes_the_mean_without_upsetting_it():
    assert random_effects_mean(np.zeros(2), np.array([0.0, 1.0])) == (0.0, pytest.approx(0.0, abs=1e-9), 0.0)


@settings(deadline=None, max_examples=50)
@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(0.0, 10.0)), min_size=1, max_size=20))
def test_the_mean_lies_among_the_values(pairs):
    value, sigma = np.array(pairs).T
    mean, error, spread = random_effects_mean(value, sigma)
    assert value.min() - 1e-9 <= mean <= value.max() + 1e-9
    assert error >= 0
    assert spread >= 0


@pytest.mark.parametrize(
    ("metric", "basis"), [("net_wh_per_km", "measured"), ("friction_brakes_wh", "plan"), ("ledger_residual_wh", "plan")]
)
def test_what_rests_on_the_planned_vehicle_says_so(library, metric, basis):
    assert metric_trend(store(library, [5.0, 6.0], metric=metric), metric).basis == basis
