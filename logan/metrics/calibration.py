"""What a drive says about its own instruments: tyre, ratio, odometer, zeros, standing load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.flags import Severity
from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelCalibration:
    """Motor speed against satellite speed.

    Parameters
    ----------
    circumference_m : Figure
        Rolling circumference, taking the build's ratio as exact. [m]
    total_ratio : Figure
        Motor turns per wheel turn, taking the build's circumference as exact.
    deviation_ratio : float or None
        Measured over expected distance per motor turn, less one.
    verdict : str
        What a deviation of this size points to.
    severity : Severity or None
        Amber from 3 % (tyre), red from 6 % (gear or DBC); common practice.
    """

    schema: ClassVar[str] = "wheel-calibration/1"

    circumference_m: Figure
    total_ratio: Figure
    deviation_ratio: float | None
    verdict: str
    severity: Severity | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StandstillLoad:
    """Pack power at standstill in one state of load.

    Parameters
    ----------
    state : str
        "base", or the loads on, such as "heater", "air conditioning".
    power_w : Figure
        Median with its uncertainty. [W]
    observed_s : float
        Time standing in that state. [s]
    """

    schema: ClassVar[str] = "standstill-load/1"

    state: str
    power_w: Figure
    observed_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyRun:
    """Steady speed held on the level, one way or both ways averaged.

    Parameters
    ----------
    speed_m_per_s : float
        Mean.
    power_w, wh_per_km : Figure
        Pack power, and per distance.
    is_two_way : bool
        True where opposite runs at this speed were averaged (removes a headwind's linear part).
    spans : tuple of tuple
        Start and end of each run. [s]
    """

    schema: ClassVar[str] = "steady-run/1"

    speed_m_per_s: float
    power_w: Figure
    wh_per_km: Figure
    is_two_way: bool
    spans: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSummary:
    """Calibrations that one drive allows.

    Parameters
    ----------
    wheel : WheelCalibration
        Tyre and ratio.
    odometer_error_ratio, speed_error_ratio : Figure
        Odometer and speed signal against satellite distance, less one.
    current_zero_a : Figure
        Current with the contactors open, or why it is not known. [A]
    standstill : tuple of StandstillLoad
        By state of load.
    steady_runs : tuple of SteadyRun
        Steady speeds found.
    """

    schema: ClassVar[str] = "calibration-summary/1"

    wheel: WheelCalibration
    odometer_error_ratio: Figure
    speed_error_ratio: Figure
    current_zero_a: Figure
    standstill: tuple[StandstillLoad, ...]
    steady_runs: tuple[SteadyRun, ...]
