"""Road load: what opposes motion, and the exact energy of steps with linear speed."""

import math

import numpy as np

from logan.physics.tyre import speed_rise_share
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray


def road_load_force_n(
    speed_m_per_s: FloatArray,
    *,
    mass_kg: float | FloatArray,
    rolling_coefficient: float | FloatArray,
    drag_area_m2: float | FloatArray,
    air_density_kg_per_m3: float,
    headwind_m_per_s: float | FloatArray = 0.0,
    grade_ratio: float | FloatArray = 0.0,
    driveline_n: float = 0.0,
    linear_n_s_per_m: float = 0.0,
    tire_rise_ratio: float = 0.0,
) -> FloatArray:
    """Force at the wheels that holds a speed.

    Parameters
    ----------
    speed_m_per_s : ndarray, shape (n,)
        Road speed. [m/s]
    mass_kg, rolling_coefficient, drag_area_m2 : float or ndarray
        Vehicle. [kg, ratio, m2]
    air_density_kg_per_m3, headwind_m_per_s : float or ndarray
        Air. [kg/m3, m/s]
    grade_ratio : float or ndarray
        Rise over distance along the road, positive uphill. [ratio]
    driveline_n, linear_n_s_per_m : float
        Drag that is always there, and what grows with speed, such as a certified B. [N, N s/m]
    tire_rise_ratio : float
        Rise of rolling resistance with speed; see ``speed_rise_share``. [ratio]

    Returns
    -------
    ndarray, shape (n,)
        Rolling, driveline, grade and air resistance together. [N]
    """
    level = np.sqrt(np.maximum(0.0, 1.0 - np.square(grade_ratio)))
    rolling = rolling_coefficient * (1.0 + tire_rise_ratio * speed_rise_share(speed_m_per_s)) * level
    air_m_per_s = speed_m_per_s + headwind_m_per_s
    drag_n = 0.5 * air_density_kg_per_m3 * drag_area_m2 * air_m_per_s * np.abs(air_m_per_s)
    line_n = driveline_n + linear_n_s_per_m * speed_m_per_s
    return np.asarray(mass_kg * STANDARD_GRAVITY_M_PER_S2 * (rolling + grade_ratio) + drag_n + line_n)


def speed_power_integral(
    before_m_per_s: FloatArray, after_m_per_s: FloatArray, step_s: FloatArray, power: int
) -> FloatArray:
    """Integral of speed to a whole power over steps in which speed runs straight.

    Parameters
    ----------
    before_m_per_s, after_m_per_s, step_s : ndarray, shape (n,)
        Speed at the ends, and duration. [m/s, m/s, s]
    power : int
        1, 2, 3 or 4.

    Returns
    -------
    ndarray, shape (n,)
        Exact integral; power 1 is the distance. [m^power s^(1 - power)]
    """
    total = np.zeros(np.broadcast(before_m_per_s, after_m_per_s).shape)
    for exponent in range(power + 1):
        total += before_m_per_s**exponent * after_m_per_s ** (power - exponent)
    return np.asarray(total * step_s / (power + 1))


def air_work_integral(
    before_m_per_s: FloatArray,
    after_m_per_s: FloatArray,
    step_s: FloatArray,
    headwind_m_per_s: FloatArray,
    crosswind_m_per_s: FloatArray,
) -> FloatArray:
    """Integral of |air velocity| times its part along the road times road speed, over each step.

    Half the air density times drag area times this is the work done against the air.
    Exact without crosswind and where the vehicle does not pass the wind's speed within a step.

    Parameters
    ----------
    before_m_per_s, after_m_per_s, step_s : ndarray, shape (n,)
        Speed at the ends, and duration. [m/s, m/s, s]
    headwind_m_per_s, crosswind_m_per_s : ndarray, shape (n,)
        Mean wind against and across the direction of travel. [m/s]

    Returns
    -------
    ndarray, shape (n,)
        Integral. [m3/s2]

    References
    ----------
    .. [1] Method: plan (1); the triangle of wind and travel: 40 CFR 1037.528(h), from memory.
    """
    cubed = speed_power_integral(before_m_per_s, after_m_per_s, step_s, 3)
    if not np.any(headwind_m_per_s) and not np.any(crosswind_m_per_s):
        return cubed
    squared = speed_power_integral(before_m_per_s, after_m_per_s, step_s, 2)
    distance_m = speed_power_integral(before_m_per_s, after_m_per_s, step_s, 1)
    along = 0.5 * (before_m_per_s + after_m_per_s) + headwind_m_per_s
    work = cubed + 2.0 * headwind_m_per_s * squared + headwind_m_per_s**2 * distance_m
    # Magnitude over along-road part: 1 in still air, more where the wind blows across.
    stretch = np.hypot(along, crosswind_m_per_s) / np.maximum(np.abs(along), 1e-9)
    return np.asarray(np.where(np.abs(along) > 1e-9, np.sign(along) * stretch * work, 0.0))


def grip_limited_grade_ratio(grip_ratio: float, rolling_coefficient: float, air_share_ratio: FloatArray) -> FloatArray:
    """Steepest grade that tire grip holds: grip on the driven wheels against rolling, slope and air.

    Parameters
    ----------
    grip_ratio : float
        Grip coefficient times the share of the weight on driven wheels. [ratio]
    rolling_coefficient : float
        [ratio]
    air_share_ratio : ndarray, shape (n,)
        Air resistance over weight. [ratio]

    Returns
    -------
    ndarray, shape (n,)
        Rise over distance along the road; NaN where grip holds not even the level. [ratio]

    References
    ----------
    .. [1] Closed form of (g - c) cos a - sin a = w; without air tan a = g - c.
    """
    spare = grip_ratio - rolling_coefficient
    share = air_share_ratio / np.hypot(spare, 1.0)
    angle = np.arccos(np.clip(share, -1.0, 1.0)) - np.arctan2(1.0, spare)
    return np.asarray(np.where((share <= 1.0) & (angle >= 0.0), np.sin(np.maximum(angle, 0.0)), np.nan))


def climbable_grade_ratio(spare_force_n: FloatArray, mass_kg: float, rolling_coefficient: float) -> FloatArray:
    """Steepest grade that a force at the wheels holds, air resistance already taken off.

    Parameters
    ----------
    spare_force_n : ndarray, shape (n,)
        Force at the wheels less air resistance. [N]
    mass_kg, rolling_coefficient : float
        Vehicle. [kg, ratio]

    Returns
    -------
    ndarray, shape (n,)
        Rise over distance along the road; 1 where the force lifts the vehicle, NaN where it cannot even
        hold a level road. [ratio]
    """
    share = spare_force_n / (mass_kg * STANDARD_GRAVITY_M_PER_S2 * np.hypot(1.0, rolling_coefficient))
    angle = np.arcsin(np.clip(share, -1.0, 1.0)) - np.arctan(rolling_coefficient)
    return np.asarray(np.where(share >= 1.0, 1.0, np.where(angle >= -1e-12, np.sin(np.maximum(angle, 0.0)), np.nan)))


def coasting_speed_m_per_s(
    time_s: FloatArray,
    *,
    start_m_per_s: float,
    effective_mass_kg: float,
    constant_n: float,
    linear_n_s_per_m: float = 0.0,
    quadratic_n_s2_per_m2: float,
) -> FloatArray:
    """Speed while coasting against A + B v + C v², in closed form; zero once stopped. Method: measured (27).

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Time since the start, not negative. [s]
    start_m_per_s : float
        Speed at time zero. [m/s]
    effective_mass_kg : float
        Mass plus rotating inertia. [kg]
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : float
        Road load A, B and C; A and C above zero, B such that the load stays above zero. [N, N/(m/s), N/(m/s)2]

    Returns
    -------
    ndarray, shape (n,)
        Speed. [m/s]

    Raises
    ------
    ValueError
        If the load has no minimum above zero.

    Notes
    -----
    Completing the square, w = v + B / (2 C), leaves A' + C w² and with it
    w(t) = a tan(arctan(w0 / a) - t sqrt(A' C) / m), a = sqrt(A' / C).

    References
    ----------
    .. [1] Thompson, "The Vehicle Road Load Problem: An Approach by Non-Linear Modeling", EPA.
    """
    if quadratic_n_s2_per_m2 <= 0.0:
        raise ValueError("the quadratic coefficient must be above zero")
    shift = linear_n_s_per_m / (2.0 * quadratic_n_s2_per_m2)
    floor_n = constant_n - quadratic_n_s2_per_m2 * shift**2
    if floor_n <= 0.0:
        raise ValueError("the road load must stay above zero")
    alpha = math.sqrt(floor_n / quadratic_n_s2_per_m2)
    rate = math.sqrt(floor_n * quadratic_n_s2_per_m2) / effective_mass_kg
    angle = math.atan((start_m_per_s + shift) / alpha) - rate * time_s
    stopped = math.atan(shift / alpha)
    return np.maximum(alpha * np.tan(np.maximum(angle, stopped)) - shift, 0.0)
