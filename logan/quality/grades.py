"""How far each metric of a drive can be believed: grade A to D, or refused with the reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

from logan.drive.drive import Drive
from logan.flags import DataFlag


class Grade(StrEnum):
    """How far a metric can be believed."""

    A = "A"
    """Nothing found that touches it."""
    B = "B"
    """Something small found, or a little of the drive is missing."""
    C = "C"
    """Less sure than it looks: several findings, or a tenth of the drive is missing."""
    D = "D"
    """Not to be relied on; refused where ``is_refused``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MetricGrade:
    """The grade of one metric and why.

    Parameters
    ----------
    metric : str
        Name from ``METRIC_CHANNELS``.
    grade : Grade
        A to D.
    reasons : tuple of str
        In plain words; empty for an A.
    is_refused : bool
        True when the figure must not be shown.
    remedy : str
        What to do about it; empty where nothing is needed.
    coverage_ratio : float or None
        Share of the drive that the metric rests on; None where it has none.
    flags : tuple of str
        Codes of the flags that count against it.
    """

    schema: ClassVar[str] = "metric-grade/1"

    metric: str
    grade: Grade
    reasons: tuple[str, ...] = ()
    is_refused: bool = False
    remedy: str = ""
    coverage_ratio: float | None = None
    flags: tuple[str, ...] = ()


def grade_metrics(
    drive: Drive,
    flags: Iterable[DataFlag],
    *,
    coverage_ratios: Mapping[str, float] | None = None,
    min_coverage_ratio: float = 0.9,
) -> Mapping[str, MetricGrade]:
    """Grade every metric that a drive can carry.

    Parameters
    ----------
    drive : Drive
        What was measured.
    flags : iterable of DataFlag
        What the detectors found.
    coverage_ratios : mapping of str to float, optional
        Coverage of a metric where the caller knows it better, 0 to 1.
    min_coverage_ratio : float
        Below it a metric is refused.

    Returns
    -------
    mapping of str to MetricGrade
        By metric: net_energy, consumption, regen, peak_current, rms_current, charge, distance,
        temperatures, resistance, usable_energy, efficiency, fit.
    """
    raise NotImplementedError
