"""Calibration shown: every drive predicted by a fit that has not seen it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from logan.model.measurement import Measurement
from logan.model.parameters import ParameterDistribution
from logan.model.segments_table import DriveSegments
from logan.settings import BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOutDrive:
    """One drive, predicted from all others.

    Parameters
    ----------
    drive_id : str
        Name of the drive.
    distance_m : float
        Distance. [m]
    measured_wh, predicted_wh, planned_wh, naive_wh : float
        Measured; predicted by the fit on the other drives; by the plan; by the others' mean Wh per km.
    low_wh, high_wh : float
        90 % interval of the prediction.
    """

    drive_id: str
    distance_m: float
    measured_wh: float
    predicted_wh: float
    planned_wh: float
    naive_wh: float
    low_wh: float
    high_wh: float

    @property
    def error_ratio(self) -> float:
        """Predicted over measured, less one."""
        return self.predicted_wh / self.measured_wh - 1.0

    @property
    def is_covered(self) -> bool:
        """True when the interval holds the measured energy."""
        return self.low_wh <= self.measured_wh <= self.high_wh


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Leave-one-drive-out errors and interval coverage for this very build.

    Parameters
    ----------
    drives : tuple of LeftOutDrive
        Each drive in turn.
    median_error_ratio, p90_error_ratio : float or None
        Of the absolute relative errors; None with fewer than two drives.
    naive_median_error_ratio : float or None
        The same for the mean consumption of the other drives: the row to beat.
    covered_ratio : float or None
        Share of drives inside their 90 % interval.
    efficiency_model : str
        Drivetrain model that predicted left-out drives better.
    reason : str
        Why there is no figure; empty when there is.
    """

    schema: ClassVar[str] = "calibration/1"

    drives: tuple[LeftOutDrive, ...]
    median_error_ratio: float | None
    p90_error_ratio: float | None
    naive_median_error_ratio: float | None
    covered_ratio: float | None
    efficiency_model: str
    reason: str = ""


def leave_one_drive_out(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
) -> Calibration:
    """Predict each drive from a fit on all others, and tell how far off it was."""
    raise NotImplementedError
