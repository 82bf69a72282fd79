"""What the data can and cannot tell, in numbers and in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.model.fit_result import FitResult
from logan.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Identifiability:
    """How far the data pin the parameters down.

    Parameters
    ----------
    learned_ratio : ndarray, shape (6,)
        Posterior over prior width. [ratio]
    confounded : tuple of tuple
        Pairs of parameters with their correlation, where the data can hardly tell them apart.
    null_direction : ndarray, shape (6,)
        Direction in log parameters that no electric log can see. [ratio]
    null_learned_ratio : float
        Posterior over prior width along it: what only a weighbridge or a coastdown can shrink.
    statements : tuple of str
        The same in plain words.
    """

    schema: ClassVar[str] = "identifiability/1"

    learned_ratio: FloatArray
    confounded: tuple[tuple[str, str, float], ...]
    null_direction: FloatArray
    null_learned_ratio: float
    statements: tuple[str, ...]


def assess_identifiability(result: FitResult) -> Identifiability:
    """Tell what was learned, what cannot be told apart, and why."""
    raise NotImplementedError
