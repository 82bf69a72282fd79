import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from logan.physics.thermal import (
    continuous_load_w,
    coolant_heat_w,
    first_order_response_degc,
    plateau_degc,
    time_to_limit_s,
)


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


def test_time_to_limit_lands_on_the_limit():
    time_s = time_to_limit_s(start_degc=40.0, plateau_degc=120.0, limit_degc=100.0, time_constant_s=300.0)
    reached = 120.0 + (40.0 - 120.0) * math.exp(-time_s / 300.0)
    assert reached == pytest.approx(100.0)


def test_time_to_limit_at_both_ends():
    assert time_to_limit_s(start_degc=101.0, plateau_degc=120.0, limit_degc=100.0, time_constant_s=300.0) == 0.0
    assert time_to_limit_s(start_degc=40.0, plateau_degc=99.0, limit_degc=100.0, time_constant_s=300.0) == math.inf


def test_continuous_load_settles_at_the_limit():
    load_w = continuous_load_w(limit_degc=120.0, sink_degc=60.0, resistance_k_per_w=0.02)
    assert plateau_degc(load_w=load_w, sink_degc=60.0, resistance_k_per_w=0.02) == pytest.approx(120.0)
    assert continuous_load_w(limit_degc=50.0, sink_degc=60.0, resistance_k_per_w=0.02) == 0.0


def test_coolant_heat_of_ten_litres_a_minute():
    # 10 L/min, 5 K, water and glycol: 10/60e3 * 1050 * 3500 * 5 W.
    assert coolant_heat_w(10 / 60e3, 5.0) == pytest.approx(3062.5)
