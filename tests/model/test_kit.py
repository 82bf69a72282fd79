from __future__ import annotations

import numpy as np
import pytest

from logan.model.fit_result import DriveInformation
from logan.model.kit import VehicleInformation, _solve, fit_kit, vehicle_information
from logan.model.priors import prior_of
from logan.model.unknowns import SHARED_COUNT, At, shared_prior
from tests.builds import example_build

PRIOR = shared_prior(prior_of(example_build()), example_build())
FREE = np.flatnonzero(PRIOR.is_free & (np.arange(SHARED_COUNT) != At.MASS))


def vehicles_of(rng: np.random.Generator, count: int, spread: float, shared: np.ndarray) -> tuple[list, np.ndarray]:
    """Vehicles whose quadratics have their minimum at the truth plus noise of the stated curvature."""
    made, levels = [], rng.normal(0.0, spread, count)
    for number in range(count):
        root = rng.normal(0.0, 1.0, (SHARED_COUNT, SHARED_COUNT)) * 15.0
        information = root @ root.T
        information[~PRIOR.is_free] = 0.0
        information[:, ~PRIOR.is_free] = 0.0
        log_mass = PRIOR.mean[At.MASS] + rng.normal(0.0, 0.1)
        truth = np.array(shared)
        truth[At.MASS] = log_mass + rng.normal(0.0, 0.02)
        truth[[At.DRAG, At.ROLLING]] += levels[number]
        values, vectors = np.linalg.eigh(information)
        noise = vectors @ np.where(values > 1e-6, rng.normal(0, 1, SHARED_COUNT) / np.sqrt(np.maximum(values, 1e-6)), 0)
        reference = truth + rng.normal(0.0, 0.01, SHARED_COUNT) * PRIOR.is_free
        made.append(
            VehicleInformation(
                vehicle=f"v{number:03d}",
                reference=reference,
                gradient=information @ (reference - truth - noise),
                information=information,
                log_mass=log_mass,
                log_mass_sigma=0.02,
                drive_count=5,
            )
        )
    return made, levels


def true_shared(rng: np.random.Generator) -> np.ndarray:
    shared = np.array(PRIOR.mean)
    shared[FREE] += rng.normal(0, 1, FREE.size) * np.sqrt(np.diag(np.linalg.inv(PRIOR.precision[np.ix_(FREE, FREE)])))
    return shared


def test_it_equals_the_joint_solution_written_out_in_full():
    rng = np.random.default_rng(1)
    vehicles, _ = vehicles_of(rng, 4, 0.05, true_shared(rng))
    shared, covariance, own, own_covariance = _solve(PRIOR, np.isin(np.arange(SHARED_COUNT), FREE), vehicles, 0.05)
    size = FREE.size + 2 * len(vehicles)
    information, gradient = np.zeros((size, size)), np.zeros(size)
    information[: FREE.size, : FREE.size] = PRIOR.precision[np.ix_(FREE, FREE)]
    for row, vehicle in enumerate(vehicles):
        join = np.zeros((SHARED_COUNT, size))
        join[FREE, np.arange(FREE.size)] = 1.0
        at = FREE.size + 2 * row
        join[At.MASS, at] = 1.0
        join[[At.DRAG, At.ROLLING], at + 1] = 1.0
        base = np.array(PRIOR.mean)
        base[At.MASS] = vehicle.log_mass
        information += join.T @ vehicle.information @ join
        gradient += join.T @ (vehicle.gradient + vehicle.information @ (base - vehicle.reference))
        information[at, at] += vehicle.log_mass_sigma**-2
        information[at + 1, at + 1] += 0.05**-2
    step, full = -np.linalg.solve(information, gradient), np.linalg.inv(information)
    assert shared[FREE] == pytest.approx(PRIOR.mean[FREE] + step[: FREE.size], rel=1e-9)
    assert covariance[np.ix_(FREE, FREE)] == pytest.approx(full[: FREE.size, : FREE.size], rel=1e-6, abs=1e-12)
    assert own.ravel() == pytest.approx(step[FREE.size :], rel=1e-6, abs=1e-10)
    for row in range(len(vehicles)):
        at = FREE.size + 2 * row
        assert own_covariance[row] == pytest.approx(full[at : at + 2, at : at + 2], rel=1e-6)


def test_what_is_shared_and_each_level_lie_in_their_intervals_at_the_stated_rate():
    rng = np.random.default_rng(2)
    shared_hits, level_hits = [], []
    for _ in range(40):
        shared = true_shared(rng)
        vehicles, levels = vehicles_of(rng, 12, 0.05, shared)
        found = fit_kit(PRIOR, vehicles)
        assert found.converged
        for name, index in (("drag_area_m2", At.DRAG), ("rolling_coefficient", At.ROLLING)):
            estimate = found.parameters[name]
            shared_hits.append(abs(np.log(estimate.value) - shared[index]) < 1.645 * estimate.sigma / estimate.value)
        for level, truth in zip(found.vehicles, levels, strict=True):
            level_hits.append(abs(np.log(level.level.value) - truth) < 1.645 * level.level.sigma / level.level.value)
    assert 0.80 < np.mean(shared_hits) < 0.97
    assert 0.84 < np.mean(level_hits) < 0.95


@pytest.mark.parametrize("spread", [0.02, 0.10])
def test_the_spread_between_vehicles_is_learned(spread):
    rng = np.random.default_rng(3)
    vehicles, levels = vehicles_of(rng, 200, spread, true_shared(rng))
    assert fit_kit(PRIOR, vehicles).level_spread_ratio == pytest.approx(np.std(levels), rel=0.1)


def test_a_vehicle_that_differs_is_named():
    rng = np.random.default_rng(4)
    vehicles, levels = vehicles_of(rng, 30, 0.0, true_shared(rng))
    odd, _ = vehicles_of(np.random.default_rng(5), 1, 0.0, true_shared(np.random.default_rng(4)) + 0.0)
    moved = np.array(odd[0].reference)
    moved[[At.DRAG, At.ROLLING]] += 0.25
    vehicles.append(
        VehicleInformation(
            vehicle="odd",
            reference=moved,
            gradient=odd[0].gradient,
            information=odd[0].information,
            log_mass=odd[0].log_mass,
            log_mass_sigma=0.02,
            drive_count=1,
        )
    )
    outside = [level.vehicle for level in fit_kit(PRIOR, vehicles).vehicles if level.is_outside]
    assert outside == ["odd"]
    assert not np.any(levels)


def test_drives_are_summed_to_one_quadratic_whatever_their_references():
    rng = np.random.default_rng(6)
    drives = []
    for number in range(3):
        root = rng.normal(0, 1, (SHARED_COUNT, SHARED_COUNT))
        drives.append(
            DriveInformation(
                drive_id=str(number),
                reference=rng.normal(0, 0.1, SHARED_COUNT),
                gradient=rng.normal(0, 1, SHARED_COUNT),
                information=root @ root.T,
            )
        )
    summed = vehicle_information("v", drives, PRIOR, 0.02)
    at = rng.normal(0, 0.1, SHARED_COUNT)
    slope = sum(drive.gradient + drive.information @ (at - drive.reference) for drive in drives)
    assert summed.gradient + summed.information @ (at - summed.reference) == pytest.approx(slope)
    assert summed.drive_count == 3
