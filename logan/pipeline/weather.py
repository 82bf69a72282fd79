"""Weather of a drive from an hourly table on disk: of the nearest station, the row nearest the middle of the drive."""

import csv
import math
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from logan.drive.drive import STATION_WIND_FACTOR as STATION_WIND_FACTOR, Drive
from logan.errors import UsageError
from logan.numerics import great_circle_m
from logan.units.algebra import conversion
from logan.units.sentences import measure

_COLUMNS: Final = {
    "wind": ("wind_m_per_s", "m/s"),
    "wind_from": ("wind_from_deg", "deg"),
    "temperature": ("ambient_temperature_degc", "degC"),
    "pressure": ("pressure_pa", "Pa"),
    "humidity": ("relative_humidity_ratio", "ratio"),
}
_EXAMPLE: Final = "time, wind [mph], wind_from [deg], temperature [°F], pressure [hPa], humidity [%]"
_HEADING: Final = re.compile(r"\s*(\w+)\s*(?:\[\s*(.+?)\s*\])?\s*")
_FARTHEST: Final = timedelta(minutes=90)
_FARTHEST_M: Final = 100_000.0
_LARGEST_BYTES: Final = 50_000_000


Place = tuple[float, float]
"""Latitude and longitude. [deg]"""


def place_of(drive: Drive) -> Place | None:
    """Where a drive was, in the middle; None where it logs no position."""
    found = [drive.get(name) for name in ("latitude", "longitude")]
    known = [one.value[np.isfinite(one.value)] for one in found if one is not None]
    if len(known) < 2 or not all(values.size for values in known):
        return None
    return float(np.median(known[0])), float(np.median(known[1]))


def station_weather(
    path: Path, started: datetime | None, duration_s: float | None, place: Place | None = None
) -> dict[str, float]:
    """Fields of ``DriveConditions`` from a table of one station or of several, for a drive.

    Parameters
    ----------
    path : Path
        CSV with a column ``time`` (ISO 8601, UTC where no zone is written) and any of wind, wind_from, temperature,
        pressure and humidity, each with its unit in brackets. Of several stations with their latitude and longitude,
        the nearest.
    started : datetime or None
        Start of the drive.
    duration_s : float or None
        Its length. [s]
    place : tuple of float, optional
        Where the drive was. [deg]

    Raises
    ------
    UsageError
        If the drive has no time, the table no such columns, or no row is within 90 minutes and 100 km.
    """
    if started is None:
        raise UsageError("the drive's log has no date, so no hour of a weather table is known to be its own",
                         "Note it by hand: --wind and --wind-from")  # fmt: skip
    middle = started + timedelta(seconds=0.5 * (duration_s or 0.0))
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise UsageError("the weather table is larger than 50 MB", "Cut out the days of the drives", path)
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file, skipinitialspace=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"the weather table cannot be read ({error})", "Check the path", path) from None
    timed = [(moment, row) for row in rows if (moment := _moment(row.get("time"))) is not None]
    if not timed:
        raise UsageError("the weather table has no row with a time", f"Its columns are: {_EXAMPLE}", path)
    near = [(moment, row) for moment, row in timed if abs(moment - middle) <= _FARTHEST]
    if not near:
        raise UsageError(f"no row within 90 minutes of {middle:%Y-%m-%d %H:%M} UTC", "Give the day's table", path)
    _, row = min(_nearest(near, place, path), key=lambda pair: abs(pair[0] - middle))
    return _values(row, path)


def _nearest(
    rows: list[tuple[datetime, dict[str, str]]], place: Place | None, path: Path
) -> list[tuple[datetime, dict[str, str]]]:
    """Rows of the station nearest to a place; all of them where there is one station and nothing says where."""
    stations: dict[tuple[str, Place | None], list[tuple[datetime, dict[str, str]]]] = {}
    for moment, row in rows:
        stations.setdefault((str(row.get("station")), _place(row, path)), []).append((moment, row))
    away = {key: _distance_m(place, key[1]) for key in stations if place and key[1]}
    if len(away) < len(stations):
        if len(stations) > 1:
            lacks = "the drive has no position" if place is None else "not each has its latitude and longitude"
            raise UsageError(
                f"the weather table has several stations, and {lacks}", "Leave the nearest one in it", path
            )
        return rows
    key = min(away, key=away.__getitem__)
    if away[key] > _FARTHEST_M:
        raise UsageError(
            f"the nearest station is {measure(away[key] / 1000, 'km')} away", "Give a table of one nearby", path
        )
    return stations[key]


def _place(row: dict[str, str], path: Path) -> Place | None:
    cells = [
        text
        for wanted in ("latitude", "longitude")
        for heading, text in row.items()
        if heading and heading.strip().lower().startswith(wanted) and (text or "").strip()
    ]
    try:
        latitude, longitude = map(float, cells) if len(cells) == 2 else (math.nan, math.nan)
    except ValueError:
        raise UsageError(f"cannot read '{', '.join(cells)}' as a place", "Write degrees, such as 44.05", path) from None
    return (latitude, longitude) if math.isfinite(latitude) and math.isfinite(longitude) else None


def _distance_m(one: Place, other: Place | None) -> float:
    """Along the surface. [m]"""
    assert other is not None  # its caller asks only where both are known
    return float(great_circle_m(*np.transpose([one, other]))[0])


def _moment(text: object) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(text).strip())
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment


def _values(row: dict[str, str], path: Path) -> dict[str, float]:
    found: dict[str, float] = {}
    for heading, text in row.items():
        match = _HEADING.fullmatch(heading or "")
        if match is None or match[1].lower() not in _COLUMNS or not (text or "").strip():
            continue
        field, si = _COLUMNS[match[1].lower()]
        to_si = conversion(match[2] or "", si)
        try:
            value = None if to_si is None else float(to_si.to_si(float(text)))
        except ValueError:
            value = None
        if value is None:
            raise UsageError(f"cannot read '{text}' under '{heading}'", f"Write columns as: {_EXAMPLE}", path)
        found[field] = value
    if not found:
        raise UsageError("the weather table has none of the columns known here", f"Write them as: {_EXAMPLE}", path)
    return found
