"""The page's interface for programs: everything that the page can do, as JSON."""

import os
import re
from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path as FilePath
from typing import Annotated, Any, BinaryIO, Final

from fastapi import APIRouter, Depends, HTTPException, Path, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response, StreamingResponse

from logan.pipeline import dbc_files, first_hour as hour, settings_form, settings_rows, what_if as asking
from logan.pipeline.builds import BuildFolder
from logan.pipeline.limit_sheet import limits_of_build
from logan.pipeline.reporting import served_report_policy
from logan.results import json_ready
from logan.settings import ChannelSource
from logan.web import bodies, work
from logan.web.asked import CONFLICT, REFUSED, Build, Space, build_of, commands_of, job_json
from logan.web.jobs import SHORT, Job
from logan.web.state import DEMO_NAME
from logan.web.watching import folder_listing, stop_watching, watch_folder, watch_json
from logan.web.words import worded

router = APIRouter(prefix="/api/v1", tags=["logan"])

REPORT_NAME: Final = re.compile(r"^(report|certificate|drive-[0-9]{1,8})\.html$")


@router.get("/builds")
def builds(space: Space) -> dict[str, Any]:
    """Names of all builds."""
    return {"builds": list(space.builds())}


@router.post("/builds", responses=REFUSED, status_code=201)
def new_build(body: bodies.NewBuild, space: Space) -> dict[str, Any]:
    """Make a build from the template."""
    return {"build": space.make(body.name, body.units).path.name}


@router.post("/demo", responses=REFUSED, status_code=202)
def demo(space: Space) -> dict[str, Any]:
    """Make the demo's conversion."""
    return job_json(work.begin(space, BuildFolder(space.settings.workspace / DEMO_NAME), "demo"))


@router.get("/jobs")
def jobs(space: Space) -> dict[str, Any]:
    """Work under way or ended; long results are left to be asked for."""
    short = [{**job_json(job), **({} if job.kind in SHORT else {"result": None})} for job in space.jobs.jobs()]
    return {"jobs": short}


def job_of(job: Annotated[str, Path(max_length=20)], space: Space) -> Job:
    """The job that an address names."""
    if (found := space.jobs.find(job)) is None:
        raise HTTPException(404, "there is no such job")
    return found


OneJob = Annotated[Job, Depends(job_of)]


@router.get("/jobs/{job}", responses=REFUSED)
def one_job(job: OneJob) -> dict[str, Any]:
    """Progress or outcome of one piece of work."""
    return job_json(job)


@router.post("/jobs/{job}/stop", responses=REFUSED)
def stop_job(job: OneJob) -> dict[str, Any]:
    """Ask a piece of work to stop; nothing half-done is kept."""
    job.stop.set()
    return job_json(job)


@router.post("/jobs/{job}/close", responses=REFUSED)
def close_job(job: OneJob, space: Space) -> dict[str, Any]:
    """Note that its end was seen: it is listed no more among what is shown."""
    space.jobs.close_one(job)
    return job_json(job)


@router.post("/jobs/{job}/again", responses=REFUSED, status_code=202)
def again(job: OneJob, space: Space) -> dict[str, Any]:
    """Begin a piece of work again that failed, was stopped, or broke off when the server ended."""
    begun = work.begin(space, build_of(job.build, space), job.kind, job.content)
    space.jobs.close_one(job)
    return job_json(begun)


@router.get("/builds/{build}/first-hour", responses=REFUSED)
def first_hour(folder: Build, space: Space) -> Any:
    """How far a build has come: vehicle, logs and DBC, channels, check, answer."""
    return {**hour.first_hour(folder), "waiting": len(space.uploads(folder).list())}


@router.get("/builds/{build}/settings", responses=REFUSED)
def settings(folder: Build) -> Any:
    """The settings as a form."""
    return json_ready(settings_form.read_form(folder))


@router.put("/builds/{build}/settings", responses=CONFLICT)
def change_settings(folder: Build, body: bodies.SettingsChange) -> Any:
    """Change settings; nothing is saved that is not valid."""
    if body.text is not None:
        settings_form.save_text(folder, body.text, version=body.version)
    elif body.fields:
        settings_form.save_fields(folder, body.fields, version=body.version)
    return json_ready(settings_form.read_form(folder))


@router.get("/builds/{build}/rows/{name}", responses=REFUSED)
def rows(folder: Build, name: Annotated[str, Path(max_length=40)]) -> Any:
    """Scenarios, alternatives, curves or measurements, one row each, with the keys that there are."""
    return settings_rows.read_rows(folder, name)


@router.patch("/builds/{build}/rows/{name}", responses=CONFLICT)
def change_rows(folder: Build, name: Annotated[str, Path(max_length=40)], body: bodies.RowChanges) -> Any:
    """Change some rows, or add and take out some; the others stay. Nothing is saved that is not valid."""
    settings_rows.save_rows(folder, name, body.changes)
    return settings_rows.read_rows(folder, name)


@router.get("/builds/{build}/logs", responses=REFUSED)
def logs(folder: Build, space: Space) -> dict[str, Any]:
    """Logs that were sent and wait."""
    return {"logs": [work.sent_json(log) for log in space.uploads(folder).list()]}


_BYTES = {"content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}, "required": True}


@router.post("/builds/{build}/logs", responses=REFUSED, status_code=201, openapi_extra={"requestBody": _BYTES})
async def send_log(
    folder: Build, space: Space, request: Request, name: Annotated[str, Query(max_length=255)] = "log"
) -> dict[str, Any]:
    """Send a file of any size: a log waits, a DBC goes into the build and its settings, a zip is unpacked into both."""
    uploads = space.uploads(folder)
    return await run_in_threadpool(work.sort_sent, folder, uploads, await uploads.receive(name, request.stream()))


@router.get("/builds/{build}/dbcs", responses=REFUSED)
def dbcs(folder: Build) -> Any:
    """DBCs that the settings name, what each defines, and what two of them define differently for one bus."""
    found, version = dbc_files.named_dbcs(folder)
    return {"dbcs": json_ready(found), "conflicts": dbc_files.dbc_conflicts(folder), "version": version}


@router.put("/builds/{build}/dbcs", responses=CONFLICT)
def name_dbcs(folder: Build, body: bodies.DbcChoices) -> Any:
    """Name DBCs to use, each for all buses or for some, or use one no more (its file stays); the others stay."""
    chosen = {choice.file: choice.bus for choice in body.dbcs}
    dbc_files.name_dbcs(folder, chosen, left_out=body.left_out, version=body.version)
    return dbcs(folder)


@router.delete("/builds/{build}/logs/{log}", responses=REFUSED)
def forget_log(folder: Build, space: Space, log: bodies.LogId) -> dict[str, Any]:
    """Forget a sent log."""
    space.uploads(folder).remove(log)
    return {"removed": log}


@router.post("/builds/{build}/logs/{log}/suggest", responses=REFUSED, status_code=202)
def suggest(folder: Build, space: Space, log: bodies.LogId) -> dict[str, Any]:
    """Suggest which signal is which channel, with a little plot of each."""
    return job_json(work.begin(space, folder, "suggest", {"logs": [log]}))


@router.get("/builds/{build}/channels", responses=REFUSED)
def channels(folder: Build) -> Any:
    """The channel map as it stands, and its version."""
    sources, version = hour.channels_with_version(folder)
    return {"channels": json_ready(sources), "version": version}


@router.put("/builds/{build}/channels", responses=CONFLICT)
def save_channels(folder: Build, body: bodies.ChannelChoices) -> Any:
    """Change channels of the map, or leave some out; the others stay."""
    sources = tuple(ChannelSource(**choice.model_dump()) for choice in body.channels)
    return json_ready(hour.save_channels(folder, sources, left_out=body.left_out, version=body.version))


@router.post("/builds/{build}/import", responses=REFUSED, status_code=202)
def import_sent(folder: Build, space: Space, body: bodies.ImportRequest) -> dict[str, Any]:
    """Import sent logs; those that are being imported already are not imported twice."""
    return job_json(work.begin(space, folder, "import", body.model_dump()))


@router.get("/folders", responses=REFUSED)
def folders(path: Annotated[str, Query(max_length=1000)] = "") -> dict[str, Any]:
    """Folders on this machine, to pick one that is watched; names only, nothing is read."""
    return folder_listing(path)


@router.get("/builds/{build}/watch", responses=REFUSED)
def watched(folder: Build, space: Space) -> dict[str, Any]:
    """Which folder is watched, and what came of it."""
    return watch_json(space, folder)


@router.post("/builds/{build}/watch", responses=REFUSED)
def watch(folder: Build, space: Space, body: bodies.WatchRequest) -> dict[str, Any]:
    """Watch a folder on this machine and import what comes; an empty text stops it."""
    if body.folder.strip():
        watch_folder(space, folder.path.name, FilePath(body.folder.strip()))
    else:
        stop_watching(space, folder.path.name)
    return watch_json(space, folder)


@router.post("/builds/{build}/fit", responses=REFUSED, status_code=202)
def fit(folder: Build, space: Space) -> dict[str, Any]:
    """Fit the drives and predict the range again."""
    return job_json(work.begin(space, folder, "fit"))


@router.get("/builds/{build}/range", responses=REFUSED)
def driving_range(folder: Build) -> Any:
    """Figures and numbers of the range: refined where a fit holds, planned otherwise."""
    return worded(asking.range_json(folder, work.basis_of(folder)))


@router.get("/builds/{build}/limits", responses=REFUSED)
def limits(folder: Build) -> Any:
    """Every limit over all drives: closest approach, its moment, events, cautions."""
    return worded(json_ready(limits_of_build(folder)))


@router.post("/builds/{build}/what-if", responses=REFUSED)
def what_if(folder: Build, body: bodies.WhatIf) -> Any:
    """The range at another speed, temperature, payload or pack."""
    question = asking.Question(**body.model_dump())
    return json_ready(asking.what_if(folder.settings(), work.basis_of(folder), question))


@router.get("/builds/{build}/commands", responses=REFUSED)
def commands(folder: Build, space: Space) -> dict[str, Any]:
    """Everything that the command line can work out, with the options of each, and the files that can be named."""
    return {"commands": worded(commands_of(space)), "files": list(work.files_at_hand(space, folder))}


@router.post("/builds/{build}/commands/{name}", responses=REFUSED, status_code=202)
def run_command(
    folder: Build, space: Space, name: Annotated[str, Path(max_length=40)], body: bodies.CommandRequest
) -> dict[str, Any]:
    """Run a command on a build: its tables and words, or its result in SI."""
    return job_json(work.begin(space, folder, "command", {"name": name, **body.model_dump()}))


@router.get("/builds/{build}/exports/{name}", responses=REFUSED)
def exported(folder: Build, name: Annotated[str, Path(pattern=r"^[A-Za-z0-9_-][A-Za-z0-9._-]{0,100}$")]) -> Response:
    """A file that a command wrote."""
    saved_as = {"Content-Disposition": f'attachment; filename="{name}"'}
    return _written(folder.path / "exports" / name, "application/octet-stream", **saved_as)


@router.post("/builds/{build}/report", responses=REFUSED, status_code=202)
def report(folder: Build, space: Space, body: bodies.ReportRequest) -> dict[str, Any]:
    """Write a report."""
    if body.kind == "drive" and body.drive is None:
        raise HTTPException(400, "say which drive")
    return job_json(work.begin(space, folder, "report", body.model_dump()))


@router.get("/builds/{build}/reports", responses=REFUSED)
def reports(folder: Build) -> dict[str, Any]:
    """Reports that were written, the newest first."""
    found: list[dict[str, Any]] = []
    for path in folder.reports.glob("*.html"):
        if REPORT_NAME.match(path.name):
            with suppress(FileNotFoundError):  # taken away while we look
                status = path.stat()
                found.append({"name": path.name, "size_bytes": status.st_size, "written_s": status.st_mtime})
    return {"reports": sorted(found, key=lambda one: -one["written_s"])}


@router.get("/builds/{build}/reports/{name}", responses=REFUSED)
def written_report(folder: Build, name: Annotated[str, Path(pattern=REPORT_NAME.pattern)]) -> Response:
    """A report that was written: only logan's own scripts run in it, walled off from this page."""
    return _written(folder.reports / name, "text/html", **{"Content-Security-Policy": served_report_policy()})


def _written(path: FilePath, media_type: str, **headers: str) -> Response:
    """A file as it is now, measured and read through one handle: another may take its place while it is sent."""
    try:
        file = path.open("rb")
    except OSError:
        raise HTTPException(404, "this file has not been written") from None
    status = os.fstat(file.fileno())
    headers |= {"Content-Length": str(status.st_size), "ETag": f'"{status.st_mtime_ns:x}"'}
    return StreamingResponse(_parts(file), media_type=media_type, headers=headers)


def _parts(file: BinaryIO) -> Iterator[bytes]:
    with file:
        yield from iter(partial(file.read, 1 << 16), b"")
