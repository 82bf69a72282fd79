"""Which drive or measurement would shrink the target prediction's interval most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.model.fit_result import FitResult
from logan.settings import BuildSettings
from logan.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateTest:
    """One thing that could be done next.

    Parameters
    ----------
    name : str
        What to do, in plain words.
    sigma_before_ratio, sigma_after_ratio : float
        Relative standard uncertainty of the target prediction now, and expected afterwards.
    how : str
        How to do it well.
    """

    name: str
    sigma_before_ratio: float
    sigma_after_ratio: float
    how: str

    @property
    def gain_ratio(self) -> float:
        """Share of the interval's width that it would take away."""
        return 1.0 - self.sigma_after_ratio / self.sigma_before_ratio if self.sigma_before_ratio > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTests:
    """Candidates, best first."""

    schema: ClassVar[str] = "next-tests/1"

    candidates: tuple[CandidateTest, ...]


def rank_next_tests(result: FitResult, target_sensitivity: FloatArray, build: BuildSettings) -> NextTests:
    """Rank candidate tests by how far they would shrink the target prediction's interval.

    Parameters
    ----------
    result : FitResult
        The fit so far.
    target_sensitivity : ndarray, shape (6,)
        Change of the log consumption of the target scenario per log parameter. [ratio]
    build : BuildSettings
        The build.
    """
    raise NotImplementedError
