"""Finding the coastdowns of a drive: falling speed, no torque, no brake."""

from typing import Final

import numpy as np

from logan.drive.braking import brake_pressed
from logan.drive.drive import Drive, height_along, pack_power
from logan.drive.logged_loads import auxiliary_load
from logan.metrics.opposite_runs import mean_heading
from logan.numerics import joined_spans, nominal_period_s, spans_where
from logan.results import result
from logan.settings import BuildSettings
from logan.units import BoolArray, FloatArray

LEAST_FALL_M_PER_S: Final = 8.0
LEAST_DURATION_S: Final = 15.0
LEAST_START_M_PER_S: Final = 14.0
LEAST_END_M_PER_S: Final = 3.0
TRIM_S: Final = 1.0
"""Left out at both ends, where torque and brakes settle. [s]"""

FIT_STEP_S: Final = 0.5


@result()
class CoastdownSpan:
    """One stretch of coasting, ready to be fitted.

    Parameters
    ----------
    time_s, speed_m_per_s : ndarray, shape (n,)
        From the start of the stretch. [s, m/s]
    start_s : float
        In the drive. [s]
    heading_deg : float or None
        Mean course.
    mean_grade_ratio, grade_sigma_ratio : float or None
        Mean slope along the run and its uncertainty; None where height is not known.
    """

    time_s: FloatArray
    speed_m_per_s: FloatArray
    start_s: float
    heading_deg: float | None
    mean_grade_ratio: float | None
    grade_sigma_ratio: float | None

    @property
    def end_s(self) -> float:
        """End in the drive. [s]"""
        return self.start_s + float(self.time_s[-1])


def coastdown_spans(drive: Drive, build: BuildSettings) -> tuple[CoastdownSpan, ...]:
    """Stretches in which a drive coasted.

    Where the motor's torque is logged it must be next to nothing; else pack power must be
    next to the auxiliaries' alone. The brake must be off where it is logged. Falling speed
    while the driver holds the marker is taken at the driver's word.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        The drive; base load.

    Returns
    -------
    tuple of CoastdownSpan
        In order of time.
    """
    # Satellite Doppler carries no tyre error; the vehicle's own speed only where there is none.
    speed = drive.first_of("gnss_speed", "speed", samples=21)
    if speed is None:
        return ()
    present = np.isfinite(speed.value)
    time_s, value = speed.time_s[present], np.abs(speed.value[present])
    if time_s.size < 20:
        return ()
    free = _is_free(drive, build, time_s)
    marked = _is_marked(drive, time_s)
    if free is None and marked is None:
        return ()
    free = np.zeros(time_s.shape, dtype=bool) if free is None else free
    free = free if marked is None else free | marked
    smooth = _smoothed(time_s, value)
    falling = np.gradient(smooth, time_s) < -0.02
    coasting = free & falling & (value > LEAST_END_M_PER_S)
    spans = joined_spans(spans_where(time_s, coasting), gap_s=1.5)
    found = (_span(drive, time_s, value, start_s + TRIM_S, end_s - TRIM_S) for start_s, end_s in spans)
    return tuple(span for span in found if span is not None)


def _smoothed(time_s: FloatArray, value: FloatArray) -> FloatArray:
    count = max(1, round(2.0 / max(nominal_period_s(time_s), 1e-3)))
    kernel = np.ones(count) / count
    padded = np.concatenate((np.full(count, value[0]), value, np.full(count, value[-1])))
    return np.convolve(padded, kernel, mode="same")[count:-count]


def _is_free(drive: Drive, build: BuildSettings, time_s: FloatArray) -> BoolArray | None:
    """Where neither motor nor brake acts; None where the drive cannot tell."""
    torques = drive.of_kind("motor_torque")
    if torques:
        free = np.ones(time_s.shape, dtype=bool)
        for torque in torques:
            largest = float(np.nanpercentile(np.abs(torque.value), 99.0)) if np.isfinite(torque.value).any() else 0.0
            free &= np.abs(np.nan_to_num(torque.at(time_s, max_gap_s=1.0), nan=1e9)) < max(0.02 * largest, 1.5)
    else:
        power = pack_power(drive)
        if power is None:
            return None
        traction_w = power.power_w - auxiliary_load(drive, build, power).total_w
        known = np.isfinite(traction_w)
        if not known.any():
            return None
        free = np.abs(np.interp(time_s, power.time_s[known], traction_w[known])) < 600.0
    pressed = brake_pressed(drive, time_s)
    return free if pressed is None else free & ~pressed


def _is_marked(drive: Drive, time_s: FloatArray) -> BoolArray | None:
    """Where the driver's marker is held for a run's length; None where it never is."""
    marker = drive.get("marker")
    if marker is None:
        return None
    held = spans_where(marker.time_s, np.nan_to_num(marker.value) != 0.0, min_duration_s=LEAST_DURATION_S)
    if not held:
        return None
    marked = np.zeros(time_s.shape, dtype=bool)
    for start_s, end_s in held:
        marked |= (time_s >= start_s) & (time_s <= end_s)
    return marked


def _span(drive: Drive, time_s: FloatArray, value: FloatArray, start_s: float, end_s: float) -> CoastdownSpan | None:
    inside = (time_s >= start_s) & (time_s <= end_s)
    if end_s - start_s < LEAST_DURATION_S or int(inside.sum()) < 20:
        return None
    at_s, speed = time_s[inside], value[inside]
    if speed[0] < LEAST_START_M_PER_S or speed[0] - speed[-1] < LEAST_FALL_M_PER_S:
        return None
    stride = max(1, round(FIT_STEP_S / max(nominal_period_s(at_s), 1e-3)))
    usable = (at_s.size // stride) * stride
    means = [series[:usable].reshape(-1, stride).mean(axis=1) for series in (at_s, speed)]
    grade, sigma = _grade(drive, at_s, speed)
    return CoastdownSpan(
        time_s=np.asarray(means[0] - means[0][0]),
        speed_m_per_s=np.asarray(means[1]),
        start_s=float(means[0][0]),
        heading_deg=_heading(drive, start_s, end_s),
        mean_grade_ratio=grade,
        grade_sigma_ratio=sigma,
    )


def _grade(drive: Drive, at_s: FloatArray, speed: FloatArray) -> tuple[float | None, float | None]:
    height = height_along(drive)
    if height is None:
        return None, None
    ends = height.at(np.array([at_s[0], at_s[-1]]))
    distance_m = float(np.sum(0.5 * (speed[1:] + speed[:-1]) * np.diff(at_s)))
    if not np.isfinite(ends).all() or distance_m < 50.0:
        return None, None
    return float(ends[1] - ends[0]) / distance_m, height.sigma_m * float(np.sqrt(2.0)) / distance_m


def _heading(drive: Drive, start_s: float, end_s: float) -> float | None:
    if (logged := mean_heading(drive, start_s, end_s)) is not None:
        return logged[0]
    latitude, longitude = drive.get("latitude"), drive.get("longitude")
    if latitude is None or longitude is None:
        return None
    at_s = np.array([start_s, end_s])
    north = np.diff(latitude.at(at_s, max_gap_s=10.0))[0]
    east = np.diff(longitude.at(at_s, max_gap_s=10.0))[0] * np.cos(np.radians(np.nanmedian(latitude.value)))
    if not np.isfinite(north) or not np.isfinite(east) or np.hypot(north, east) < 1e-4:
        return None
    return float(np.degrees(np.arctan2(east, north)) % 360.0)
