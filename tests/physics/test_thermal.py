import math

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy.integrate import solve_ivp

from logan.physics.thermal import coolant_heat_w, lagged
from tests.first_order import first_order_response_degc


@settings(deadline=None, max_examples=15)
@given(
    time_constant_s=st.floats(20.0, 2000.0),
    resistance_k_per_w=st.floats(0.001, 0.05),
    seed=st.integers(0, 1000),
)
def test_response_agrees_with_an_ode_solver(time_constant_s, resistance_k_per_w, seed):
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(1.0, 30.0, 40))
    load_w, sink_degc = rng.uniform(0.0, 5000.0, 40), rng.uniform(10.0, 60.0, 40)
    exact = first_order_response_degc(
        time_s,
        load_w,
        sink_degc,
        start_degc=25.0,
        time_constant_s=time_constant_s,
        resistance_k_per_w=resistance_k_per_w,
    )
    goal = sink_degc + resistance_k_per_w * load_w
    assert exact == pytest.approx(_solved(time_s, goal, 25.0, time_constant_s), abs=1e-5)


def _solved(time_s, goal, start, time_constant_s):
    """By a solver, one interval after the other: a step over a kink, and what is interpolated there, is 10 mK off."""
    found = [start]
    for k in range(time_s.size - 1):
        ends = time_s[k : k + 2]
        solution = solve_ivp(
            lambda t, y, ends=ends, k=k: (np.interp(t, ends, goal[k : k + 2]) - y) / time_constant_s,
            ends, found[-1:], rtol=1e-9, atol=1e-9,
        )  # fmt: skip
        found.append(solution.y[0, -1])
    return np.array(found)


@settings(deadline=None, max_examples=15)
@given(time_constant_s=st.floats(20.0, 2000.0), seed=st.integers(0, 1000))
def test_what_lags_agrees_with_an_ode_solver(time_constant_s, seed):
    """The function that the thermal fits rest on, from its settled start, two columns at once."""
    time_s = 5.0 * np.arange(60)
    signals = np.random.default_rng(seed).uniform(10.0, 90.0, (60, 2))
    response = lagged(signals, step_s=5.0, time_constant_s=time_constant_s, is_settled=True)
    for column in range(2):
        solved = _solved(time_s, signals[:, column], signals[0, column], time_constant_s)
        assert response[:, column] == pytest.approx(solved, abs=1e-5)


def test_what_lags_from_zero_answers_a_step_as_an_exponential():
    step = np.concatenate(([0.0], np.ones(400)))
    response = lagged(step, step_s=0.01, time_constant_s=1.5, is_settled=False)
    assert response[-1] == pytest.approx(1.0 - math.exp(-3.995 / 1.5), abs=1e-4)


def test_coolant_heat_of_ten_litres_a_minute():
    # 10 L/min, 5 K, water and glycol: 10/60e3 * 1050 * 3500 * 5 W.
    assert coolant_heat_w(10 / 60e3, 5.0) == pytest.approx(3062.5)
