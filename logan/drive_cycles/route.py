"""Routes: a GPX track with elevation becomes a schedule."""

from pathlib import Path
from typing import Any, Final

import numpy as np

from logan.errors import ConfigurationError, plain_words
from logan.model.schedule import Schedule
from logan.numerics import great_circle_m
from logan.physics.elevation import DEFAULT_NOISE_M, denoised_elevation_m
from logan.units import FloatArray
from logan.units.sentences import measure

MAX_FILE_BYTES: Final = 64 * 1024 * 1024
SPACING_M: Final = 25.0
_MIN_LENGTH_M: Final = 100.0
_MAX_LENGTH_M: Final = 5e6
_TIME_WINDOW_S: Final = 10.0
_MIN_DURATION_S: Final = 10.0
_MAX_DURATION_S: Final = 7 * 86_400.0
_STEEPEST_RATIO: Final = 0.45


def load_route(path: Path, *, speed_m_per_s: float | None = None, noise_m: float = DEFAULT_NOISE_M) -> Schedule:
    """Read a GPX track or route as a schedule.

    Parameters
    ----------
    path : Path
        GPX file.
    speed_m_per_s : float, optional
        Speed driven all along; where left out, that of the track's own times. [m/s]
    noise_m : float
        One standard uncertainty of a height, taken out so that climb is not inflated. [m]

    Returns
    -------
    Schedule
        With heights and headings; a level road where the track has no elevation.

    Raises
    ------
    ConfigurationError
        If the file cannot be read, holds no usable track, or has no times and no speed is given.
    """
    latitude, longitude, elevation, moment_s = _points(path)
    step_m, heading_deg = _steps(latitude, longitude)
    distance_m = np.concatenate(([0.0], np.cumsum(step_m)))
    if not _MIN_LENGTH_M <= distance_m[-1] <= _MAX_LENGTH_M:
        raise ConfigurationError(
            f"the track is {measure(distance_m[-1], 'm')} long",
            f"Give a track between {measure(100, 'm')} and {measure(5000, 'km')}",
            path,
        )
    distinct = np.concatenate(([True], np.diff(distance_m) > 0.01))
    grid_m = np.linspace(0.0, distance_m[-1], max(3, round(distance_m[-1] / SPACING_M) + 1))
    height_m = _heights_m(grid_m, distance_m[distinct], elevation[distinct], noise_m, path)
    course = np.concatenate((heading_deg, heading_deg[-1:]))
    time_s, speed, along_m = _timing(grid_m, distance_m, moment_s, speed_m_per_s, path)
    described = "" if height_m is not None else ", no elevation: taken as level"
    return Schedule(
        name=path.stem,
        time_s=time_s,
        speed_m_per_s=speed,
        elevation_m=None if height_m is None else np.interp(along_m, grid_m, height_m),
        heading_deg=course[np.clip(np.searchsorted(distance_m, along_m, side="right") - 1, 0, course.size - 1)],
        source=f"GPX track {path.name}{described}",
    )


def _heights_m(
    grid_m: FloatArray, distance_m: FloatArray, elevation_m: FloatArray, noise_m: float, path: Path
) -> FloatArray | None:
    """Heights along the grid without the climb of their noise; None where the track has none."""
    known = np.isfinite(elevation_m)
    if known.sum() < 2:
        return None
    raw_m = np.interp(grid_m, distance_m[known], elevation_m[known])
    height_m = denoised_elevation_m(grid_m, raw_m, noise_m=noise_m)
    steepest = float(np.max(np.abs(np.diff(height_m) / np.diff(grid_m))))
    if steepest > _STEEPEST_RATIO:
        raise ConfigurationError(
            f"the track is {100 * steepest:.0f} % steep somewhere", "Take out the height that is wrong", path
        )
    return height_m


def _points(path: Path) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Latitude, longitude, elevation and time of every point; NaN where absent."""
    import gpxpy
    import gpxpy.gpx

    if path.exists() and not path.is_file():
        raise ConfigurationError("this is not a file", "Give the path of a GPX file", path)
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise ConfigurationError(f"the GPX file has {size} bytes", "Thin the track to below 64 MB", path)
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            f"the GPX file cannot be read ({plain_words(error)})", "Check the path and the file", path
        ) from error
    # Entities are what makes XML from strangers dangerous, and no GPX file needs them.
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise ConfigurationError("the GPX file declares XML entities", "Export the track again without them", path)
    try:
        content = gpxpy.parse(text)
        points: list[Any] = [
            point for track in content.tracks for segment in track.segments for point in segment.points
        ]
        points = points or [point for route in content.routes for point in route.points]
        table = np.array([_numbers(point) for point in points], dtype=np.float64)
    except (gpxpy.gpx.GPXException, ValueError, OverflowError) as error:
        raise ConfigurationError(
            f"not a GPX file ({plain_words(error)})", "Export the track as GPX 1.0 or 1.1", path
        ) from error
    if len(points) < 2:
        raise ConfigurationError("the GPX file holds no track", "Export the track, not only waypoints", path)
    return _checked(table, path)


def _numbers(point: Any) -> tuple[float, float, float, float]:
    height = np.nan if point.elevation is None else point.elevation
    return point.latitude, point.longitude, height, np.nan if point.time is None else point.time.timestamp()


def _checked(table: FloatArray, path: Path) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    if not (np.abs(table[:, 0]) <= 90.0).all() or not (np.abs(table[:, 1]) <= 180.0).all():
        raise ConfigurationError("a point of the track lies nowhere on Earth", "Export the track again", path)
    heights = table[np.isfinite(table[:, 2]), 2]
    if np.isinf(table[:, 2]).any() or (heights.size and not (-500.0 <= heights.min() <= heights.max() <= 9000.0)):
        raise ConfigurationError("the track has heights that no road has", "Export the track again", path)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _steps(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Great-circle distance and course from each point to the next, shape (n - 1,). [m, deg]"""
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    turn = np.diff(longitude)
    before, after = latitude[:-1], latitude[1:]
    course = np.arctan2(
        np.sin(turn) * np.cos(after),
        np.cos(before) * np.sin(after) - np.sin(before) * np.cos(after) * np.cos(turn),
    )
    return great_circle_m(latitude_deg, longitude_deg), np.asarray(np.degrees(course) % 360.0)


def _timing(
    grid_m: FloatArray, distance_m: FloatArray, moment_s: FloatArray, speed_m_per_s: float | None, path: Path
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time, speed and distance of the schedule's points: at the speed given, or as the track was recorded."""
    if speed_m_per_s is not None:
        if speed_m_per_s <= 0:
            raise ConfigurationError("a route's speed must be above zero", "Give a speed", path)
        return grid_m / speed_m_per_s, np.full(grid_m.shape, speed_m_per_s), grid_m
    timed = np.isfinite(moment_s)
    if timed.sum() < 3:
        raise ConfigurationError("the track has no times", "Give the scenario a speed", path)
    moment_s, distance_m = moment_s[timed], distance_m[timed]
    latest_s = np.maximum.accumulate(moment_s)
    forward = np.concatenate(([True], latest_s[1:] > latest_s[:-1]))
    moment_s, distance_m = moment_s[forward] - moment_s[0], distance_m[forward]
    if not _MIN_DURATION_S <= moment_s[-1] <= _MAX_DURATION_S:
        raise ConfigurationError("the track's times do not fit its length", "Give the scenario a speed", path)
    time_s = np.linspace(0.0, moment_s[-1], max(3, round(moment_s[-1]) + 1))
    half = min(round(0.5 * _TIME_WINDOW_S), time_s.size // 2 - 1)
    padded = np.pad(np.interp(time_s, moment_s, distance_m), half, mode="reflect", reflect_type="odd")
    window = np.full(2 * half + 1, 1.0 / (2 * half + 1))
    along_m = np.maximum.accumulate(np.convolve(padded, window, mode="valid"))
    mean = np.diff(along_m) / np.diff(time_s)
    knots = np.concatenate((mean[:1], 0.5 * (mean[1:] + mean[:-1]), mean[-1:]))
    return time_s, knots, along_m
