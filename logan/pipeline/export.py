"""What leaves the library: channels, metrics, and bundles fit to be given away."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import Drive
from logan.drive_library.bundle import DEFAULT_CLIP_M as DEFAULT_CLIP_M, Privacy, without_places, write_bundle
from logan.drive_library.durable import set_aside
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.drive_library.tables import channels_table, csv_text, drives_table
from logan.errors import DriveLibraryError, MissingExtraError, NotEnoughDataError, UsageError, in_our_words
from logan.report.explore import explorable
from logan.results import Refusal, json_ready
from logan.units.sentences import measure
from logan.wording import told

if TYPE_CHECKING:
    import pandas as pd

CHANNEL_FORMATS: Final = (".csv", ".parquet", ".mf4", ".html")
METRIC_FORMATS: Final = (".csv", ".json")

MAX_ROWS: Final = 50_000_000
"""Of a table at a common period: beyond, a mistyped period would fill memory."""

_ABOUT: Final = """Drives of an electric conversion, written by logan.

Each file in drives/ is a Parquet table: time_ns from the start of the drive, and one column
per channel in SI units (the unit is in the column's metadata). With pandas:

    pandas.read_parquet("drives/FILE", columns=["time_ns", "pack_current"]).dropna()

metrics.csv and metrics.json hold what was worked out for each drive.
Position: {position}
"""


def export_channels(
    drive: Drive, path: Path, *, channels: Sequence[str] | None = None, period_s: float | None = None
) -> Path:
    """Write channels of a drive; the format follows the suffix: .csv, .parquet, .mf4, or .html to zoom into.

    Parameters
    ----------
    drive : Drive
        The drive.
    path : Path
        Where to; an older file is replaced whole.
    channels : sequence of str, optional
        Canonical names; all by default.
    period_s : float, optional
        Common period; by default every sample at its own time. [s]

    Raises
    ------
    UsageError
        If the suffix is none of those, a channel is not there, or the period is not above zero or has no use.
    MissingExtraError
        If .mf4 is asked for and its package is not installed.
    """
    missing = [name for name in channels or () if name not in drive]
    if missing:
        raise UsageError(f"the drive has no channel {', '.join(missing)}", f"It has: {', '.join(drive)}")
    if period_s is not None and not period_s > 0:
        raise UsageError(f"a period of {period_s:g} s makes no sense", "Give one above zero")
    if period_s is not None and drive.duration_s / period_s > MAX_ROWS:
        raise UsageError(
            f"every {period_s:g} s of this drive are more than {MAX_ROWS:,} rows", "Give a longer period, or none"
        )
    names = list(channels or drive)
    suffix = path.suffix.lower()
    if suffix == ".mf4":
        with written_whole(path) as temporary:
            _write_mf4(temporary, drive, names, period_s)
    elif suffix == ".csv":
        table = _with_units(channels_table(drive, names, period_s=period_s))
        with written_whole(path) as temporary:
            table.to_csv(temporary, lineterminator="\n")
    elif suffix == ".html":
        if period_s is not None:
            raise UsageError("a page to zoom into shows samples at their own times", "Leave --every out")
        write_text(path, explorable(drive, names))
    elif suffix == ".parquet":
        table = channels_table(drive, names, period_s=period_s)
        with written_whole(path) as temporary:
            table.to_parquet(temporary, compression="zstd")
    else:
        raise _unknown_suffix(path, CHANNEL_FORMATS)
    return path


def export_metrics(records: Sequence[DriveRecord], path: Path, *, is_long: bool = False) -> Path:
    """Write what was worked out for drives; the format follows the suffix: .csv or .json.

    Parameters
    ----------
    records : sequence of DriveRecord
        Drives.
    path : Path
        Where to; an older file is replaced whole.
    is_long : bool
        One row per metric, with unit, source, coverage and reason of refusal, instead of one row per drive.

    Raises
    ------
    UsageError
        If the suffix is neither.
    """
    write_text(path, metrics_text(records, path, is_long=is_long))
    return path


def metrics_text(records: Sequence[DriveRecord], path: Path, *, is_long: bool = False) -> str:
    """What was worked out for drives, as CSV or JSON by the suffix of ``path``."""
    _require_drives(records)
    suffix = path.suffix.lower()
    if suffix == ".json":
        return told(json.dumps(json_ready(records), indent=1, ensure_ascii=False), None) + "\n"
    if suffix != ".csv":
        raise _unknown_suffix(path, METRIC_FORMATS)
    if is_long:
        return csv_text(_LONG_HEADINGS, _long_rows(records))
    table = drives_table(records).reset_index()
    return csv_text([str(name) for name in table.columns], table.astype(object).itertuples(index=False))


_OF_ESTIMATE: Final = ("value", "unit", "sigma", "coverage_ratio", "source")
_LONG_HEADINGS: Final = ("drive", "started", "metric", *_OF_ESTIMATE, "refused")


def _long_rows(records: Iterable[DriveRecord]) -> Iterable[tuple[object, ...]]:
    for record in records:
        for name, figure in record.summary.metrics.items():
            if isinstance(figure, Refusal):
                yield record.number, record.started, name, *([None] * len(_OF_ESTIMATE)), figure.reason
            else:
                yield record.number, record.started, name, *(getattr(figure, part) for part in _OF_ESTIMATE), None


def export_bundle(
    library: DriveLibrary,
    path: Path,
    *,
    drives: Sequence[str] = (),
    clip_m: float | None = None,
    with_notes: bool = False,
) -> Path:
    """Write drives and their metrics into a zip file that is fit to be given away.

    Parameters
    ----------
    library : DriveLibrary
        Where the drives are.
    path : Path
        The zip file.
    drives : sequence of str
        Numbers or ids; all undamaged ones by default.
    clip_m : float, optional
        Position within this distance of start and end is taken out; by default all position is. [m]
    with_notes : bool
        Notes and tags go along; names of logs never do.

    Raises
    ------
    UsageError
        If the suffix is not .zip, or the distance is not above zero.
    """
    if clip_m is not None and not clip_m > 0:
        raise UsageError(
            f"clipping {measure(clip_m, 'm', 'g')} makes no sense",
            f"Give a distance such as {measure(DEFAULT_CLIP_M, 'm')}",
        )
    privacy = Privacy(clip_m=clip_m, with_notes=with_notes)
    if path.suffix.lower() != ".zip":
        raise _unknown_suffix(path, (".zip",))
    records = [library.record(drive) for drive in drives] or [r for r in library.drives() if not r.damage]
    _require_drives(records)
    # One seed for the whole bundle, so that circles round the same door lie in the same place.
    seed = int.from_bytes(os.urandom(8), "big")
    chosen, bare = [], []
    for record in records:
        drive = without_places(library.load(record.number), privacy, np.random.default_rng(seed))
        chosen.append((record, drive))
        # A record that says no more than the drive that goes along with it.
        bare.append(replace(record, conditions=drive.conditions, sources=drive.sources, has_raw=False))
    tables = {name: metrics_text(bare, Path(name)).encode() for name in ("metrics.csv", "metrics.json")}
    position = (
        "taken out"
        if privacy.clip_m is None
        else f"taken out within {measure(privacy.clip_m, 'm', 'g')} of start and end"
    )
    with written_whole(path) as temporary:
        write_bundle(temporary, chosen, tables, told(_ABOUT.format(position=position), None))
    return path


def _require_drives(records: Sequence[DriveRecord]) -> None:
    if not records:
        raise NotEnoughDataError("there is no drive to write", "Import one with: logan import LOG")


def _with_units(table: pd.DataFrame) -> pd.DataFrame:
    names = {name: f"{name} [{kind.unit}]" for name in table.columns if (kind := channel_kind(str(name)))}
    return table.rename(columns=names)


def _write_mf4(path: Path, drive: Drive, names: Sequence[str], period_s: float | None) -> None:
    try:
        from asammdf import MDF, Signal
    except ImportError as error:
        raise MissingExtraError("mf4", "Writing MF4") from error
    groups: dict[bytes, list[Any]] = {}
    table = None if period_s is None else channels_table(drive, names, period_s=period_s)
    for name in names:
        channel = drive[name]
        time_s = channel.time_s if table is None else table.index.to_numpy(dtype=np.float64)
        value = channel.value if table is None else table[name].to_numpy(dtype=np.float64)
        # asammdf writes into what it is given, and a drive's arrays are read-only.
        signal = Signal(np.array(value), np.array(time_s), name=name, unit=channel.unit, comment=channel.source)
        groups.setdefault(time_s.tobytes(), []).append(signal)
    with MDF(version="4.10") as mdf:
        for signals in groups.values():
            mdf.append(signals, common_timebase=True)
        if drive.start_ns is not None:
            mdf.header.start_time = datetime.fromtimestamp(drive.start_ns / 1e9, tz=UTC)
        mdf.save(path, overwrite=True, compression=2)


def write_text(path: Path, text: str) -> None:
    """Write a text file in one step.

    Raises
    ------
    DriveLibraryError
        If it cannot be written.
    """
    with written_whole(path) as temporary:
        temporary.write_bytes(text.encode())


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """A file to be written aside, which is put in its place at the end: it is there whole or not at all.

    Raises
    ------
    DriveLibraryError
        If it cannot be written.
    """
    refused = in_our_words(DriveLibraryError, "cannot write there: {}", "Choose another place", path)
    with refused, set_aside(path) as temporary:
        yield temporary


def _unknown_suffix(path: Path, known: Sequence[str]) -> UsageError:
    return UsageError(f"'{path.suffix or path.name}' is no format that can be written", f"Use {', '.join(known)}", path)
