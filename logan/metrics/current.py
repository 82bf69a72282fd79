"""How much current flowed for how long, and what the components' own curves say to it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel, Drive
from logan.metrics.cautions import advice_for
from logan.metrics.duration_curve import (
    ADIABATIC_WINDOW_S,
    ConductorHeating,
    DurationPoint,
    conductor_heating,
    window_maxima,
    with_zero_crossings,
)
from logan.metrics.metric import Metric
from logan.numerics import nominal_period_s
from logan.results import Estimate, Figure, Refusal, Severity, all_refused, result
from logan.settings import BuildSettings, Conductor, DurationCurve, LimitSide
from logan.units import FloatArray

WINDOWS_S: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 18.0, 30.0, 60.0, 120.0, 180.0, 300.0, 600.0, 1200.0, 1800.0)
"""Windows of the duration curve, 0.1 s to 30 min. [s]"""

AMBER_USED_RATIO: Final = 0.9
"""From this share of a curve on, an approach is amber (common practice)."""


@result("current-peak/1")
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
    refusal : str
        Why the peak must not be shown; empty where it may. What is averaged over a window stands.
    """

    sampled_a: float
    upper_bound_a: float
    is_lower_bound: bool
    note: str
    context: Context
    refusal: str = ""


@result("current-duration/1")
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

    channel: str
    direction: str
    points: tuple[DurationPoint, ...]
    peak: CurrentPeak
    coverage_ratio: float


@result("curve-approach/1")
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


@result("dwell-histogram/1")
class DwellHistogram:
    """Time spent in each band of current; edges one more than times."""

    channel: str
    edges_a: tuple[float, ...]
    time_s: tuple[float, ...]


@result("current-summary/1")
class CurrentSummary:
    """All currents of one drive against all curves given."""

    durations: tuple[CurrentDuration, ...]
    approaches: tuple[CurveApproach, ...]
    conductors: tuple[ConductorHeating, ...]
    dwell: tuple[DwellHistogram, ...]
    notes: tuple[str, ...]


def current_summary(
    drive: Drive, build: BuildSettings, *, refusals: Mapping[str, Refusal] | None = None
) -> CurrentSummary:
    """Duration curves of the pack's and each motor's current, against the curves of the limit sheet.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Curves and conductors of its limit sheet.
    refusals : mapping of str to Refusal, optional
        Metrics that a data flag forbids: ``peak_current``, ``rms_current``.

    Returns
    -------
    CurrentSummary
        Curves, approaches, conductor heating, dwell times, and notes.
    """
    refusals = refusals or {}
    if refused := refusals.get("rms_current"):
        return all_refused(CurrentSummary, refused, notes=(f"current refused: {refused.reason}",))
    lookup = ContextLookup(drive)
    curves, conductors = build.limits.curves, build.limits.conductors
    corners = {second for curve in curves for second in curve.duration_s}
    windows_s = tuple(sorted(corners.union(WINDOWS_S)))
    currents = (*drive.of_kind("pack_current"), *drive.of_kind("motor_current"))
    channels = [channel for channel in currents if int(np.isfinite(channel.value).sum()) > 1]
    durations = tuple(duration for channel in channels for duration in _durations(drive, channel, windows_s, lookup))
    notes = [] if channels else ["current: not logged"]
    if channels and (no_peak := refusals.get("peak_current")):
        durations = tuple(replace(each, peak=replace(each.peak, refusal=no_peak.reason)) for each in durations)
        notes.append(f"peak current refused: {no_peak.reason}")
    if channels and nominal_period_s(channels[0].time_s) > WINDOWS_S[0] * 1.001:
        notes.append("windows shorter than the sample period are left out")
    logged = {channel.name for channel in channels}
    notes += [f"{curve.component}: {curve.channel} is not logged" for curve in curves if curve.channel not in logged]
    if not curves:
        notes.append("no limit given: enter the datasheet's points of fuse, contactor, cable and cells")
    approaches = (_closest(curve, durations, lookup) for curve in curves)
    heated = (_heating(conductor, durations, lookup) for conductor in conductors)
    shown = tuple(_with_shown_points(duration) for duration in durations)
    return CurrentSummary(
        durations=shown,
        approaches=tuple(approach for approach in approaches if approach is not None),
        conductors=tuple(heating for heating in heated if heating is not None),
        dwell=tuple(_dwell(channel) for channel in channels),
        notes=tuple(notes),
    )


def _durations(
    drive: Drive, channel: Channel, windows_s: tuple[float, ...], lookup: ContextLookup
) -> list[CurrentDuration]:
    kind = channel_kind(channel.name)
    is_signed = kind is not None and kind.name == "pack_current"
    time_s, value = with_zero_crossings(channel.time_s, channel.value)
    sides: dict[str, FloatArray] = {"both": np.abs(value)}
    if is_signed:
        sides = {"discharge": np.maximum(value, 0.0), "charge": np.maximum(-value, 0.0), **sides}
    period_s = nominal_period_s(channel.time_s)
    usable_s = tuple(window for window in windows_s if window >= period_s * 0.999)
    step_s = np.diff(channel.time_s)
    covered = (step_s <= channel.max_gap_s) & np.isfinite(channel.value[:-1]) & np.isfinite(channel.value[1:])
    coverage = float(step_s[covered].sum() / drive.duration_s) if drive.duration_s > 0 else 0.0
    found = []
    for direction, side in sides.items():
        points = window_maxima(time_s, side, usable_s, max_gap_s=channel.max_gap_s)
        peak = _peak(drive, channel, time_s, side, period_s, lookup)
        found.append(
            CurrentDuration(
                channel=channel.name, direction=direction, points=points, peak=peak, coverage_ratio=min(coverage, 1.0)
            )
        )
    return found


def _peak(
    drive: Drive, channel: Channel, time_s: FloatArray, side: FloatArray, period_s: float, lookup: ContextLookup
) -> CurrentPeak:
    index = int(np.nanargmax(side))
    step_s = np.diff(channel.time_s)
    slew = np.abs(np.diff(channel.value)) / step_s
    slew = slew[np.isfinite(slew) & (step_s <= channel.max_gap_s)]
    # Between two samples the current can rise and fall again by half a period of its steepest slew.
    above_a = 0.5 * float(slew.max()) * period_s if slew.size else 0.0
    is_slow = period_s > 0.1 * 1.01
    note = ""
    if drive.is_averaged:
        note = "lower bound: the log holds averages"
    elif is_slow:
        note = f"lower bound: one sample every {period_s:.2g} s"
    return CurrentPeak(
        sampled_a=float(side[index]),
        upper_bound_a=float(side[index]) + above_a,
        is_lower_bound=drive.is_averaged or is_slow,
        note=note,
        context=lookup.at(float(time_s[index])),
    )


def allowed_current_a(curve: DurationCurve, window_s: float) -> float:
    """Current that a curve allows for a time: straight in the logarithms of both between its points.

    Parameters
    ----------
    curve : DurationCurve
        Points, duration rising.
    window_s : float
        Time; before the first and after the last point the curve is level. [s]

    Returns
    -------
    float
        Current. [A]
    """
    return float(np.exp(np.interp(np.log(window_s), np.log(curve.duration_s), np.log(curve.current_a))))


def _closest(
    curve: DurationCurve, durations: tuple[CurrentDuration, ...], lookup: ContextLookup
) -> CurveApproach | None:
    """Window in which the current came closest to a curve; the sampled peak counts for the shortest time.

    Method: measured (14).
    """
    candidates: list[tuple[float, float, float, float]] = []
    own = [duration for duration in durations if duration.channel == curve.channel]
    # A phase current has no direction of its own: it loads the component both ways.
    of_direction = [duration for duration in own if duration.direction == curve.direction] or own
    for duration in of_direction:
        for point in duration.points:
            is_rms = curve.quantity == "rms"
            current_a, at_s = (point.rms_a, point.rms_at_s) if is_rms else (point.mean_a, point.mean_at_s)
            allowed_a = allowed_current_a(curve, point.window_s)
            candidates.append((current_a / allowed_a, point.window_s, current_a, at_s))
        if curve.quantity == "peak":
            peak = duration.peak
            candidates.append((peak.sampled_a / curve.current_a[0], 0.0, peak.sampled_a, peak.context.at_s))
    if not candidates:
        return None
    used, window_s, current_a, at_s = max(candidates)
    side = LimitSide.BELOW if curve.direction == "charge" else LimitSide.ABOVE
    severity = Severity.RED if used > 1.0 else Severity.AMBER if used >= AMBER_USED_RATIO else None
    return CurveApproach(
        component=curve.component,
        channel=curve.channel,
        direction=curve.direction,
        quantity=curve.quantity,
        window_s=window_s,
        current_a=current_a,
        allowed_a=allowed_current_a(curve, max(window_s, curve.duration_s[0])),
        used_ratio=used,
        severity=severity,
        context=lookup.at(at_s),
        source=curve.source,
        caution=advice_for(curve.channel, side).past if severity is Severity.RED else "",
    )


def _heating(
    conductor: Conductor, durations: tuple[CurrentDuration, ...], lookup: ContextLookup
) -> ConductorHeating | None:
    points = [
        point
        for duration in durations
        if duration.channel == "pack_current" and duration.direction == "both"
        for point in duration.points
        if point.window_s <= ADIABATIC_WINDOW_S
    ]
    if not points:
        return None
    hardest = max(points, key=lambda point: point.i2t_a2s)
    return conductor_heating(
        conductor, window_s=hardest.window_s, rms_a=hardest.rms_a, context=lookup.at(hardest.rms_at_s)
    )


def _with_shown_points(duration: CurrentDuration) -> CurrentDuration:
    """Without the windows that were only tried for a curve's corner."""
    shown = tuple(point for point in duration.points if point.window_s in WINDOWS_S)
    return replace(duration, points=shown)


def _dwell(channel: Channel) -> DwellHistogram:
    step_s = np.diff(channel.time_s)
    middle = 0.5 * (channel.value[:-1] + channel.value[1:])
    known = np.isfinite(middle) & (step_s <= channel.max_gap_s)
    largest = float(np.max(np.abs(middle[known]))) if known.any() else 1.0
    width = next((w for w in (1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0) if largest / w <= 12.0), 200.0)
    low = width * np.floor(float(np.min(middle[known], initial=0.0)) / width)
    high = width * max(np.ceil(float(np.max(middle[known], initial=0.0)) / width), low / width + 1)
    edges = np.arange(low, high + 0.5 * width, width)
    time_s, _ = np.histogram(middle[known], bins=edges, weights=step_s[known])
    return DwellHistogram(channel=channel.name, edges_a=tuple(edges.tolist()), time_s=tuple(time_s.tolist()))


def _figures(found: CurrentSummary) -> dict[str, Figure]:
    figures: dict[str, Figure] = {}
    for duration in found.durations:
        if duration.channel == "pack_current" and duration.direction == "discharge":
            peak = duration.peak
            figures["peak_current_a"] = (
                Refusal(peak.refusal, "Log the current faster and unfiltered")
                if peak.refusal
                else Estimate(peak.sampled_a, "A", None, peak.note or "highest sample")
            )
            figures |= {
                f"rms_current_{point.window_s:.0f}_s_a": Estimate(point.rms_a, "A", None, "highest window")
                for point in duration.points
                if point.window_s in (10.0, 60.0, 600.0)
            }
    return figures


METRIC: Final = Metric(
    "current",
    CurrentSummary,
    lambda asked: current_summary(asked.drive, asked.build, refusals=asked.refusals),
    _figures,
    {"peak_current": "peak_current", "rms_current": "rms_current"},
)
