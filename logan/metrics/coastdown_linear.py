"""Road load with a linear term: A, B and C from pairs of coastdowns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from logan.metrics.coastdown_fit import GroupFit
from logan.results import Estimate, Figure, Refusal, result
from logan.units import FloatArray


@result("three-term-load/1")
class ThreeTermLoad:
    """Road load with a linear term let in, at reference conditions: what a dynamometer is set to.

    Parameters
    ----------
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : Figure
        A, B and C; their errors are strongly correlated, so that their sum is surer than each.
    """

    constant_n: Figure
    linear_n_s_per_m: Figure
    quadratic_n_s2_per_m2: Figure


_NO_PAIR: Final = Refusal("no pair of opposite runs: wind, slope and a linear term look alike", "Drive both ways")
NO_THREE_TERMS: Final = ThreeTermLoad(constant_n=_NO_PAIR, linear_n_s_per_m=_NO_PAIR, quadratic_n_s2_per_m2=_NO_PAIR)


def three_term_load(fits: Sequence[GroupFit], *, constant_factor: float, quadratic_factor: float) -> ThreeTermLoad:
    """Weighted means of A, B and C over pairs fitted with a free linear term.

    Parameters
    ----------
    fits : sequence of GroupFit
        At least one, with a covariance of shape (3, 3).
    constant_factor, quadratic_factor : float
        What brings A and C as driven to reference conditions.

    Returns
    -------
    ThreeTermLoad
        Estimates; pairs that scatter more than they should widen them.
    """
    loads = np.array([(fit.constant_n, fit.linear_n_s_per_m, fit.quadratic_n_s2_per_m2) for fit in fits])
    variances = np.array([np.diag(fit.covariance)[[0, 2, 1]] for fit in fits])
    factors = (constant_factor, 1.0, quadratic_factor)
    constant, linear, quadratic = (
        _mean(loads[:, column] * factors[column], variances[:, column] * factors[column] ** 2, unit)
        for column, unit in enumerate(("N", "N s/m", "N s2/m2"))
    )
    return ThreeTermLoad(constant_n=constant, linear_n_s_per_m=linear, quadratic_n_s2_per_m2=quadratic)


def _mean(values: FloatArray, variances: FloatArray, unit: str) -> Estimate:
    weight = 1.0 / variances
    middle = float(np.sum(weight * values) / np.sum(weight))
    chi = float(np.sum(weight * (values - middle) ** 2))
    widened = max(1.0, chi / max(values.size - 1, 1))
    return Estimate(middle, unit, float(np.sqrt(widened / np.sum(weight))), "coastdown, linear term free")
