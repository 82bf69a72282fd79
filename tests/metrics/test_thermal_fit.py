import numpy as np
import pytest

from logan.metrics.thermal_fit import BLOCK_S, TimeConstantPrior, fit_node
from logan.results import Refusal
from tests.first_order import first_order_response_degc


def made(
    minutes: float,
    *,
    tau: float = 400.0,
    gain: float = 2e-3,
    noise_k: float = 0.1,
    seed: int = 0,
    step: float = 0.5,
    swing_k: float = 3.0,
):
    """Block means of a node heated by a load that changes every two minutes."""
    rng = np.random.default_rng(seed)
    count = int(minutes * 60 / BLOCK_S)
    load = np.repeat(rng.uniform(0.0, 30_000.0, count // 24 + 1), 24)[:count]
    time_s = BLOCK_S * np.arange(count)
    sink = 25.0 + swing_k * np.sin(time_s / 300.0)
    truth = first_order_response_degc(time_s, load, sink, start_degc=40.0, time_constant_s=tau, resistance_k_per_w=gain)
    observed = np.round((truth + rng.normal(0.0, noise_k, count)) / step) * step
    return observed, sink, load[:, None]


@pytest.mark.parametrize("tau", [60.0, 400.0, 1200.0])
def test_time_constant_and_gain_are_recovered(tau):
    node = fit_node(*made(60.0, tau=tau))
    assert node.time_constant_s == pytest.approx(tau, rel=0.06)
    assert node.gains[0] == pytest.approx(2e-3, rel=0.05)
    assert node.residual_k < 0.3


def test_the_interval_of_the_plateau_covers_at_its_stated_rate():
    inside = []
    for seed in range(40):
        observed, sink, load = made(20.0, seed=seed, step=0.0001, noise_k=0.3)
        node = fit_node(observed, sink, load)
        at = np.array([15_000.0])
        inside.append(abs(node.rise_k(at) - 30.0) < 1.645 * node.rise_sigma_k(at))
    # 90 % nominal; 40 draws scatter by 5 %.
    assert np.mean(inside) > 0.78


def test_an_unknown_constant_sink_is_fitted():
    observed, _, load = made(60.0, tau=200.0, swing_k=0.0)
    node = fit_node(observed, None, load)
    assert node.sink_degc == pytest.approx(25.0, abs=0.5)
    assert node.time_constant_s == pytest.approx(200.0, rel=0.05)


def test_less_than_one_time_constant_is_refused():
    node = fit_node(*made(12.0, tau=2400.0))
    assert "shorter than its time constant" in node.refusal.reason
    assert fit_node(*made(60.0)).refusal is None


def test_a_short_steady_load_leaves_many_time_constants_open_and_the_plateau_unsure():
    """Four minutes: a slow node of high gain looks like a faster one of less."""
    time_s = BLOCK_S * np.arange(48)
    load = np.full(time_s.shape, 20_000.0)
    sink = np.full(time_s.shape, 25.0)
    truth = first_order_response_degc(
        time_s, load, sink, start_degc=25.0, time_constant_s=900.0, resistance_k_per_w=2e-3
    )
    observed = truth + np.random.default_rng(0).normal(0.0, 0.2, time_s.size)
    node, at = fit_node(observed, sink, load[:, None]), np.array([20_000.0])
    assert node.rise_sigma_k(at) > 0.05 * node.rise_k(at)
    assert node.time_constant_sigma_s > 0.05 * node.time_constant_s
    known = fit_node(observed, sink, load[:, None], TimeConstantPrior(median_s=900.0, sigma_ratio=0.02))
    assert known.time_constant_s == pytest.approx(900.0, rel=0.05)
    assert known.rise_sigma_k(at) < 0.5 * node.rise_sigma_k(at)


def test_a_temperature_that_hardly_moved_is_refused():
    observed, sink, load = made(30.0)
    refusal = fit_node(25.0 + 0.01 * (observed - 25.0), sink, load)
    assert isinstance(refusal, Refusal)
    assert "4 K are needed" in refusal.reason


def test_a_thermostat_is_not_taken_for_a_first_order_law():
    observed, sink, load = made(60.0, tau=200.0, gain=3e-3)
    jumping = observed + 15.0 * (np.sin(np.arange(observed.size) / 6.0) > 0.0)
    assert "first-order" in fit_node(jumping, sink, load).refusal.reason


def test_a_temperature_that_falls_with_the_load_is_refused():
    observed, sink, load = made(60.0)
    refusal = fit_node(2.0 * sink - observed, sink, load)
    assert isinstance(refusal, Refusal)


def test_too_short_or_holed_data_are_refused():
    observed, sink, load = made(1.0)
    assert "two minutes" in fit_node(observed, sink, load).reason
    observed, sink, load = made(30.0)
    observed[100] = np.nan
    assert "gaps" in fit_node(observed, sink, load).reason
