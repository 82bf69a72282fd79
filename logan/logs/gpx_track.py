"""GPX tracks, as a phone or satellite receiver records them: position, height and speed.

Speed is the receiver's own (Doppler) where the track has it. Otherwise it is the distance between
two points over the time between them, stamped at the middle of that time.
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from logan.errors import LogReadError, plain_words
from logan.frames.table import SignalColumn, SignalTable
from logan.logs.log_format import Block, LogFormat, ReadOptions, ReadReport
from logan.logs.text_lines import LATEST_NS
from logan.numerics import great_circle_m
from logan.units import FloatArray, IntArray

LARGEST_FILE_BYTES: Final = 200 * 1024 * 1024
_LONGEST_STEP_NS: Final = 30 * 10**9
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


def looks_like(head: bytes) -> bool:
    """Whether a text is a GPX document."""
    return b"<gpx" in head[:4096].lower()


def read(stream: BinaryIO, path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Block]:
    """Read all tracks of a GPX document into one block.

    Raises
    ------
    LogReadError
        If it is too large, not well-formed, declares entities, or has no point with a time.
    """
    points = _timed_points(_document(stream, path), report)
    if not points:
        raise LogReadError(
            "no point of the track has a time, so it is a planned route and not a recording",
            "Use it as the route of a scenario, or record the track while driving",
            path,
        )
    points.sort(key=lambda point: _time_ns(point.time))
    yield SignalTable(columns=tuple(_columns(points)), log_format=FORMAT.name)


def _document(stream: BinaryIO, path: Path) -> Any:
    import gpxpy

    content = stream.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise LogReadError("the track is larger than 200 MB", "Split it, or thin it out", path)
    if b"<!doctype" in content[:65_536].lower() or b"<!entity" in content.lower():
        raise LogReadError(
            "the track declares entities of its own, which a recording has no need of",
            "Export it again from the app that recorded it",
            path,
        )
    try:
        return gpxpy.parse(content.decode("utf-8-sig", errors="replace"))
    except (gpxpy.gpx.GPXException, ValueError, TypeError, AttributeError) as error:
        raise LogReadError(
            f"not a GPX document: {plain_words(error)}", "Export it again; a cut-off file cannot be read", path
        ) from None


def _timed_points(document: Any, report: ReadReport) -> list[Any]:
    points = [point for track in document.tracks for segment in track.segments for point in segment.points]
    timed = [point for point in points if point.time is not None]
    if len(timed) < len(points):
        report.skip("a point without a time", count=len(points) - len(timed))
    dated = [point for point in timed if abs(_time_ns(point.time)) < LATEST_NS]
    if len(dated) < len(timed):
        report.skip("a point of a time beyond the year 2262", count=len(timed) - len(dated))
    return dated


def _time_ns(moment: datetime) -> int:
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
    return (aware - _EPOCH) // _MICROSECOND * 1000


def _columns(points: list[Any]) -> Iterator[SignalColumn]:
    time_ns = np.array([_time_ns(point.time) for point in points], dtype=np.int64)
    latitude = np.array([point.latitude for point in points], dtype=np.float64)
    longitude = np.array([point.longitude for point in points], dtype=np.float64)
    yield SignalColumn(name="latitude", unit="deg", time_ns=time_ns, value=latitude)
    yield SignalColumn(name="longitude", unit="deg", time_ns=time_ns, value=longitude)
    for name, unit, values in (
        ("elevation", "m", [point.elevation for point in points]),
        ("gnss_speed", "m/s", [_own_speed(point) for point in points]),
    ):
        value = np.array([np.nan if item is None else float(item) for item in values])
        known = np.isfinite(value)
        if known.any():
            yield SignalColumn(name=name, unit=unit, time_ns=time_ns[known], value=value[known])
        elif name == "gnss_speed":
            middle_ns, speed_m_per_s = _speed_between(time_ns, latitude, longitude)
            if middle_ns.size:
                yield SignalColumn(
                    name=name, unit=unit, time_ns=middle_ns, value=speed_m_per_s, comment="from positions"
                )


def _own_speed(point: Any) -> float | None:
    """Speed that the receiver wrote beside a point: GPX 1.0, or the track point extension of GPX 1.1."""
    if point.speed is not None:
        return float(point.speed)
    for extension in point.extensions:
        for element in (extension, *extension):
            if str(element.tag).rsplit("}", 1)[-1].lower() == "speed" and element.text:
                try:
                    return float(element.text)
                except ValueError:
                    return None
    return None


def _speed_between(
    time_ns: IntArray, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Great-circle distance over time between neighbouring points, at the middle of each step."""
    step_ns = np.diff(time_ns)
    distance_m = great_circle_m(latitude_deg, longitude_deg)
    usable = (step_ns > 0) & (step_ns <= _LONGEST_STEP_NS)
    middle_ns = time_ns[:-1] + step_ns // 2
    return middle_ns[usable], distance_m[usable] / (step_ns[usable] * 1e-9)


FORMAT: Final = LogFormat(
    name="gpx",
    description="GPX track of a phone or satellite receiver",
    looks_like=looks_like,
    read=read,
    holds_frames=False,
    suffixes=(".gpx",),
)
