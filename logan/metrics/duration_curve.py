"""Highest mean and RMS of a piecewise linear magnitude over windows of each length, exactly."""

from typing import Final

import numpy as np

from logan.drive.context import Context
from logan.physics.thermal import adiabatic_end_degc, adiabatic_factor, conductor_material, withstand_current_a
from logan.results import Severity, result
from logan.settings import Conductor
from logan.units import BoolArray, FloatArray

LEAST_WINDOW_COVERAGE_RATIO: Final = 0.95
"""A window with more of it unknown is left out."""

_COARSE: Final = 50
"""Windows per length that a coarse pass tries, no closer than the samples."""

_LEAST_COARSE_PERIODS: Final = 2.0


@result("duration-point/1")
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

    window_s: float
    mean_a: float
    rms_a: float
    i2t_a2s: float
    mean_at_s: float
    rms_at_s: float


class RunningIntegrals:
    """Integrals of a piecewise linear signal and of its square, up to any instant.

    Inside a step the signal is a straight line, so its integral is a quadratic and that of
    its square a cubic: a window may start and end anywhere.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples, NaN where not known; n at least 2. [s, any]
    max_gap_s : float
        Longest step that is a straight line. [s]
    """

    def __init__(self, time_s: FloatArray, value: FloatArray, *, max_gap_s: float) -> None:
        step_s = np.diff(time_s)
        before, after = value[:-1], value[1:]
        self._covered: BoolArray = (step_s <= max_gap_s) & np.isfinite(before) & np.isfinite(after)
        self.time_s = time_s
        self._before = np.where(self._covered, before, 0.0)
        self._slope = np.where(self._covered, np.where(self._covered, after - before, 0.0) / step_s, 0.0)
        end = self._before + self._slope * step_s
        self._first = _running(0.5 * (self._before + end) * step_s)
        self._second = _running((self._before**2 + self._before * end + end**2) * step_s / 3.0)
        self._known_s = _running(np.where(self._covered, step_s, 0.0))

    def at(self, at_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Integral of the signal, of its square, and covered time, from the first sample to ``at_s``."""
        index = np.clip(np.searchsorted(self.time_s, at_s, side="right") - 1, 0, self._before.size - 1)
        into_s = at_s - self.time_s[index]
        start, slope = self._before[index], self._slope[index]
        first = self._first[index] + (start + 0.5 * slope * into_s) * into_s
        second = self._second[index] + (start**2 + (start + slope * into_s / 3.0) * slope * into_s) * into_s
        return first, second, self._known_s[index] + np.where(self._covered[index], into_s, 0.0)


def _running(step: FloatArray) -> FloatArray:
    return np.concatenate(([0.0], np.cumsum(step)))


def window_maxima(
    time_s: FloatArray, value: FloatArray, windows_s: tuple[float, ...], *, max_gap_s: float
) -> tuple[DurationPoint, ...]:
    """Highest mean and RMS over every window that fits into the signal. Method: measured (13).

    Between two windows that start or end at a sample, the mean (and the RMS of what is not
    negative) is highest where the signal is the same at both ends; those windows are tried
    too, so the maxima are exact.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples of a magnitude, NaN where not known. [s, any]
    windows_s : tuple of float
        Lengths. [s]
    max_gap_s : float
        Longest step that is a straight line. [s]

    Returns
    -------
    tuple of DurationPoint
        One per length that fits and is covered.
    """
    if time_s.size < 2 or not np.isfinite(value).any():
        return ()
    search = _WindowSearch(time_s, value, max_gap_s)
    found = (search.maxima(window_s) for window_s in windows_s)
    return tuple(one for one in found if one is not None)


class _WindowSearch:
    """Tries the windows of one signal."""

    def __init__(self, time_s: FloatArray, value: FloatArray, max_gap_s: float) -> None:
        self.time_s, self.value = time_s, value
        self.integrals = RunningIntegrals(time_s, value, max_gap_s=max_gap_s)
        self.largest = float(np.nanmax(np.abs(value)))

    def maxima(self, window_s: float) -> DurationPoint | None:
        """Highest mean and RMS of one length; None where no window fits or is covered."""
        first_s, last_s = float(self.time_s[0]) + window_s, float(self.time_s[-1])
        if first_s > last_s * (1.0 + 1e-12):
            return None
        ends_s = self._worth_trying(window_s, min(first_s, last_s), last_s)
        mean, square = self._means(ends_s, window_s)
        if not np.isfinite(mean).any():
            return None
        by_mean, by_square = int(np.argmax(mean)), int(np.argmax(square))
        rms = float(np.sqrt(max(square[by_square], 0.0)))
        return DurationPoint(
            window_s=window_s,
            mean_a=float(mean[by_mean]),
            rms_a=rms,
            i2t_a2s=rms**2 * window_s,
            mean_at_s=float(ends_s[by_mean]),
            rms_at_s=float(ends_s[by_square]),
        )

    def _means(self, ends_s: FloatArray, window_s: float) -> tuple[FloatArray, FloatArray]:
        """Mean and mean square of the windows that end at these times; minus infinity where not covered."""
        first_b, second_b, known_b = self.integrals.at(ends_s)
        first_a, second_a, known_a = self.integrals.at(ends_s - window_s)
        known_s = known_b - known_a
        usable = known_s >= LEAST_WINDOW_COVERAGE_RATIO * window_s * (1.0 - 1e-9)
        divisor = np.where(usable, known_s, np.inf)
        mean = np.where(usable, (first_b - first_a) / divisor, -np.inf)
        return mean, np.where(usable, (second_b - second_a) / divisor, -np.inf)

    def _worth_trying(self, window_s: float, first_s: float, last_s: float) -> FloatArray:
        """Ends of the windows that can be the highest.

        A window moved by a share of its length changes its mean by no more than that share
        of the largest value; so a coarse pass leaves only the neighbourhoods of its best.
        """
        period_s = float(self.time_s[-1] - self.time_s[0]) / (self.time_s.size - 1)
        count = int((last_s - first_s) / max(window_s / _COARSE, period_s)) + 2
        from_s, until_s = np.array([first_s]), np.array([last_s])
        if window_s > _LEAST_COARSE_PERIODS * period_s and last_s > first_s:
            coarse_s = np.linspace(first_s, last_s, count)
            mean, square = self._means(coarse_s, window_s)
            share = (coarse_s[1] - coarse_s[0]) / window_s / LEAST_WINDOW_COVERAGE_RATIO
            near = (mean >= mean.max() - share * self.largest) | (square >= square.max() - share * self.largest**2)
            # A window with a hole in it is bounded by nothing: its neighbourhood is always tried.
            near |= ~np.isfinite(mean)
            near = near[:-1] | near[1:]
            from_s, until_s = coarse_s[:-1][near], coarse_s[1:][near]
        at_end, at_start = self._between(from_s, until_s), self._between(from_s - window_s, until_s - window_s)
        ends_s = np.concatenate((at_end, np.clip(at_start + window_s, first_s, last_s), from_s, until_s))
        ends_s.sort(kind="stable")
        # The mean's slope is the signal at the end less that at the start: straight between candidates.
        slope = np.interp(ends_s, self.time_s, self.value) - np.interp(ends_s - window_s, self.time_s, self.value)
        tops = np.flatnonzero((slope[:-1] > 0.0) & (slope[1:] < 0.0))
        share_in = slope[tops] / (slope[tops] - slope[tops + 1])
        return np.concatenate((ends_s, ends_s[tops] + share_in * (ends_s[tops + 1] - ends_s[tops])))

    def _between(self, from_s: FloatArray, until_s: FloatArray) -> FloatArray:
        """Times of the samples within any of these stretches."""
        low = np.searchsorted(self.time_s, from_s, side="left")
        counts = np.searchsorted(self.time_s, until_s, side="right") - low
        return np.asarray(self.time_s[np.repeat(low - np.cumsum(counts) + counts, counts) + np.arange(counts.sum())])


def with_zero_crossings(time_s: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The same signal with a sample of zero wherever its straight line crosses zero.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples. [s, any]

    Returns
    -------
    time_s, value : ndarray, shape (m,)
        With the crossings put in, so that each sign's part is piecewise linear too. [s, any]
    """
    before, after = value[:-1], value[1:]
    crosses = np.flatnonzero(before * after < 0.0)
    share = before[crosses] / (before[crosses] - after[crosses])
    at_s = time_s[crosses] + share * (time_s[crosses + 1] - time_s[crosses])
    inside = (at_s > time_s[crosses]) & (at_s < time_s[crosses + 1])
    where = crosses[inside] + 1
    return np.insert(time_s, where, at_s[inside]), np.insert(value, where, 0.0)


ADIABATIC_WINDOW_S: Final = 30.0
"""Longest window whose heating is reckoned without heat loss: beyond, the estimate is far too high. [s]"""

NEAR_LIMIT_K: Final = 10.0


@result("conductor-heating/1")
class ConductorHeating:
    """Adiabatic end temperature of a conductor over the hardest window: an upper estimate, not a limit.

    Parameters
    ----------
    name : str
        The user's name for the conductor.
    window_s, rms_a : float
        Window whose heating is highest, no longer than adiabatic heating is a fair estimate. [s, A]
    start_degc, end_degc, limit_degc : float
        Start as given, end without heat loss, and limit as given.
    withstand_a : float or None
        Steady current that would bring it to the limit in that window; None where it starts beyond. [A]
    severity : Severity or None
        Red beyond the limit, amber within 10 K of it.
    context : Context
        When and under what load.
    """

    name: str
    window_s: float
    rms_a: float
    start_degc: float
    end_degc: float
    limit_degc: float
    severity: Severity | None
    context: Context
    withstand_a: float | None = None


def conductor_heating(conductor: Conductor, *, window_s: float, rms_a: float, context: Context) -> ConductorHeating:
    """Adiabatic end temperature of a conductor after one window.

    Parameters
    ----------
    conductor : Conductor
        Material, area, start and limit.
    window_s, rms_a : float
        The window and its RMS current. [s, A]
    context : Context
        When, and what else was true.

    Returns
    -------
    ConductorHeating
        An upper estimate: no heat is lost.

    References
    ----------
    .. [1] IEC 60949:1988, clause 3 (second-hand).
    """
    material = conductor_material(conductor.material)
    end_degc = adiabatic_end_degc(
        rms_a**2 * window_s, area_mm2=conductor.area_mm2, start_degc=conductor.start_degc, material=material
    )
    margin_k = conductor.limit_degc - end_degc
    withstand_a = None
    if conductor.limit_degc > conductor.start_degc:
        factor = adiabatic_factor(material, start_degc=conductor.start_degc, end_degc=conductor.limit_degc)
        withstand_a = withstand_current_a(window_s, area_mm2=conductor.area_mm2, adiabatic_k=factor)
    return ConductorHeating(
        name=conductor.name,
        window_s=window_s,
        rms_a=rms_a,
        start_degc=conductor.start_degc,
        end_degc=end_degc,
        limit_degc=conductor.limit_degc,
        severity=Severity.RED if margin_k < 0.0 else Severity.AMBER if margin_k < NEAR_LIMIT_K else None,
        context=context,
        withstand_a=withstand_a,
    )
