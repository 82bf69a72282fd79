"""Coastdowns: found or marked, fitted, paired, and corrected to reference conditions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class CoastdownRun:
    """One coastdown.

    Parameters
    ----------
    start_s, end_s : float
        When. [s]
    start_speed_m_per_s, end_speed_m_per_s : float
        From which speed to which.
    heading_deg : float or None
        Mean course; None where not logged.
    constant_n, quadratic_n_s2_per_m2 : float
        Force = constant + quadratic x speed squared, as driven. [N, N/(m/s)2]
    residual_m_per_s : float
        RMS of speed less its fit. [m/s]
    mean_grade_ratio : float or None
        Mean slope; None where height is not logged.
    pair : int or None
        Number of the pair that it belongs to; None where it has no opposite run.
    rejected : str
        Why it is left out; empty when it takes part.
    """

    schema: ClassVar[str] = "coastdown-run/1"

    start_s: float
    end_s: float
    start_speed_m_per_s: float
    end_speed_m_per_s: float
    heading_deg: float | None
    constant_n: float
    quadratic_n_s2_per_m2: float
    residual_m_per_s: float
    mean_grade_ratio: float | None
    pair: int | None
    rejected: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoastdownSummary:
    """Road load from all coastdowns, at 20 degC and 98.21 kPa (40 CFR 1066.805(c)).

    Parameters
    ----------
    runs : tuple of CoastdownRun
        All that were found.
    pair_count : int
        Pairs of opposite runs.
    constant_n, linear_n_s_per_m, quadratic_n_s2_per_m2 : Figure
        A, B and C of the road load at reference conditions.
    drag_area_m2, rolling_coefficient : Figure
        Drag area, and rolling coefficient at 25 degrees Celsius.
    force_65_mph_n : Figure
        Force at 65 mph (29.0576 m/s) at reference conditions. [N]
    correlation_rolling_drag : float or None
        Correlation of the two errors.
    notes : tuple of str
        What was corrected, and what could not be.
    """

    schema: ClassVar[str] = "coastdown-summary/1"

    runs: tuple[CoastdownRun, ...]
    pair_count: int
    constant_n: Figure
    linear_n_s_per_m: Figure
    quadratic_n_s2_per_m2: Figure
    drag_area_m2: Figure
    rolling_coefficient: Figure
    force_65_mph_n: Figure
    correlation_rolling_drag: float | None
    notes: tuple[str, ...]
