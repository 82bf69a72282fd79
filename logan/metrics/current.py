"""How much current flowed for how long, and what the components' own curves say to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from logan.drive.context import Context
from logan.flags import Severity

WINDOWS_S: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 18.0, 30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 1200.0, 1800.0)
"""Windows of the duration curve, 0.1 s to 30 min. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DurationPoint:
    """The hardest window of one length.

    Parameters
    ----------
    window_s : float
        Length. [s]
    mean_a, rms_a, i2t_a2s : float
        Highest mean, highest RMS, and its RMS squared times the window.
    rms_at_s : float
        End of the window with the highest RMS. [s]
    mean_at_s : float
        End of the window with the highest mean. [s]
    """

    schema: ClassVar[str] = "duration-point/1"

    window_s: float
    mean_a: float
    rms_a: float
    i2t_a2s: float
    mean_at_s: float
    rms_at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentPeak:
    """Highest sampled current, and how far above it the truth may lie.

    Parameters
    ----------
    sampled_a : float
        Highest sample, positive. [A]
    upper_bound_a : float
        Sample plus half a period of the steepest slew seen. [A]
    is_lower_bound : bool
        True where the log is averaged or slower than 10 Hz, so the true peak is higher.
    note : str
        In plain words.
    context : Context
        When and under what load.
    """

    schema: ClassVar[str] = "current-peak/1"

    sampled_a: float
    upper_bound_a: float
    is_lower_bound: bool
    note: str
    context: Context


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentDuration:
    """Duration curve of one current in one direction.

    Parameters
    ----------
    channel : str
        ``pack_current``, ``motor_current``, ...
    direction : str
        "discharge", "charge", or "both" for an unsigned RMS current.
    points : tuple of DurationPoint
        Windows that fit into the drive.
    peak : CurrentPeak
        Highest sample.
    coverage_ratio : float
        Share of the drive with known current.
    """

    schema: ClassVar[str] = "current-duration/1"

    channel: str
    direction: str
    points: tuple[DurationPoint, ...]
    peak: CurrentPeak
    coverage_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveApproach:
    """How close a current came to a component's curve.

    Parameters
    ----------
    component, channel, direction, quantity : str
        The user's component, the current that flows through it, the direction, and "rms" or "peak".
    window_s, current_a, allowed_a : float
        Window of the closest approach, the current in it, and what the curve allows.
    used_ratio : float
        Current over allowed; above one is beyond the curve.
    severity : Severity or None
        Red beyond the curve, amber from 90 % of it, None below.
    context : Context
        When and under what load.
    source : str
        Where the curve comes from.
    caution : str
        What to do, beside a red one.
    """

    schema: ClassVar[str] = "curve-approach/1"

    component: str
    channel: str
    direction: str
    quantity: str
    window_s: float
    current_a: float
    allowed_a: float
    used_ratio: float
    severity: Severity | None
    context: Context
    source: str
    caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DwellHistogram:
    """Time spent in each band of current; edges one more than times."""

    schema: ClassVar[str] = "dwell-histogram/1"

    channel: str
    edges_a: tuple[float, ...]
    time_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConductorHeating:
    """Adiabatic end temperature of a conductor over the hardest window: an upper estimate, not a limit.

    Parameters
    ----------
    name : str
        The user's name for the conductor.
    window_s, rms_a : float
        Window whose heating is highest, no longer than adiabatic heating is a fair estimate. [s, A]
    start_degc, end_degc, limit_degc : float
        Start as given, end by IEC 60949 without heat loss, and limit as given.
    severity : Severity or None
        Red beyond the limit, amber within 10 K of it.
    context : Context
        When and under what load.
    """

    schema: ClassVar[str] = "conductor-heating/1"

    name: str
    window_s: float
    rms_a: float
    start_degc: float
    end_degc: float
    limit_degc: float
    severity: Severity | None
    context: Context


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentSummary:
    """All currents of one drive against all curves given."""

    schema: ClassVar[str] = "current-summary/1"

    durations: tuple[CurrentDuration, ...]
    approaches: tuple[CurveApproach, ...]
    conductors: tuple[ConductorHeating, ...]
    dwell: tuple[DwellHistogram, ...]
    notes: tuple[str, ...]
