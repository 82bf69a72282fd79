"""A schedule: the speeds and heights that are to be driven, against time."""

from __future__ import annotations

import numpy as np

from logan.results import read_only, result
from logan.units import METRES_PER_SECOND_PER_MPH, FloatArray
from logan.units.sentences import measure


@result("schedule/1")
class Schedule:
    """Speed and height against time, straight lines between the points.

    Parameters
    ----------
    name : str
        What it is called.
    time_s : ndarray, shape (n,)
        Strictly increasing. [s]
    speed_m_per_s : ndarray, shape (n,)
        Never negative. [m/s]
    elevation_m : ndarray, shape (n,), optional
        Height above sea level; a level road where left out. [m]
    heading_deg : ndarray, shape (n,), optional
        Course over ground, clockwise from north; needed only for wind that blows from somewhere. [deg]
    is_usable : ndarray of bool, shape (n - 1,), optional
        False for steps that were not recorded; they add neither distance nor energy.
    source : str
        Where it comes from.
    """

    name: str
    time_s: FloatArray
    speed_m_per_s: FloatArray
    elevation_m: FloatArray | None = None
    heading_deg: FloatArray | None = None
    is_usable: np.ndarray[tuple[int], np.dtype[np.bool_]] | None = None
    source: str = ""

    def __post_init__(self) -> None:
        count = self.time_s.size
        if count < 2 or self.time_s.shape != self.speed_m_per_s.shape:
            raise ValueError("time_s and speed_m_per_s must have one shape (n,), n at least 2")
        for label, array in (("elevation_m", self.elevation_m), ("heading_deg", self.heading_deg)):
            if array is not None and array.shape != self.time_s.shape:
                raise ValueError(f"{label} must have shape ({count},)")
        if self.is_usable is not None and self.is_usable.shape != (count - 1,):
            raise ValueError(f"is_usable must have shape ({count - 1},)")
        for name in ("time_s", "speed_m_per_s", "elevation_m", "heading_deg", "is_usable"):
            array = getattr(self, name)
            if array is not None:
                object.__setattr__(self, name, read_only(array))

    @property
    def step_distance_m(self) -> FloatArray:
        """Distance of each step, shape (n - 1,); zero where not usable. [m]"""
        step_m = 0.5 * (self.speed_m_per_s[1:] + self.speed_m_per_s[:-1]) * np.diff(self.time_s)
        return step_m if self.is_usable is None else np.where(self.is_usable, step_m, 0.0)

    @property
    def distance_m(self) -> float:
        """Distance driven. [m]"""
        return float(self.step_distance_m.sum())

    @property
    def duration_s(self) -> float:
        """Time driven, unusable steps left out. [s]"""
        step_s = np.diff(self.time_s)
        return float(step_s.sum() if self.is_usable is None else step_s[self.is_usable].sum())

    @property
    def mean_speed_m_per_s(self) -> float:
        """Distance over time, stops included. [m/s]"""
        return self.distance_m / self.duration_s if self.duration_s > 0 else 0.0

    def speed_at_share_m_per_s(self, share_ratio: float) -> float:
        """Speed below which a share of the distance is driven. [m/s]"""
        step_m = self.step_distance_m
        mean_m_per_s = 0.5 * (self.speed_m_per_s[1:] + self.speed_m_per_s[:-1])
        order = np.argsort(mean_m_per_s)
        covered_m = np.cumsum(step_m[order])
        if covered_m[-1] <= 0:
            return 0.0
        index = int(np.searchsorted(covered_m, share_ratio * covered_m[-1]))
        return float(mean_m_per_s[order[min(index, order.size - 1)]])


def steady_schedule(
    speed_m_per_s: float,
    *,
    grade_ratio: float = 0.0,
    duration_s: float = 3600.0,
    step_s: float = 60.0,
    name: str = "",
) -> Schedule:
    """Constant speed on a constant grade.

    Parameters
    ----------
    speed_m_per_s : float
        Speed held. [m/s]
    grade_ratio : float
        Rise over distance along the road, positive uphill. [ratio]
    duration_s, step_s : float
        Length, and the step in which warm-up is followed. [s]
    name : str
        What to call it.

    Returns
    -------
    Schedule
        The schedule.

    Raises
    ------
    ValueError
        If the speed is not above zero.
    """
    if speed_m_per_s <= 0:
        raise ValueError("speed_m_per_s must be above zero")
    time_s = np.linspace(0.0, duration_s, max(2, round(duration_s / step_s) + 1))
    return Schedule(
        name=name or f"steady {measure(speed_m_per_s / METRES_PER_SECOND_PER_MPH, 'mph')}",
        time_s=time_s,
        speed_m_per_s=np.full(time_s.shape, speed_m_per_s),
        elevation_m=grade_ratio * speed_m_per_s * time_s if grade_ratio else None,
        source="steady speed",
    )
