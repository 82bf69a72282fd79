"""GPX tracks, as a phone or satellite receiver records them: position, height and speed.

Speed is the receiver's own (Doppler) where the track has it. Otherwise it is the distance between
two points over the time between them, stamped at the middle of that time.

Read piece by piece with the standard library's parser: gpxpy, which reads the routes of scenarios, keeps a whole
document in memory (19 times its size, where 12 is the promise) and gives nothing of one that is cut. A test holds
both to the same points.
"""

import codecs
import re
from array import array
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO, Final
from xml.parsers import expat

import numpy as np

from logan.errors import LogReadError
from logan.frames.table import SignalColumn, SignalTable
from logan.logs.log_format import Block, LogFormat, ReadOptions, ReadReport
from logan.logs.text_lines import LATEST_NS
from logan.numerics import great_circle_m
from logan.units import FloatArray, IntArray

LARGEST_FILE_BYTES: Final = 200 * 1024 * 1024
_PIECE_BYTES: Final = 64 * 1024
_LONGEST_ELEMENT_BYTES: Final = 4 * 1024 * 1024
"""Expat 2.5 looks through an element that is not closed yet again with each piece. [bytes]"""

_LONGEST_STEP_NS: Final = 30 * 10**9
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_WIDE: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_ROOT: Final = re.compile(rb"<([\w.-]+:)?gpx[\s>]", re.IGNORECASE)
_CUT: Final = (3, 5)
"""Expat's codes for a document that ends before its root, or within a token."""
_LONGEST_TEXT: Final = 100


def looks_like(head: bytes) -> bool:
    """Whether a text is a GPX document."""
    text = head.decode("utf-16", "replace").encode() if head.startswith(_WIDE) else head
    return _ROOT.search(text[:4096]) is not None


def read(stream: BinaryIO, path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Block]:
    """Read all tracks of a GPX document into one block.

    Raises
    ------
    LogReadError
        If it is too large, declares entities, or has no point with a time and a place.
    """
    points = _Points()
    fault = _read_document(stream, path, points, report)
    for reason, count in points.left.items():
        report.skip(reason, count=count)
    if not points.time_ns:
        reasons = [*points.left, *fault] or ["it has none"]
        raise LogReadError(
            f"no point of the track can be used: {'; '.join(reasons)}",
            "Record it while driving, or export it again; a planned route is given as the route of a scenario",
            path,
        )
    yield SignalTable(columns=tuple(_columns(points)), log_format=FORMAT.name)


class _Points:
    """Points of a document as its parser finds them: time, and latitude, longitude, height and speed or NaN."""

    def __init__(self) -> None:
        self.time_ns = array("q")
        self.place = array("d")
        self.left: Counter[str] = Counter()
        self._point: dict[str, str] | None = None
        self._text = ""

    def begin(self, name: str, attributes: dict[str, str]) -> None:
        self._text = ""
        if _bare(name) == "trkpt":
            self._point = {_bare(one): text for one, text in attributes.items()}

    def hear(self, text: str) -> None:
        if self._point is not None and len(self._text) < _LONGEST_TEXT:
            self._text += text

    def end(self, name: str) -> None:
        if self._point is None:
            return
        if (bare := _bare(name)) in ("ele", "time", "speed") and self._text.strip():
            self._point.setdefault(bare, self._text.strip())
        elif bare == "trkpt":
            self._take(self._point)
            self._point = None
        self._text = ""

    def _take(self, point: dict[str, str]) -> None:
        latitude, longitude, elevation, speed = (_number(point.get(key)) for key in ("lat", "lon", "ele", "speed"))
        time_ns = _time_ns(point.get("time", ""))
        if time_ns is None:
            self.left["points without a time, or with one that cannot be read"] += 1
        elif abs(time_ns) >= LATEST_NS:
            self.left["points of a time beyond the year 2262"] += 1
        elif not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
            self.left["points that lie nowhere on Earth (latitude and longitude swapped?)"] += 1
        else:
            self.time_ns.append(time_ns)
            self.place.extend((latitude, longitude, elevation, speed))


def _bare(name: str) -> str:
    return name.rpartition(":")[2].lower()


def _number(text: str | None) -> float:
    try:
        return float(text or "nan")
    except ValueError:
        return np.nan


def _time_ns(text: str) -> int | None:
    """A moment since 1970, UTC where it names no zone; None for what is none. [ns]"""
    try:
        moment = datetime.fromisoformat(text)
        aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
        return (aware - _EPOCH) // _MICROSECOND * 1000
    except (ValueError, OverflowError):
        return None


def _read_document(stream: BinaryIO, path: Path, points: _Points, report: ReadReport) -> list[str]:
    """Read piece by piece, so that a large track takes little memory; what is wrong with the document, if so.

    What stands before a cut or a fault is whole.
    """

    def refuse_entities(*_: object) -> None:
        raise LogReadError(
            "the track declares entities of its own, which a recording has no need of",
            "Export it again from the app that recorded it",
            path,
        )

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = points.begin, points.end
    parser.CharacterDataHandler, parser.StartDoctypeDeclHandler = points.hear, refuse_entities
    text, size_bytes, open_bytes = None, 0, 0
    try:
        while block := stream.read(_PIECE_BYTES):
            size_bytes += len(block)
            open_bytes = 0 if b">" in block else open_bytes + len(block)
            if size_bytes > LARGEST_FILE_BYTES or open_bytes > _LONGEST_ELEMENT_BYTES:
                raise LogReadError(
                    "this or one element of it is too large for a track", "Split it, or thin it out", path
                )
            if text is None:
                text = codecs.getincrementaldecoder("utf-16" if block.startswith(_WIDE) else "utf-8")("replace")
                parser.Parse(text.decode(block).lstrip("\ufeff \t\r\n"))
            else:
                parser.Parse(text.decode(block))
        parser.Parse("", True)
    except expat.ExpatError as error:
        report.is_truncated = True
        if error.code in _CUT:
            return ["it is cut off"]
        report.skip("the document is damaged here: what follows is not read", line=error.lineno)
        return [f"it is damaged in line {error.lineno}"]
    return []


def _columns(points: _Points) -> Iterator[SignalColumn]:
    """Channels of the points, in order of time."""
    time_ns = np.array(points.time_ns, dtype=np.int64)
    order = np.argsort(time_ns, kind="stable")
    time_ns, (latitude, longitude, elevation, speed) = time_ns[order], np.array(points.place).reshape(-1, 4)[order].T
    yield SignalColumn(name="latitude", unit="deg", time_ns=time_ns, value=latitude)
    yield SignalColumn(name="longitude", unit="deg", time_ns=time_ns, value=longitude)
    for name, unit, value in (("elevation", "m", elevation), ("gnss_speed", "m/s", speed)):
        known = np.isfinite(value)
        if known.any():
            yield SignalColumn(name=name, unit=unit, time_ns=time_ns[known], value=value[known])
        elif name == "gnss_speed":
            middle_ns, speed_m_per_s = _speed_between(time_ns, latitude, longitude)
            if middle_ns.size:
                yield SignalColumn(
                    name=name, unit=unit, time_ns=middle_ns, value=speed_m_per_s, comment="from positions"
                )


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
