"""Drives made fit to be given away: without where they began and ended."""

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive, Step
from logan.drive_library.drive_file import write_drive_file
from logan.drive_library.folder import drive_file_name
from logan.drive_library.records import DriveRecord
from logan.numerics import EARTH_RADIUS_M
from logan.units import BoolArray, FloatArray
from logan.units.sentences import measure

PLACE_CHANNELS: Final = ("latitude", "longitude", "heading")
DEFAULT_CLIP_M: Final = 200.0
_FIXED_DATE: Final = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Privacy:
    """What is taken out of drives before they are given away.

    Parameters
    ----------
    clip_m : float or None
        Position within this distance of the start and the end is taken out; None takes out all of it. [m]
    with_notes : bool
        Notes and tags go along.
    with_log_names : bool
        Names of the log files go along.
    """

    clip_m: float | None = None
    with_notes: bool = False
    with_log_names: bool = False


def without_places(drive: Drive, privacy: Privacy, rng: np.random.Generator) -> Drive:
    """A drive with its position taken out, or clipped round its start and end.

    The circle that is blanked is drawn round a point that lies at random up to half the
    distance away, and is as much larger: many drives from one door must not show the
    door as the middle of a circle. What passes through a circle later is blanked too.

    Parameters
    ----------
    drive : Drive
        The drive.
    privacy : Privacy
        What to take out.
    rng : numpy.random.Generator
        Where the circles lie; give every drive of a bundle one seed.

    Returns
    -------
    Drive
        The same measurements, with a step in its history.
    """
    places = [name for name in drive if name.rstrip("_0123456789") in PLACE_CHANNELS]
    kept = {name: channel for name, channel in drive.channels.items() if name not in places}
    if not places:
        return _without_words(drive, privacy)
    if privacy.clip_m is None or "latitude" not in drive or "longitude" not in drive:
        step = Step(
            action="remove_position",
            detail=", ".join(places),
            reason="asked for, before the drive was given away",
            channels=tuple(places),
        )
        return _without_words(replace(drive, channels=kept, history=(*drive.history, step)), privacy)
    hidden_s, hidden = _hidden(drive["latitude"], drive["longitude"], privacy.clip_m, rng)
    clipped = {name: _outside(drive[name], hidden_s, hidden) for name in places}
    step = Step(
        action="clip_position",
        detail=f"within {measure(privacy.clip_m, 'm', 'g')} of start and end",
        reason="asked for, before the drive was given away",
        channels=tuple(places),
    )
    channels = {name: clipped.get(name, channel) for name, channel in drive.channels.items()}
    return _without_words(replace(drive, channels=channels, history=(*drive.history, step)), privacy)


def _without_words(drive: Drive, privacy: Privacy) -> Drive:
    conditions, sources = drive.conditions, drive.sources
    if not privacy.with_notes:
        conditions = replace(conditions, note="", tags=())
    if not privacy.with_log_names:
        sources = tuple(replace(source, name=f"log {number}") for number, source in enumerate(sources, start=1))
    return replace(drive, conditions=conditions, sources=sources)


def _hidden(
    latitude: Channel, longitude: Channel, clip_m: float, rng: np.random.Generator
) -> tuple[FloatArray, BoolArray]:
    """Times of the positions, and which of them must not be shown."""
    time_s = latitude.time_s
    north, east = latitude.value, longitude.at(time_s, max_gap_s=np.inf)
    known = np.flatnonzero(np.isfinite(north) & np.isfinite(east))
    hidden = np.ones(time_s.shape, dtype=bool)
    if known.size == 0:
        return time_s, hidden
    hidden[known] = False
    for end in (known[0], known[-1]):
        away_m, bearing = clip_m * 0.5 * np.sqrt(rng.uniform()), rng.uniform(0.0, 2.0 * np.pi)
        scale = np.cos(np.radians(north[end]))
        x_m = np.radians(east - east[end]) * EARTH_RADIUS_M * scale - away_m * np.sin(bearing)
        y_m = np.radians(north - north[end]) * EARTH_RADIUS_M - away_m * np.cos(bearing)
        hidden |= np.hypot(x_m, y_m) < 1.5 * clip_m
    return time_s, hidden


def _outside(channel: Channel, time_s: FloatArray, hidden: BoolArray) -> Channel:
    """Samples of a place channel away from every hidden position."""
    after = np.clip(np.searchsorted(time_s, channel.time_s), 0, time_s.size - 1)
    before = np.clip(after - 1, 0, time_s.size - 1)
    outside = ~(hidden[after] | hidden[before])
    return replace(channel, time_s=channel.time_s[outside], value=channel.value[outside])


def write_bundle(path: Path, drives: Sequence[tuple[DriveRecord, Drive]], tables: dict[str, bytes], about: str) -> None:
    """Write drives into one zip file; the caller makes it atomic.

    Parameters
    ----------
    path : Path
        The zip file; a library's folder takes its drives as they are.
    drives : sequence of (DriveRecord, Drive)
        Records and drives, places already taken out.
    tables : dict of str to bytes
        More files, by name.
    about : str
        Text that says what the bundle is.
    """
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as bundle:
        bundle.writestr(zipfile.ZipInfo("README.txt", _FIXED_DATE), about)
        for record, drive in drives:
            buffer = io.BytesIO()
            write_drive_file(buffer, drive, drive_id=record.id, summary=record.summary)
            file_name = f"drives/{drive_file_name(record.number, record.id)}"
            bundle.writestr(zipfile.ZipInfo(file_name, _FIXED_DATE), buffer.getvalue())
        for name, content in tables.items():
            bundle.writestr(zipfile.ZipInfo(name, _FIXED_DATE), content)
