"""The part of the interface that is about drives: lists, notes, the bin, and everything about one of them."""

import contextlib
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import Response

from logan.errors import ConfigurationError
from logan.pipeline import builds, workbench as bench
from logan.pipeline.notes import change_notes
from logan.pipeline.refine import kept_answer
from logan.pipeline.stored import stored_drive
from logan.results import json_ready
from logan.web import work
from logan.web.asked import REFUSED, Build, DriveNumber, Space, job_json
from logan.web.bodies import DriveNotes, LogId
from logan.web.words import worded

router = APIRouter(prefix="/api/v1", tags=["logan"])


@router.get("/builds/{build}/drive-list", responses=REFUSED)
def drive_list(folder: Build, most: Annotated[int, Query(ge=-1, le=10_000_000)] = -1) -> Any:
    """All drives or the first of them, one short row each, and what is in the bin."""
    with builds.open_library(folder.path, create=True) as library:
        return json_ready(builds.drive_list(library, most=most))


@router.get("/builds/{build}/stale-drives", responses=REFUSED)
def stale_drives(folder: Build) -> dict[str, Any]:
    """Numbers of the drives whose figures rest on earlier settings; none where the settings cannot be read."""
    with builds.open_library(folder.path, create=True) as library, contextlib.suppress(ConfigurationError):
        return {"drives": [record.number for record in builds.stale_drives(library, folder)]}
    return {"drives": []}


@router.delete("/builds/{build}/drives/{drive}", responses=REFUSED)
def bin_drive(folder: Build, drive: DriveNumber) -> dict[str, Any]:
    """Put a drive into the bin; it can be brought back until that is emptied."""
    with builds.open_library(folder.path) as library:
        return {"id": builds.put_into_bin(library, drive)}


@router.post("/builds/{build}/bin/{drive_id}", responses=REFUSED)
def bring_back(folder: Build, drive_id: LogId) -> dict[str, Any]:
    """Bring a drive back out of the bin."""
    with builds.open_library(folder.path) as library:
        return {"number": builds.bring_back(library, drive_id)}


@router.delete("/builds/{build}/bin", responses=REFUSED)
def empty_bin(folder: Build) -> dict[str, Any]:
    """Delete what is in the bin for good."""
    with builds.open_library(folder.path) as library:
        return {"removed": builds.empty_bin(library)}


@router.post("/builds/{build}/drives/refresh", responses=REFUSED, status_code=202)
def refresh_drives(folder: Build, space: Space) -> dict[str, Any]:
    """Work out again the drives whose figures rest on earlier settings."""
    return job_json(work.begin(space, folder, "refresh"))


@router.get("/builds/{build}/drives/{drive}", responses=REFUSED)
def drive(folder: Build, drive: DriveNumber) -> Any:
    """One drive with all its results."""
    build, answer = folder.settings(), kept_answer(folder)
    with builds.open_library(folder.path, create=True) as library:
        stored = stored_drive(library, library.record(drive), build, fit=answer.fit.fit if answer else None)
        return worded(json_ready(stored))


@router.patch("/builds/{build}/drives/{drive}", responses=REFUSED)
def note_drive(folder: Build, drive: DriveNumber, body: DriveNotes) -> Any:
    """Note something on a drive, mask, trim or correct a span, leave it out of the fit; all of it can be taken back."""
    build = folder.settings()
    with builds.open_library(folder.path, create=True) as library:
        record = change_notes(library, drive, body.changes, version=body.version, take_back=body.take_back)
        answer = kept_answer(folder)
        return worded(json_ready(stored_drive(library, record, build, fit=answer.fit.fit if answer else None)))


@router.get("/builds/{build}/drives/{drive}/workbench", responses=REFUSED)
def workbench(folder: Build, drive: DriveNumber) -> Any:
    """Channels, marks, distance and road of one drive: everything but its samples."""
    return worded(json_ready(bench.workbench(folder, drive)))


Moment = Annotated[float, Query(ge=-1e7, le=1e7)]


@router.get("/builds/{build}/drives/{drive}/window", responses=REFUSED)
def window(
    folder: Build,
    drive: DriveNumber,
    start_s: Moment,
    end_s: Moment,
    channels: Annotated[str, Query(max_length=6000)],
    parts: Annotated[int, Query(ge=1, le=12_000)] = 1000,
) -> Response:
    """Samples of some channels (names parted by commas) in a window: all of them, or the extremes of its parts."""
    text = bench.window_text(folder, drive, channels.split(","), start_s, end_s, parts)
    return Response(text, media_type="application/json")


@router.get("/builds/{build}/drives/{drive}/span", responses=REFUSED)
def span(folder: Build, drive: DriveNumber, start_s: Moment, end_s: Moment) -> Any:
    """Consumption, regen and every channel's range, mean and RMS within a span of a drive."""
    return json_ready(bench.span_figures(folder, drive, start_s, end_s))
