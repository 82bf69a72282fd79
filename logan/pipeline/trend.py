"""One metric over all drives: does the vehicle change, and did a change to it show?"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Final

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.errors import NotEnoughDataError, UsageError
from logan.model.fitted_build import basis_of_fit
from logan.pipeline.builds import BuildFolder
from logan.pipeline.refine import learned_fit
from logan.pipeline.stored import stored_drives
from logan.results import Estimate, Figure, Refusal, Told, result, silent
from logan.units import FloatArray

LEVEL_RATIO: Final = 0.9
"""Probability that the intervals shown hold."""


_BY_VEHICLE: Final = ("regen_recovery", "regen_stop_recovery", "regen_capped", "friction_brakes", "ledger_residual")
"""Metrics that take the vehicle's road load and efficiencies: one vehicle, so that every drive is judged alike."""


@result("trend-point/1")
class TrendPoint:
    """One drive on the trend.

    Parameters
    ----------
    number : int
        The drive.
    start_ns : int or None
        When it began, since 1970 UTC. [ns]
    figure : Estimate
        The metric.
    change : str
        What was changed on the vehicle before this drive.
    """

    number: int
    start_ns: int | None
    figure: Estimate
    change: str = ""

    @property
    def started(self) -> datetime | None:
        """Start in UTC."""
        return None if self.start_ns is None else datetime.fromtimestamp(self.start_ns / 1e9, tz=UTC)


@result("trend-period/1")
class TrendPeriod:
    """The drives between two changes to the vehicle.

    Parameters
    ----------
    change : str
        What was changed before the first of them; empty for the vehicle as it was at first.
    first, last : int
        Numbers of the first and the last drive.
    drive_count : int
        Drives in it.
    mean : Estimate
        Mean of the metric; its uncertainty holds the spread from drive to drive.
    spread : float or None
        How far one drive strays from the mean, one sigma, in the metric's unit; None for a single drive.
    step : Estimate or None
        Difference from the period before; None for the first.
    """

    change: str
    first: int
    last: int
    drive_count: int
    mean: Estimate
    spread: float | None
    step: Estimate | None = None


@result("trend/1")
class Trend:
    """One metric over drives and dates.

    Parameters
    ----------
    metric, unit : str
        What, and in which unit.
    points : tuple of TrendPoint
        By start time.
    periods : tuple of TrendPeriod
        From change to change.
    refused, excluded : tuple of int
        Drives for which the metric was refused, and drives that are left out by their notes.
    basis : str
        "measured"; or "plan" or "fit of N drives" where the metric rests on that vehicle.
    """

    metric: str
    unit: str
    points: tuple[TrendPoint, ...]
    periods: tuple[TrendPeriod, ...]
    refused: tuple[int, ...] = ()
    excluded: tuple[int, ...] = ()
    basis: str = "measured"


def trend_of_build(folder: BuildFolder, metric: str, *, with_excluded: bool = False, told: Told = silent) -> Trend:
    """A metric over the drives of a build; what rests on the vehicle is by the answer's fit, where there is one.

    Parameters
    ----------
    folder, metric, with_excluded : BuildFolder, str, bool
        The build, whose summaries are up to date, and as for ``metric_trend``.
    told : callable, optional
        Given words on what is being done.
    """
    figures = None
    fit = learned_fit(folder, told=told) if metric.rpartition("_")[0] in _BY_VEHICLE else None
    with DriveLibrary.open(folder.library) as library:
        if fit is not None:
            drives = stored_drives(library, folder.settings(), fit=fit, told=told)
            figures = {one.record.number: one.analysis.figures()[metric] for one in drives}
        found = metric_trend(library, metric, with_excluded=with_excluded, figures=figures)
    return found if fit is None else replace(found, basis=basis_of_fit(fit))


def metric_trend(
    library: DriveLibrary, metric: str, *, with_excluded: bool = False, figures: Mapping[int, Figure] | None = None
) -> Trend:
    """A metric over the drives of a library, changes to the vehicle marked.

    Parameters
    ----------
    library : DriveLibrary
        The drives.
    metric : str
        Name of a metric that the drives' summaries hold.
    with_excluded : bool
        Drives that the fit leaves out take part too.
    figures : mapping of int to Figure, optional
        The metric by number of drive, in place of what the summaries hold.

    Raises
    ------
    UsageError
        If no drive has such a metric.
    NotEnoughDataError
        If it was refused for every drive.
    """
    stored = library.metric(metric)
    if not stored:
        names = library.metric_names()
        near = get_close_matches(metric, names, 3, 0.3) or names[:8]
        raise UsageError(
            f"no drive has a metric '{metric}'",
            f"Choose one of: {', '.join(near)}" if near else "Import a drive first: logan import LOG",
        )
    excluded = tuple(record.number for record, _ in stored if record.is_excluded and not with_excluded)
    taking_part = {
        record.number: (record, (figures or {}).get(record.number, figure))
        for record, figure in stored
        if record.number not in excluded
    }
    points = tuple(
        TrendPoint(number=number, start_ns=record.start_ns, figure=figure, change=record.conditions.change)
        for number, (record, figure) in taking_part.items()
        if isinstance(figure, Estimate)
    )
    if not points:
        reason = next((found.reason for _, found in taking_part.values() if isinstance(found, Refusal)), "all left out")
        raise NotEnoughDataError(f"'{metric}' was refused for every drive ({reason})", "See: logan drives")
    kept = {point.number for point in points}
    changes = {number: record.conditions.change for number, (record, _) in taking_part.items()}
    return Trend(
        metric=metric,
        unit=points[0].figure.unit,
        points=points,
        periods=_periods(points, _pending_changes(changes, kept)),
        refused=tuple(number for number in taking_part if number not in kept),
        excluded=excluded,
        basis="plan" if metric.rpartition("_")[0] in _BY_VEHICLE else "measured",
    )


def _pending_changes(noted: Mapping[int, str], kept: set[int]) -> dict[int, str]:
    """Change noted at each drive that is shown; one noted at a refused drive counts from the next shown one."""
    changes: dict[int, str] = {}
    pending: list[str] = []
    for number, change in noted.items():
        if change:
            pending.append(change)
        if number in kept and pending:
            changes[number] = "; ".join(pending)
            pending = []
    return changes


def _periods(points: Sequence[TrendPoint], changes: dict[int, str]) -> tuple[TrendPeriod, ...]:
    groups: list[list[TrendPoint]] = []
    for point in points:
        if not groups or point.number in changes:
            groups.append([])
        groups[-1].append(point)
    periods: list[TrendPeriod] = []
    for group in groups:
        mean, spread = _mean(group)
        periods.append(
            TrendPeriod(
                change=changes.get(group[0].number, ""),
                first=group[0].number,
                last=group[-1].number,
                drive_count=len(group),
                mean=mean,
                spread=spread,
                step=_step(periods[-1].mean, mean) if periods else None,
            )
        )
    return tuple(periods)


def _mean(group: Sequence[TrendPoint]) -> tuple[Estimate, float | None]:
    values = np.array([point.figure.value for point in group])
    sigmas = np.array([0.0 if point.figure.sigma is None else point.figure.sigma for point in group])
    mean, sigma, spread = random_effects_mean(values, sigmas)
    unit = group[0].figure.unit
    if len(group) == 1:
        return Estimate(mean, unit, group[0].figure.sigma, "one drive"), None
    return Estimate(mean, unit, sigma, f"mean of {len(group)} drives"), spread


def _step(before: Estimate, after: Estimate) -> Estimate:
    known = before.sigma is not None and after.sigma is not None
    sigma = float(np.hypot(before.spread, after.spread)) if known else None
    return Estimate(after.value - before.value, after.unit, sigma, "difference of the means")


def random_effects_mean(value: FloatArray, sigma: FloatArray) -> tuple[float, float, float]:
    """Mean of measurements that differ by more than their own uncertainty.

    Parameters
    ----------
    value, sigma : ndarray, shape (n,)
        Measurements and their standard uncertainties, one unit; zero where unknown. [any]

    Returns
    -------
    mean, sigma, spread : float
        Weighted mean, its standard uncertainty, and the spread between measurements.

    References
    ----------
    .. [1] DerSimonian and Laird 1986, doi:10.1016/0197-2456(86)90046-2.
    """
    if value.size == 1:
        return float(value[0]), float(sigma[0]), 0.0
    # A sigma of zero would take all the weight; the spread of the values bounds how small it may be.
    floor = max(float(np.std(value)) * 1e-3, 1e-12 * max(1.0, float(np.max(np.abs(value)))))
    variance = np.maximum(sigma, floor) ** 2
    weight = 1.0 / variance
    mean = float(np.sum(weight * value) / np.sum(weight))
    excess = float(np.sum(weight * (value - mean) ** 2)) - (value.size - 1)
    # Sum of weights less their squares over it, as products of pairs: a difference would lose the small weights.
    rising = np.sort(weight)
    scale = 2.0 * float(np.sum(rising[1:] * np.cumsum(rising)[:-1]) / np.sum(weight))
    between = max(0.0, excess / scale)
    weight = 1.0 / (variance + between)
    mean = float(np.sum(weight * value) / np.sum(weight))
    return mean, float(1.0 / np.sqrt(np.sum(weight))), float(np.sqrt(between))
