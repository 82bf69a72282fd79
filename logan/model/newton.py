"""Damped Newton steps on a sum of squares: the one solver behind every fit of the model."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Generic, Protocol, TypeVar

import numpy as np
from scipy.special import ndtri, stdtrit

from logan.results import result
from logan.units import FloatArray

_LEAST_DAMPING: Final = 1e-12
_MOST_DAMPING: Final = 1e12
_DAMPING_UPHILL: Final = 1e-3
"""Less than this after a step uphill would only try the same step again."""

_STALLED_STEPS: Final = 10


class LocalQuadratic(Protocol):
    """A function near a point, and how to step from there."""

    @property
    def value(self) -> float:
        """Half the sum of squares."""

    def step(self, damping: float) -> FloatArray:
        """Step to the minimum of the quadratic, its curvature's diagonal raised by a share ``damping``."""

    def length(self, step: FloatArray) -> float:
        """Largest part of a step, in standard deviations of the part alone."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quadratic:
    """Value, gradient and Gauss-Newton curvature over p parameters.

    Parameters
    ----------
    value : float
        Half the sum of squares.
    gradient : ndarray, shape (p,)
        Its gradient. [any]
    information : ndarray, shape (p, p)
        Its curvature. [any]
    """

    value: float
    gradient: FloatArray
    information: FloatArray

    def step(self, damping: float) -> FloatArray:
        """Step to the minimum of the quadratic, its curvature's diagonal raised by a share ``damping``."""
        scale = np.maximum(np.diag(self.information), 1e-300)
        # Scaled to a unit diagonal first: the parameters' sizes may differ by many decades.
        root = np.sqrt(scale)
        scaled = self.information / np.outer(root, root) + damping * np.eye(root.size)
        return np.asarray(-np.linalg.lstsq(scaled, self.gradient / root, rcond=1e-14)[0] / root)

    def length(self, step: FloatArray) -> float:
        """Largest part of a step, in standard deviations of the part alone."""
        return float(np.max(np.abs(step) * np.sqrt(np.maximum(np.diag(self.information), 0.0)), initial=0.0))


Kind = TypeVar("Kind", bound=LocalQuadratic)


@result()
class Minimum(Generic[Kind]):
    """Where the solver stopped.

    Parameters
    ----------
    point : ndarray, shape (p,)
        The minimum. [any]
    quadratic : LocalQuadratic
        The function there.
    converged : bool
        True when a step changed nothing that matters.
    message : str
        How it ended.
    """

    point: FloatArray
    quadratic: Kind
    converged: bool
    message: str


def minimise(
    function: Callable[[FloatArray], Kind],
    start: FloatArray,
    *,
    max_iterations: int = 200,
    tolerance: float = 1e-9,
    first_damping: float = 1e-3,
    stalled_gain: float = 0.0,
) -> Minimum[Kind]:
    """Minimise a sum of squares by Levenberg-Marquardt steps. Method: fit (15).

    Parameters
    ----------
    function : callable
        Half the sum of squares near a point.
    start : ndarray, shape (p,)
        First point. [any]
    max_iterations : int
        Steps to try at most.
    first_damping : float
        Share by which the curvature's diagonal is raised at first; next to nothing where the start is good.
    tolerance : float
        Rest is when a step lowers the function by less than this relative to its value (or to 1,
        where that is more).
    stalled_gain : float
        Rest is too when ten steps downhill gain no more than this together.

    Returns
    -------
    Minimum
        The best point found; ``converged`` tells whether to trust it.

    References
    ----------
    .. [1] D. Marquardt, SIAM J. Appl. Math. 11 (1963) 431, doi:10.1137/0111030.
    """
    point, here = np.array(start, dtype=np.float64), function(np.asarray(start, dtype=np.float64))
    damping, gains = first_damping, [np.inf] * _STALLED_STEPS
    for iteration in range(1, max_iterations + 1):
        step = here.step(damping)
        there = function(point + step)
        if not np.isfinite(there.value) or there.value > here.value:
            damping = max(10.0 * damping, _DAMPING_UPHILL)
            if damping > _MOST_DAMPING:
                # No step downhill at any length: rounding is all that is left.
                return _minimum_at(point, here, iteration)
            continue
        allowed, gain, length = tolerance * max(1.0, here.value), here.value - there.value, here.length(step)
        point, here = point + step, there
        damping = max(damping / 10.0, _LEAST_DAMPING)
        gains = [*gains[1:], gain]
        if (gain <= allowed and length**2 <= 100.0 * allowed) or sum(gains) <= stalled_gain:
            return _minimum_at(point, here, iteration)
    message = f"did not converge in {max_iterations} steps"
    return Minimum(point=point, quadratic=here, converged=False, message=message)


def _minimum_at(point: FloatArray, here: Kind, iteration: int) -> Minimum[Kind]:
    message = f"converged after {iteration} steps"
    return Minimum(point=point, quadratic=here, converged=True, message=message)


DEGREES_OF_FREEDOM: Final = 2.5
"""Of the segments' errors: heavy enough to shrug off loads that nobody logged (what real drives bear best)."""


def student_t_weight(standardised_square: FloatArray, degrees_of_freedom: float = DEGREES_OF_FREEDOM) -> FloatArray:
    """Expected precision factor of each observation, given its squared standardised residual. Method: fit (13).

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
