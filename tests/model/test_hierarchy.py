from dataclasses import replace

import numpy as np
import pytest

from logan.model.drive_likelihood import NoiseScales, evaluate, first_state, tilted
from logan.model.hierarchy import BlockQuadratic, FixedTerms, solve_hierarchy, spread_of
from logan.model.priors import prior_of
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT, At, Own, shared_prior
from tests.builds import example_build
from tests.model.synthetic_segments import ROTATING_KG, drive_of, own_of, shared_truth


def random_blocks(rng, drives, head=7):
    size = head + drives * OWN_COUNT
    root = rng.normal(size=(size, 3 * size))
    dense = root @ root.T
    for one in range(drives):
        for other in range(drives):
            if one != other:
                rows, columns = (slice(head + k * OWN_COUNT, head + (k + 1) * OWN_COUNT) for k in (one, other))
                dense[rows, columns] = 0.0
    dense += 50.0 * np.eye(size)
    gradient = rng.normal(size=size)
    blocks = [slice(head + k * OWN_COUNT, head + (k + 1) * OWN_COUNT) for k in range(drives)]
    quadratic = BlockQuadratic(
        value=1.0,
        head_gradient=gradient[:head],
        head_information=dense[:head, :head],
        gradient=np.array([gradient[block] for block in blocks]),
        cross=np.array([dense[:head, block] for block in blocks]),
        information=np.array([dense[block, block] for block in blocks]),
        likelihoods=(),
    )
    return quadratic, dense, gradient


@pytest.mark.parametrize("damping", [0.0, 0.1])
def test_a_step_by_blocks_is_the_dense_step(damping):
    quadratic, dense, gradient = random_blocks(np.random.default_rng(2), drives=4)
    expected = -np.linalg.solve(dense + damping * np.diag(np.diag(dense)), gradient)
    assert quadratic.step(damping) == pytest.approx(expected, rel=1e-9)
    assert quadratic.length(expected) == pytest.approx(np.max(np.abs(expected) * np.sqrt(np.diag(dense))))


def test_integrating_drives_out_leaves_the_inverse_of_the_covariance_block():
    quadratic, dense, _ = random_blocks(np.random.default_rng(3), drives=3)
    expected = np.linalg.inv(np.linalg.inv(dense)[:7, :7])
    assert quadratic.marginal_information == pytest.approx(expected, rel=1e-8)


def test_spread_is_found_where_many_drives_show_it():
    rng = np.random.default_rng(5)
    found = rng.normal(0.0, 0.04, 400) + rng.normal(0.0, 0.01, 400)
    assert spread_of(found, np.full(400, 1e4), 0.05) == pytest.approx(0.04, rel=0.1)


def test_spread_is_near_its_prior_with_one_drive_and_small_where_drives_agree():
    alone = spread_of(np.array([0.3]), np.array([1e4]), 0.05)
    assert alone == pytest.approx(0.05, rel=0.05)  # root mean square of a half-normal of scale 0.05
    assert spread_of(np.full(30, 0.02), np.full(30, 1e6), 0.05) < 0.01


def test_a_drives_gradient_is_that_of_its_value():
    drive = drive_of(shared_truth(), np.random.default_rng(4), noise_j=2e4, payload_kg=80.0, auxiliary_w=430.0)
    state = first_state(drive, NoiseScales(), shared_truth())
    shared, own = shared_truth(mass=1650.0, drag=0.85), own_of(0.01, 0.3, -0.2, 0.05)
    say = evaluate(state, shared, own, ROTATING_KG)

    def value(shared_step, own_step):
        return evaluate(state, shared + shared_step, own + own_step, ROTATING_KG).value

    for index in range(SHARED_COUNT):
        step = np.zeros(SHARED_COUNT)
        step[index] = 1e-5 * max(1e-2, abs(shared[index]))
        slope = (value(step, 0.0) - value(-step, 0.0)) / (2 * step[index])
        assert say.by_shared[index] == pytest.approx(slope, rel=1e-3, abs=1e-3 * np.abs(say.by_shared).max())
    for index in range(OWN_COUNT):
        step = np.zeros(OWN_COUNT)
        step[index] = 1e-5
        slope = (value(0.0, step) - value(0.0, -step)) / 2e-5
        assert say.by_own[index] == pytest.approx(slope, rel=1e-3, abs=1e-2)


def test_outliers_are_weighed_down_and_do_not_move_the_answer():
    rng = np.random.default_rng(6)
    build, truth = example_build(), shared_truth()
    drives = [drive_of(truth, rng, drive_id=str(k), noise_j=1e4) for k in range(6)]
    broken_j = np.array(drives[0].trip_power_j)
    broken_j[4] += 4e6
    spoilt = replace(drives[0], trip_power_j=broken_j)
    widened = shared_prior(prior_of(build), build)
    clean = solve_hierarchy(widened, drives, [], ROTATING_KG)
    dirty = solve_hierarchy(widened, [spoilt, *drives[1:]], [], ROTATING_KG)
    assert dirty.states[0].weight[4] < 0.05
    sigma = np.sqrt(np.diag(np.linalg.inv(clean.information[:8, :8])))
    assert np.abs(dirty.shared[:8] - clean.shared[:8]).max() < 0.5 * sigma.max()


def test_nothing_but_the_plan_pulls_nowhere_at_the_plan():
    build = example_build()
    widened = shared_prior(prior_of(build), build)
    fixed = FixedTerms(prior=widened, measurements=())
    rest = fixed.at(np.array(widened.mean), ROTATING_KG)
    assert rest.value == 0.0
    assert not rest.gradient.any()


def test_without_a_telling_drive_the_spread_is_the_priors():
    assert spread_of(np.empty(0), np.empty(0), 0.3) == 0.3


def test_the_tilt_is_the_gradient_of_half_the_logarithm_of_the_own_curvature():
    """By finite differences of the determinant; a drive that never turns from driving to regen within them."""
    drive = drive_of(shared_truth(), np.random.default_rng(4), payload_kg=80.0)
    state = first_state(drive, NoiseScales(), shared_truth())
    shared, own = shared_truth(mass=1650.0, drag=0.85), own_of(0.01, 0.3, -0.2, 0.05)

    def half_log(shared, own):
        return 0.5 * np.linalg.slogdet(evaluate(state, shared, own, ROTATING_KG).own_information)[1]

    slopes = []
    for index in range(SHARED_COUNT + OWN_COUNT):
        step = 1e-6 * (np.arange(SHARED_COUNT + OWN_COUNT) == index)
        ends = [half_log(shared + sign * step[:SHARED_COUNT], own + sign * step[SHARED_COUNT:]) for sign in (1, -1)]
        slopes.append((ends[0] - ends[1]) / 2e-6)
    found = tilted(state, shared, own, ROTATING_KG)
    assert found.tilt == pytest.approx(slopes, rel=0.03, abs=0.02)
    assert slopes[At.DRAG] > 1.0
    say, plain = evaluate(found, shared, own, ROTATING_KG), evaluate(state, shared, own, ROTATING_KG)
    assert say.by_shared - plain.by_shared == pytest.approx(found.tilt[:SHARED_COUNT])


def test_unknown_wind_leaves_drag_area_where_it_is():
    """Each drive's best wind alone would make it too large: 24 drives of one vehicle, each with a wind of its own."""
    build, rng = example_build(), np.random.default_rng(8)
    prior = shared_prior(prior_of(build), build)
    truth = np.array(prior.mean)
    drives = [
        drive_of(truth, rng, own=own_of(0.0, *rng.normal(0.0, 2.0, 2)), noise_j=3e4, drive_id=str(number))
        for number in range(24)
    ]
    found = solve_hierarchy(prior, drives, [], ROTATING_KG)
    assert found.converged
    assert found.shared[At.DRAG] - truth[At.DRAG] == pytest.approx(0.0, abs=0.02)


def test_a_drag_factor_lets_a_drive_with_a_roof_rack_take_part():
    """Without it the rack's 20 % go into the vehicle's drag area and the days' spread."""
    build, rng = example_build(), np.random.default_rng(8)
    prior = shared_prior(prior_of(build), build)
    truth = np.array(prior.mean)
    racked = truth + np.log(1.2) * (np.arange(SHARED_COUNT) == At.DRAG)
    drives = [drive_of(truth, rng, noise_j=2e4, drive_id=str(number)) for number in range(6)]
    drives += [drive_of(racked, rng, noise_j=2e4, drive_id=str(number)) for number in range(6, 8)]

    def drag_error(factor):
        given = [*drives[:6], *(replace(drive, drag_factor=factor) for drive in drives[6:])]
        found = solve_hierarchy(prior, given, [], ROTATING_KG)
        return found.shared[At.DRAG] - truth[At.DRAG], found.own[6:, Own.LEVEL], found.scales.level_sigma_ratio

    error, level, spread = drag_error(1.2)
    assert error == pytest.approx(0.0, abs=0.02)
    assert np.abs(level).max() < 0.02
    # A factor that is off is put right by the drive's own level, and says nothing of other days.
    off, level, off_spread = drag_error(1.1)
    assert off == pytest.approx(0.0, abs=0.02)
    assert (level > 0.02).all()
    assert off_spread == pytest.approx(spread, rel=0.3)
