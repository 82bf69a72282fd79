"""Weather of a drive from an hourly station table on disk: the row nearest the middle of the drive."""

from __future__ import annotations

import csv
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from logan.drive.motion import STATION_WIND_FACTOR as STATION_WIND_FACTOR
from logan.errors import UsageError
from logan.units.algebra import conversion

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
_LARGEST_BYTES: Final = 50_000_000


def station_weather(path: Path, started: datetime | None, duration_s: float | None) -> dict[str, float]:
    """Fields of ``DriveConditions`` from a station's table, for a drive.

    Parameters
    ----------
    path : Path
        CSV with a column ``time`` (ISO 8601, UTC where no zone is written) and any of wind, wind_from, temperature,
        pressure and humidity, each with its unit in brackets. One station's.
    started : datetime or None
        Start of the drive.
    duration_s : float or None
        Its length. [s]

    Raises
    ------
    UsageError
        If the drive has no time, the table no such columns, or no row is within 90 minutes.
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
    moment, row = min(timed, key=lambda pair: abs(pair[0] - middle))
    if abs(moment - middle) > _FARTHEST:
        raise UsageError(f"no row within 90 minutes of {middle:%Y-%m-%d %H:%M} UTC", "Give the day's table", path)
    if len({other.get("station") for at, other in timed if at == moment}) > 1:
        raise UsageError("the weather table has several stations", "Leave the nearest one in it", path)
    return _values(row, path)


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
