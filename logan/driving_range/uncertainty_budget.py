"""An uncertainty budget as the Guide to the Expression of Uncertainty in Measurement has it.

Each source has its standard uncertainty u_i, how it was evaluated (A: statistics of own drives; B: anything
else), its sensitivity c_i and its degrees of freedom nu_i. With r_ij the correlations,

    u_c^2 = sum_i sum_j c_i u_i r_ij c_j u_j                  (1)  (JCGM 100, 5.2.2, eq. 16)
    nu_eff = u_c^4 / sum_i (c_i u_i)^4 / nu_i                 (2)  (JCGM 100, G.4.1, eq. G.2b)
    U = k u_c,  k = t_p(nu_eff), nu_eff truncated             (3)  (JCGM 100, G.4.1)
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from scipy.special import stdtrit

from logan.results import result
from logan.units import FloatArray

LEVEL_RATIO: Final = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One source of uncertainty.

    Parameters
    ----------
    source : str
        What is not known.
    evaluation : str
        "A" from the statistics of own drives, "B" from anything else.
    sigma : float
        Standard uncertainty, in ``unit``.
    unit : str
        Its unit.
    sensitivity : float
        Change of the result per ``unit``.
    degrees_of_freedom : float
        Infinite where the standard uncertainty itself is taken as sure.
    basis : str
        Where the standard uncertainty comes from.
    told_by : str
        What would tell, where no number of drives does; empty where drives narrow it.
    """

    derived: ClassVar[tuple[str, ...]] = ("contribution",)

    source: str
    evaluation: str
    sigma: float
    unit: str
    sensitivity: float
    degrees_of_freedom: float = math.inf
    basis: str = ""
    told_by: str = ""

    @property
    def contribution(self) -> float:
        """Standard uncertainty that it brings to the result, in the result's unit."""
        return abs(self.sensitivity) * self.sigma


@result("uncertainty-budget/1", eq=False)
class UncertaintyBudget:
    """A result with all that makes it unsure.

    Parameters
    ----------
    quantity, unit : str
        Of the result.
    value : float
        The result.
    rows : tuple of BudgetRow
        Largest contribution first.
    combined : float
        Combined standard uncertainty, eq. (1), with the correlations of the rows.
    effective_degrees_of_freedom, coverage_factor : float
        Eq. (2) and (3).
    level_ratio : float
        Of the expanded uncertainty.
    """

    derived: ClassVar[tuple[str, ...]] = ("expanded",)

    quantity: str
    unit: str
    value: float
    rows: tuple[BudgetRow, ...]
    combined: float
    effective_degrees_of_freedom: float
    coverage_factor: float
    level_ratio: float = LEVEL_RATIO

    @property
    def expanded(self) -> float:
        """Half width of the interval at ``level_ratio``."""
        return self.coverage_factor * self.combined


def correlation_of(covariance: FloatArray) -> FloatArray:
    """Correlations of a covariance; what is exact goes with nothing. [ratio]"""
    sigma = np.sqrt(np.diag(covariance))
    scale = np.where(sigma > 0.0, sigma, 1.0)
    correlation = covariance / np.outer(scale, scale)
    np.fill_diagonal(correlation, 1.0)
    return np.asarray(correlation)


def uncertainty_budget(
    quantity: str,
    unit: str,
    value: float,
    rows: Sequence[BudgetRow],
    correlation: FloatArray | None = None,
    level_ratio: float = LEVEL_RATIO,
) -> UncertaintyBudget:
    """Combine sources of uncertainty, eq. (1) to (3).

    Parameters
    ----------
    quantity, unit : str
        Of the result.
    value : float
        The result.
    rows : sequence of BudgetRow
        In any order.
    correlation : ndarray, shape (m, m), optional
        Of the first rows; the others go with none. [ratio]
    level_ratio : float
        Of the expanded uncertainty.

    Returns
    -------
    UncertaintyBudget
        Rows sorted.

    References
    ----------
    .. [1] JCGM 100:2008, 5.2.2 and G.4.1.
    """
    signed = np.array([row.sensitivity * row.sigma for row in rows])
    joined = np.eye(len(rows))
    if correlation is not None:
        joined[: len(correlation), : len(correlation)] = correlation
    combined = float(np.sqrt(max(signed @ joined @ signed, 0.0)))
    loose = sum(row.contribution**4 / row.degrees_of_freedom for row in rows)
    effective = combined**4 / loose if loose > 0.0 else math.inf
    truncated = max(math.floor(effective), 1) if effective < 1e6 else 1e9
    return UncertaintyBudget(
        quantity=quantity,
        unit=unit,
        value=value,
        rows=tuple(sorted(rows, key=lambda row: -row.contribution)),
        combined=combined,
        effective_degrees_of_freedom=effective,
        coverage_factor=float(stdtrit(truncated, 0.5 + level_ratio / 2.0)),
        level_ratio=level_ratio,
    )
