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
    solution = solve_ivp(
        lambda t, y: (np.interp(t, time_s, goal) - y) / time_constant_s,
        (time_s[0], time_s[-1]),
        [25.0],
        t_eval=time_s,
        max_step=1.0,
        rtol=1e-8,
        atol=1e-8,
    )
    assert exact == pytest.approx(solution.y[0], abs=2e-3)


@settings(deadline=None, max_examples=15)
@given(time_constant_s=st.floats(20.0, 2000.0), seed=st.integers(0, 1000))
def test_what_lags_agrees_with_an_ode_solver(time_constant_s, seed):
    """The function that the thermal fits rest on, from its settled start, two columns at once."""
    time_s = 5.0 * np.arange(60)
    signals = np.random.default_rng(seed).uniform(10.0, 90.0, (60, 2))
    response = lagged(signals, step_s=5.0, time_constant_s=time_constant_s, is_settled=True)
    for column in range(2):
        solution = solve_ivp(
            lambda t, y, column=column: (np.interp(t, time_s, signals[:, column]) - y) / time_constant_s,
            (time_s[0], time_s[-1]),
            signals[:1, column],
            t_eval=time_s,
            max_step=1.0,
            rtol=1e-8,
            atol=1e-8,
        )
        assert response[:, column] == pytest.approx(solution.y[0], abs=1e-2)  # the solver steps over kinks


def test_what_lags_from_zero_answers_a_step_as_an_exponential():
    step = np.concatenate(([0.0], np.ones(400)))
    response = lagged(step, step_s=0.01, time_constant_s=1.5, is_settled=False)
    assert response[-1] == pytest.approx(1.0 - math.exp(-3.995 / 1.5), abs=1e-4)


def test_coolant_heat_of_ten_litres_a_minute():
    # 10 L/min, 5 K, water and glycol: 10/60e3 * 1050 * 3500 * 5 W.
    assert coolant_heat_w(10 / 60e3, 5.0) == pytest.approx(3062.5)
