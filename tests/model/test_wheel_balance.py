import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logan.model.identifiability import NULL_DIRECTION
from logan.model.segments_table import AUXILIARY_LEVELS_W
from logan.model.unknowns import SHARED_COUNT
from logan.model.wheel_balance import OWN_COUNT, balance_residual, surplus_at
from tests.model.synthetic_segments import ROTATING_KG, drive_of, shared_truth


def some_drive(seed=1, **changes):
    rng = np.random.default_rng(seed)
    return drive_of(shared_truth(), rng, brake_j=rng.uniform(0, 5e4, 30), **changes)


def test_the_balance_closes_where_the_parameters_are_true():
    own = np.array([0.03, 1.2, -0.7, 0.1, 0.0])
    drive = drive_of(shared_truth(rise=0.3), np.random.default_rng(3), own=own)
    residual, _, _ = balance_residual(shared_truth(rise=0.3), own, drive, ROTATING_KG)
    # Between tabulated auxiliary levels the surplus is cubic; power that never crosses them is exact.
    assert np.median(np.abs(residual)) < 1e-6
    assert np.abs(residual).max() < 0.01 * drive.gross_j.max()


@pytest.mark.parametrize("has_heading", [True, False])
def test_derivatives_agree_with_finite_differences(has_heading):
    drive = some_drive(has_heading=has_heading, payload_kg=120.0)
    shared, own = shared_truth(rise=0.2), np.array([0.02, 0.8, -1.1, 0.15, 0.6])
    shared[8], shared[9] = 90.0, 2e-4
    if not has_heading:
        own[2] = 0.0
    _, by_shared, by_own = balance_residual(shared, own, drive, ROTATING_KG)
    step = 1e-5
    for index in range(SHARED_COUNT):
        size = step * max(abs(shared[index]), 1e-4)
        up, down = shared.copy(), shared.copy()
        up[index] += size
        down[index] -= size
        slope = balance_residual(up, own, drive, ROTATING_KG)[0] - balance_residual(down, own, drive, ROTATING_KG)[0]
        assert by_shared[:, index] == pytest.approx(slope / (2 * size), rel=2e-5, abs=2.0)
    for index in range(OWN_COUNT):
        up, down = own.copy(), own.copy()
        up[index] += step
        down[index] -= step
        slope = balance_residual(shared, up, drive, ROTATING_KG)[0]
        slope -= balance_residual(shared, down, drive, ROTATING_KG)[0]
        assert by_own[:, index] == pytest.approx(slope / (2 * step), rel=2e-5, abs=2.0)


def test_released_brakes_do_no_negative_work():
    drive, own = some_drive(), np.zeros(OWN_COUNT)
    held = own.copy()
    held[4] = -0.5
    residual, _, by_own = balance_residual(shared_truth(), held, drive, ROTATING_KG)
    assert residual == pytest.approx(balance_residual(shared_truth(), own, drive, ROTATING_KG)[0])
    assert not by_own[:, 4].any()


@given(st.floats(-0.5, 0.5), st.integers(0, 50))
@settings(deadline=None, max_examples=25)
def test_the_balance_cannot_see_the_null_direction(step, seed):
    """Mass, drag area and drive efficiency up, regen efficiency down: no electric log changes. Without rotating mass
    and payload, which are known, this is exact."""
    drive = some_drive(seed)
    shared, moved = shared_truth(), shared_truth()
    moved[:6] += step * NULL_DIRECTION
    own = np.zeros(OWN_COUNT)
    before, after = (balance_residual(point, own, drive, 0.0)[0] for point in (shared, moved))
    assert after == pytest.approx(before, rel=1e-9, abs=1e-3)


@given(st.floats(0.0, 3900.0))
@settings(deadline=None, max_examples=50)
def test_surplus_between_levels_is_that_of_the_power_itself(auxiliary_w):
    drive = some_drive()
    surplus_j, positive_s = surplus_at(drive, auxiliary_w)
    power_w = drive.total_j / drive.road.duration_s
    widest = np.max(np.diff(AUXILIARY_LEVELS_W))
    clear = np.abs(power_w - auxiliary_w) > widest
    assert surplus_j[clear] == pytest.approx(np.maximum(power_w - auxiliary_w, 0.0)[clear] * 90.0, rel=1e-9, abs=1e-6)
    # The slope of a cubic may overshoot a little where the power crosses between two levels.
    assert ((positive_s >= -45.0) & (positive_s <= 90.0 + 45.0)).all()  # a cubic may swing by half


def test_surplus_goes_on_straight_beyond_the_last_level():
    drive = some_drive()
    at_end, _ = surplus_at(drive, 4000.0)
    beyond, positive_s = surplus_at(drive, 4500.0)
    assert beyond == pytest.approx(at_end - 500.0 * positive_s)
