from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.model.drive_likelihood import NoiseScales, first_state, segment_residual
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT, At, step_energy
from tests.model.synthetic_segments import ROTATING_KG, drive_of, own_of, shared_truth

NULL_DIRECTION = np.array([1.0, 1.0, 0.0, 1.0, -1.0, 0.0])
"""Mass, drag area and drive efficiency up, regen efficiency down, by one factor: no pack sees it."""


def residual_of(drive, shared, own):
    return segment_residual(first_state(drive, NoiseScales(), shared_truth()), shared, own, ROTATING_KG)[0]


def test_the_balance_closes_where_the_parameters_are_true():
    own, truth = own_of(0.03, 1.2, -0.7, 0.1), shared_truth(rise=0.3)
    truth[At.COLD_REGEN] = 0.05
    drive = drive_of(truth, np.random.default_rng(3), own=own, cold_k=6.0, limit_j=4e5)
    exact = replace(drive, elevation_sigma_m=1e-6)
    assert np.abs(residual_of(exact, truth, own)).max() < 1e-3


@pytest.mark.parametrize("has_heading", [True, False])
@pytest.mark.parametrize("limit_j", [np.inf, 1e5])
def test_derivatives_agree_with_finite_differences(has_heading, limit_j):
    rng = np.random.default_rng(1)
    drive = drive_of(shared_truth(), rng, has_heading=has_heading, payload_kg=120.0, cold_k=3.0, full=0.6)
    drive = replace(
        drive,
        trip_regen_limit_j=np.full(drive.count, limit_j),
        trip_swing_j=rng.uniform(0.0, 3e4, drive.count),
        trip_swing_n2_s=rng.uniform(0.0, 1e7, drive.count),
    )
    shared = shared_truth(rise=0.2)
    shared[[At.CONSTANT_LOSS, At.COPPER_LOSS, At.COLD_REGEN, At.FULL_REGEN]] = 90.0, 2e-4, 0.04, 0.5
    shared[[At.DRIVELINE_DRAG, At.DRIVELINE_RISE, At.TIRE_RISE]] = 30.0, 0.6, 0.1
    own = np.linspace(0.02, 0.2, OWN_COUNT)
    found = step_energy(shared, own, drive.trip, drive, ROTATING_KG)

    def energy(shared_at, own_at):
        return step_energy(shared_at, own_at, drive.trip, drive, ROTATING_KG).energy_j

    for index in range(SHARED_COUNT):
        step = np.zeros(SHARED_COUNT)
        step[index] = 1e-5 * max(abs(shared[index]), 1e-4)
        slope = (energy(shared + step, own) - energy(shared - step, own)) / (2 * step[index])
        assert found.by_shared[:, index] == pytest.approx(slope, rel=2e-5, abs=2.0 + 1e-6 * np.abs(slope).max())
    for index in range(OWN_COUNT):
        step = np.zeros(OWN_COUNT)
        step[index] = 1e-5
        slope = (energy(shared, own + step) - energy(shared, own - step)) / 2e-5
        assert found.by_own[:, index] == pytest.approx(slope, rel=2e-5, abs=2.0)


@given(factor=st.floats(0.7, 1.5))
@settings(deadline=None, max_examples=20)
def test_energy_does_not_change_along_the_null_direction(factor):
    drive, shared = drive_of(shared_truth(), np.random.default_rng(5)), shared_truth()
    moved = shared.copy()
    moved[:6] += NULL_DIRECTION * np.log(factor)
    before, after = (step_energy(at, np.zeros(OWN_COUNT), drive.trip, drive, 0.0).energy_j for at in (shared, moved))
    assert after == pytest.approx(before, rel=1e-9)


def test_a_cold_pack_takes_less_and_less_back_and_never_gives():
    shared, own = shared_truth(), np.zeros(OWN_COUNT)
    shared[At.COLD_REGEN] = 0.04
    drive = drive_of(shared_truth(), np.random.default_rng(6))
    energy = [
        step_energy(shared, own, drive.trip, replace(drive, trip_cold_k=np.full(drive.count, cold_k)), 0.0).energy_j
        for cold_k in (0.0, 5.0, 20.0)
    ]
    assert energy[0].sum() < energy[1].sum() < energy[2].sum()
    assert (energy[2] <= np.maximum(energy[0], 450.0 * drive.trip.duration_s) + 1e-6).all()


def test_what_goes_out_and_back_within_a_step_costs_both_ways():
    """A wheel held back and pushed on by 1 kJ: returned 1 kJ x regen, drawn 1 kJ / drive."""
    shared, own = shared_truth(drive=0.9, regen=0.8), np.zeros(OWN_COUNT)
    shared[At.COPPER_LOSS] = 3e-4
    drive = drive_of(shared, np.random.default_rng(8))
    swung = replace(drive, trip_swing_j=np.full(drive.count, 800.0), trip_swing_n2_s=np.full(drive.count, 1e6))
    calm, rough = (step_energy(shared, own, one.trip, one, 0.0).energy_j for one in (drive, swung))
    assert rough - calm == pytest.approx(1000.0 / 0.9 - 800.0 + 3e-4 * 1e6)


def test_a_full_pack_takes_less_back_by_the_share_that_it_is_full():
    shared, own = shared_truth(), np.zeros(OWN_COUNT)
    shared[At.FULL_REGEN] = 0.6
    drive = drive_of(shared_truth(), np.random.default_rng(6))
    calm, half = (
        step_energy(shared, own, drive.trip, replace(drive, trip_full_ratio=np.full(drive.count, full)), 0.0).energy_j
        for full in (0.0, 0.5)
    )
    auxiliary_j = 450.0 * drive.trip.duration_s
    braking = calm < auxiliary_j
    assert braking.any()
    assert half[~braking] == pytest.approx(calm[~braking])
    assert half[braking] - auxiliary_j[braking] == pytest.approx(0.7 * (calm - auxiliary_j)[braking])


def test_what_a_segment_has_is_the_sum_of_its_steps():
    drive = drive_of(shared_truth(), np.random.default_rng(7), count=12)
    joined = replace(
        drive, first_step=np.array([0.0, 6.0]), last_step=np.array([6.0, 11.0]), climb_m=np.zeros(2),
        start_edge=np.array([0.0, 1.0]), end_edge=np.array([1.0, 2.0]), edge_sigma_j=np.full(3, 3e3),
    )  # fmt: skip
    assert joined.sums(drive.trip.distance_m) == pytest.approx((joined.joins @ drive.trip.distance_m)[:-1])
    assert joined.segment_m[1] == pytest.approx(drive.trip.distance_m[6:11].sum())


def test_what_stands_is_summed_up_apart():
    drive = drive_of(shared_truth(), np.random.default_rng(8), count=6)
    moving_s = np.array(drive.trip.moving_s)
    moving_s[[1, 4]] = 0.0
    stopped = replace(drive, trip=replace(drive.trip, moving_s=moving_s))
    assert stopped.joins[-1] == pytest.approx([0, 1, 0, 0, 1, 0])
    assert stopped.joins[:-1].sum(axis=0) == pytest.approx([1, 0, 1, 1, 0, 1])
