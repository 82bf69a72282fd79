"""What a drive's coastdown pairs say about the shared vector and the drive's own level."""

from __future__ import annotations

import numpy as np

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.model.segments_table import CoastdownLoad
from logan.model.unknowns import (
    DRAG,
    DRIVELINE_DRAG,
    DRIVELINE_RISE,
    LEVEL,
    MASS,
    OWN_COUNT,
    ROLLING,
    SHARED_COUNT,
    TEMPERATURE,
    TIRE_RISE,
    WARM_UP,
    physical,
)
from logan.physics.tyre import speed_rise_share
from logan.units import FloatArray

_LINE_AS_SQUARE = np.array([9.1, 0.0250])
"""A speed between 15 and 70 mph as a constant and a share of its square, by least squares. [m/s, s/m]"""


def coastdown_residual(
    load: CoastdownLoad, shared: FloatArray, own: FloatArray, *, payload_kg: float, rotating_mass_kg: float
) -> FloatArray:
    """Expected over found load, in logarithms, with derivatives; rows in standard uncertainties.

    Parameters
    ----------
    load : CoastdownLoad
        What was found.
    shared, own : ndarray, shape (p,) and (o,)
        In the order of ``SHARED_NAMES`` and ``OWN_NAMES``. [ratio]
    payload_kg, rotating_mass_kg : float
        Load beyond the weighed mass, and what rotating parts seem to add. [kg]

    Returns
    -------
    ndarray, shape (2, 1 + p + o)
        Residual, derivatives by ``shared``, by ``own``; of the constant and of the quadratic part. [ratio]
    """
    values = physical(shared)
    weighed_kg, level = values[MASS], float(np.exp(own[LEVEL]))
    mass_kg = weighed_kg + payload_kg
    inertia_kg = mass_kg + rotating_mass_kg
    rolling_n = mass_kg * STANDARD_GRAVITY_M_PER_S2 * values[ROLLING] * level
    cold = 1.0 - values[TEMPERATURE] * load.beyond_reference_k
    still, by_square = float(speed_rise_share(np.zeros(1))[0]), float(np.diff(speed_rise_share(np.arange(2.0)))[0])
    tire = rolling_n * (cold + values[WARM_UP] * load.warm_up_share_ratio + values[TIRE_RISE] * still)
    driveline = values[DRIVELINE_DRAG] + values[DRIVELINE_RISE] * _LINE_AS_SQUARE[0]
    constant_n = max(tire + driveline, 1e-6)
    # Tyres that warm while the speed falls look like air resistance.
    quadratic = 0.5 * load.air_density_kg_per_m3 * values[DRAG] * level
    seeming = rolling_n * load.warm_up_slope_s2_per_m2
    rising = rolling_n * by_square
    tire_square = values[WARM_UP] * seeming + values[TIRE_RISE] * rising
    total = max(quadratic + tire_square + values[DRIVELINE_RISE] * _LINE_AS_SQUARE[1], 1e-9)
    rows = np.zeros((2, 1 + SHARED_COUNT + OWN_COUNT))
    rows[0, 0] = np.log(constant_n / inertia_kg / load.constant_m_per_s2)
    rows[1, 0] = np.log(total / inertia_kg / load.quadratic_per_m)
    by_shared, by_own = rows[:, 1 : 1 + SHARED_COUNT], rows[:, 1 + SHARED_COUNT :]
    by_shared[:, MASS] = -weighed_kg / inertia_kg
    by_shared[0, MASS] += weighed_kg / mass_kg * tire / constant_n
    by_shared[0, ROLLING] = tire / constant_n
    by_shared[0, TEMPERATURE] = -rolling_n * values[TEMPERATURE] * load.beyond_reference_k / constant_n
    by_shared[0, WARM_UP] = rolling_n * load.warm_up_share_ratio / constant_n
    by_shared[0, [TIRE_RISE, DRIVELINE_DRAG]] = rolling_n * still / constant_n, 1.0 / constant_n
    by_shared[:, DRIVELINE_RISE] = _LINE_AS_SQUARE / np.array([constant_n, total])
    share = tire_square / total
    by_shared[1, DRAG] = quadratic / total
    by_shared[1, MASS] += share * weighed_kg / mass_kg
    by_shared[1, ROLLING] = share
    by_shared[1, [WARM_UP, TIRE_RISE]] = seeming / total, rising / total
    by_own[:, LEVEL] = tire / constant_n, (quadratic + tire_square) / total
    sigma = np.array([load.constant_sigma_ratio, load.quadratic_sigma_ratio])
    return np.asarray(rows / sigma[:, None])
