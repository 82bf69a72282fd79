"""The library as pandas tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive_library.records import DriveRecord
from logan.numerics import union_times

if TYPE_CHECKING:
    import pandas as pd


def drives_table(records: Sequence[DriveRecord]) -> pd.DataFrame:
    """One row per drive: what is known about it, and every metric; refused figures are NaN.

    Parameters
    ----------
    records : sequence of DriveRecord
        Drives.

    Returns
    -------
    pandas.DataFrame
        Indexed by number; a metric's own name carries its unit, and ``<metric>_sigma`` its standard uncertainty.
    """
    import pandas as pd

    metrics = sorted({name for record in records for name in record.summary.metrics})
    rows = []
    for record in records:
        figures = dict(record.summary.metrics)
        row: dict[str, object] = {
            "number": record.number,
            "id": record.id,
            "started": record.started,
            "duration_s": record.duration_s,
            "distance_m": record.distance_m,
            "grade": record.summary.grade,
            "flag_count": record.summary.flag_count,
            "tags": " ".join(record.conditions.tags),
            "change": record.conditions.change,
            "excluded_because": record.conditions.excluded_because,
        }
        for name in metrics:
            figure = figures.get(name)
            row[name] = getattr(figure, "value", np.nan)
            row[f"{name}_sigma"] = getattr(figure, "sigma", None)
        rows.append(row)
    table = pd.DataFrame(rows).set_index("number") if rows else pd.DataFrame()
    sigmas = [f"{name}_sigma" for name in metrics]
    return table.astype(dict.fromkeys([*metrics, *sigmas, "distance_m"], "float64")) if rows else table


def channels_table(
    drive: Drive, channels: Iterable[str] | None = None, *, period_s: float | None = None
) -> pd.DataFrame:
    """Channels side by side, indexed by time.

    Parameters
    ----------
    drive : Drive
        The drive.
    channels : iterable of str, optional
        Canonical names; all by default.
    period_s : float, optional
        Common period, each channel by its own interpolation; by default every instant at
        which any channel was sampled, and NaN where a channel was not. [s]

    Returns
    -------
    pandas.DataFrame
        Indexed by ``time_s`` from the start of the drive.
    """
    import pandas as pd

    names = [name for name in (drive if channels is None else channels) if name in drive]
    chosen = [drive[name] for name in names]
    at_s = union_times(*(channel.time_s for channel in chosen))
    if period_s is not None and at_s.size:
        at_s = np.arange(np.floor((at_s[-1] - at_s[0]) / period_s) + 1) * period_s + at_s[0]
    columns = {}
    for channel in chosen:
        if period_s is not None:
            columns[channel.name] = channel.at(at_s, max_gap_s=max(channel.max_gap_s, period_s))
        else:
            column = np.full(at_s.shape, np.nan)
            column[np.searchsorted(at_s, channel.time_s)] = channel.value
            columns[channel.name] = column
    return pd.DataFrame(columns, index=pd.Index(at_s, name="time_s"))


_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe_cell(value: object) -> str:
    """A cell: numbers as they are; text that a spreadsheet would run as a formula gets a leading quote mark.

    References
    ----------
    .. [1] OWASP, CSV injection.
    """
    if value is None or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def csv_text(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV (RFC 4180), every text cell made safe."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow([safe_cell(heading) for heading in headings])
    writer.writerows([safe_cell(value) for value in row] for row in rows)
    return stream.getvalue()
