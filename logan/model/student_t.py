"""Student-t errors as a mixture of normals: weights for outliers, and quantiles for intervals."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtri, stdtrit

from logan.units import FloatArray

DEGREES_OF_FREEDOM: Final = 2.5
"""Of the segments' errors: heavy enough to shrug off loads that nobody logged (what real drives bear best)."""


def student_t_weight(standardised_square: FloatArray, degrees_of_freedom: float = DEGREES_OF_FREEDOM) -> FloatArray:
    """Expected precision factor of each observation, given its squared standardised residual.

    Parameters
    ----------
    standardised_square : ndarray, shape (n,)
        Expected squared residual over variance. [ratio]
    degrees_of_freedom : float
        Of the Student-t.

    Returns
    -------
    ndarray, shape (n,)
        (nu + 1) / (nu + x): above 1 near zero, towards 0 far out. [ratio]

    References
    ----------
    .. [1] K. Lange, R. Little, J. Taylor, J. Am. Stat. Assoc. 84 (1989) 881, doi:10.1080/01621459.1989.10478852.
    """
    return np.asarray((degrees_of_freedom + 1.0) / (degrees_of_freedom + standardised_square))


def student_t_half_width(level_ratio: float, degrees_of_freedom: float) -> float:
    """Half-width of the central interval in standard units; the normal one for infinite degrees of freedom."""
    point = 0.5 + 0.5 * level_ratio
    if not np.isfinite(degrees_of_freedom):
        return float(ndtri(point))
    return float(stdtrit(degrees_of_freedom, point))
