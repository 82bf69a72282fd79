"""Did a change to the vehicle help by more than noise?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from logan.model.fit_result import FitResult
from logan.model.segments_table import DriveSegments
from logan.results import Estimate
from logan.settings import BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class ModificationEffect:
    """Road load after a change over before it, other conditions taken out.

    Parameters
    ----------
    change : Estimate
        Relative change of road load; negative is less. [ratio]
    consumption_change : Estimate
        The same in consumption, on the drives compared. [Wh/km]
    interval_low_ratio, interval_high_ratio : float
        90 % interval of ``change``.
    is_beyond_noise : bool
        True when the interval leaves zero out.
    before, after : tuple of str
        Drives compared.
    statement : str
        The verdict in plain words.
    """

    schema: ClassVar[str] = "modification-effect/1"

    change: Estimate
    consumption_change: Estimate
    interval_low_ratio: float
    interval_high_ratio: float
    is_beyond_noise: bool
    before: tuple[str, ...]
    after: tuple[str, ...]
    statement: str


def modification_effect(
    result: FitResult, before: Sequence[DriveSegments], after: Sequence[DriveSegments], build: BuildSettings
) -> ModificationEffect:
    """Difference in road load between two groups of drives, with its interval."""
    raise NotImplementedError
