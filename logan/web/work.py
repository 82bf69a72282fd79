"""The longer pieces of work that the page starts: each a function of a job."""

import shutil
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from logan.errors import LoganError, LogReadError, UsageError, in_our_words
from logan.pipeline.builds import BuildFolder, bring_up_to_date, drive_row, open_library
from logan.pipeline.dbc_files import is_dbc, keep_dbc, refuse_unknown
from logan.pipeline.demo_run import run_demo
from logan.pipeline.first_hour import suggest_with_plots
from logan.pipeline.importing import ImportOptions, import_logs
from logan.pipeline.logs_reader import IngestProgress, Reading
from logan.pipeline.notes import noted
from logan.pipeline.plan import Plan
from logan.pipeline.predict import plan_of_build
from logan.pipeline.refine import Refinement, answer_of, kept_answer
from logan.pipeline.reporting import write_build_report
from logan.results import json_ready
from logan.web.bodies import ImportChoices
from logan.web.jobs import Job
from logan.web.state import Workspace
from logan.web.uploads import Upload, Uploads
from logan.web.words import in_page_words, worded

_SPARK_POINTS: Final = 120
_ANALYSIS_RATIO: Final[defaultdict[str, float]] = defaultdict(lambda: 15.0)
"""How much longer than reading a log its analysis takes, by its suffix: 15 as measured on candump logs of 3 to 50 MB
at first, then as the last import took."""


def follow(
    job: Job, paths: Sequence[Path] = (), *, ratio: float = 0.0, is_one_drive: bool = True
) -> Callable[[IngestProgress], None]:
    """Return what passes the progress of reading ``paths`` on to a job, with the time left until all is worked out.

    What follows takes ``ratio`` times the reading: once at the end of one drive, else after each log.
    """
    size_bytes = read_before = 0
    for path in paths:
        with in_our_words(LogReadError, "the log was taken away before its turn came", "Send it again", path):
            size_bytes += path.stat().st_size
    last: IngestProgress | None = None
    began_s = 0.0

    def tell(progress: IngestProgress) -> None:
        nonlocal read_before, last, began_s
        now = time.monotonic()
        if last is None:
            began_s = now - progress.elapsed_s
        elif progress.path != last.path and (not is_one_drive or last.bytes_read >= last.size_bytes):
            read_before += last.size_bytes
        last = progress
        job.tell(f"reading {progress.path.name}")
        job.done, job.total = read_before + progress.bytes_read, max(read_before + progress.size_bytes, size_bytes)
        job.rate = f"{progress.frames_per_s / 1e6:.2f} M frames/s" if progress.frame_count else ""
        if behind := job.done + (0.0 if is_one_drive else ratio * read_before):
            job.ends_s = now + (now - began_s) * max((1.0 + ratio) * job.total / behind - 1.0, 0.0)
        if progress.bytes_read >= progress.size_bytes:
            job.tell(f"working out the figures of {progress.path.name}")

    return tell


def sent_json(upload: Upload) -> dict[str, Any]:
    """A log that waits, as the page reads it."""
    return {"id": upload.id, "name": upload.name, "size_bytes": upload.size_bytes}


def sort_sent(folder: BuildFolder, uploads: Uploads, upload: Upload) -> dict[str, Any]:
    """Say what was sent: logs wait, DBCs go into the build and its settings, a zip is both, the rest is explained."""
    logs, kept, problems = [], [], []
    for one in uploads.unpacked(upload):
        try:
            with in_our_words(LogReadError, "it cannot be read: {}", "Send it again"):
                if not is_dbc(one.path):
                    refuse_unknown(one.path)
                    logs.append(sent_json(one))
                    continue
                kept.append(json_ready(keep_dbc(folder, one.path, one.name)))
        except LoganError as error:
            problems.append(f"{one.name}: {in_page_words(f'{error.problem}. {error.remedy}')}")
        with suppress(LogReadError):  # forgotten meanwhile
            uploads.remove(one.id)
    return {"logs": logs, "dbcs": kept, "problems": problems}


def suggest_channels(folder: BuildFolder, path: Path, job: Job) -> Any:
    """Suggest a channel map, with a little plot of every candidate."""
    job.tell("reading the log")
    reading = Reading(progress=follow(job), is_cancelled=job.stop.is_set)
    return json_ready(suggest_with_plots(folder, path, reading, points=_SPARK_POINTS))


def import_sent(folder: BuildFolder, paths: list[Path], content: Mapping[str, Any], job: Job) -> Any:
    """Import sent logs; each drive comes back as a row of the list, with what is worth knowing."""
    asked = ImportChoices.model_validate({key: item for key, item in content.items() if key != "logs"})
    began_s, read_s = time.monotonic(), 0.0
    tell = follow(job, paths, ratio=_ANALYSIS_RATIO[paths[0].suffix], is_one_drive=asked.is_one_drive)

    def progress(now: IngestProgress) -> None:
        nonlocal read_s
        tell(now)
        read_s = time.monotonic() - began_s

    imported = import_logs(
        folder,
        paths,
        options=ImportOptions(
            **asked.model_dump(include=set(ImportChoices.OPTIONS)), progress=progress, is_cancelled=job.stop.is_set
        ),
        conditions=noted(said={"payload": asked.payload, "ambient": asked.ambient}, note=asked.note),
    )
    if read_s > 0.2 and len(paths) == 1:
        _ANALYSIS_RATIO[paths[0].suffix] = (time.monotonic() - began_s - read_s) / read_s
    rows = [
        {**drive_row(one.record), "was_there": one.was_there, "notes": one.notes, "alike": one.alike}
        for one in imported
    ]
    return worded(json_ready(rows))


def refresh_drives(folder: BuildFolder, job: Job) -> Any:
    """Work out again the drives whose figures rest on earlier settings."""
    with open_library(folder.path, create=True) as library:
        return {"drives": bring_up_to_date(library, folder, told=job.tell)}


def fit(folder: BuildFolder, job: Job) -> Any:
    """Fit the drives and predict the range again."""
    return {"drive_count": answer_of(folder, told=job.tell).fit.fit.drive_count}


def basis_of(folder: BuildFolder) -> Plan | Refinement:
    """What a question is answered from: the answer that still holds, else the plan."""
    return kept_answer(folder) or plan_of_build(folder, folder.settings(), np.random.default_rng(1))[0]


def write_report(folder: BuildFolder, kind: str, drive: int | None, job: Job) -> Any:
    """Write a report."""
    name = {"drive": f"drive-{drive}", "build": "report"}.get(kind, kind) + ".html"
    job.tell("writing the report")
    number, answer = (str(drive), None) if kind == "drive" else (None, kept_answer(folder))
    write_build_report(folder, folder.reports / name, drive=number, kind=kind, refinement=answer)
    return {"name": name}


def ask_command(space: Workspace, folder: BuildFolder, content: Mapping[str, Any], job: Job) -> Any:
    """Run a command on a build; what it would print comes back in blocks, what it wrote as a link."""
    if space.settings.commands is None:
        raise UsageError("no commands are at hand here", "Start the page with the command line")
    began_s, files = time.time() - 1.0, files_at_hand(space, folder)
    files |= {upload.id: upload.path for upload in space.uploads(folder).list()}
    blocks = json_ready(space.settings.commands.run_command(folder.path, files=files, told=job.tell, **content))
    for path in (folder.path / "exports").glob("*/"):  # a command that writes many files: one to save
        packed = shutil.make_archive(str(path.with_name(f".{path.name}")), "zip", path)
        Path(packed).replace(f"{path}.zip")  # whole: an older one may be read just now
        shutil.rmtree(path)
    made = [path for path in (folder.path / "exports").glob("*") if path.stat().st_mtime >= began_s]
    written = [{"name": path.name, "size_bytes": path.stat().st_size} for path in made]
    return {"blocks": blocks if content["as_json"] else worded(blocks), "files": written}


def files_at_hand(space: Workspace, folder: BuildFolder) -> dict[str, Path]:
    """Files that a command may be given, by name: frozen plans, DBCs of the build, and what was sent and waits."""
    found = {path.name: path for path in sorted(folder.plans.glob("*.json"), reverse=True)}
    found |= {path.name: path for path in sorted((folder.path / "dbc_user").glob("*.dbc"))}
    for upload in space.uploads(folder).list():
        found[upload.name if upload.name not in found else f"{upload.name} ({upload.id})"] = upload.path
    return found


def make_demo(folder: BuildFolder, job: Job) -> Any:
    """Make the demo's conversion and take it through the whole job."""
    run_demo(folder.path, told=lambda words: job.tell(words.strip()), report=folder.reports / "report.html")
    return {"build": folder.path.name}


def begin(space: Workspace, folder: BuildFolder, kind: str, content: Mapping[str, Any] | None = None) -> Job:
    """Begin a piece of work by its kind, so that a request and a second try after a broken one do the same.

    Raises
    ------
    LoganError
        If what it needs is not there any more.
    """
    content = dict(content or {})
    sent = [space.uploads(folder).find(log) for log in content.get("logs", ())]
    names = ", ".join(log.name for log in sent[:3])
    paths = [log.path for log in sent]
    kinds: dict[str, tuple[str, Callable[..., Any], tuple[Any, ...]]] = {
        "suggest": (f"Channels of {names}", suggest_channels, (folder, *paths[:1])),
        "import": (f"Import {names}", import_sent, (folder, paths, content)),
        "refresh": ("Figures of the drives", refresh_drives, (folder,)),
        "fit": ("Fit the drives", fit, (folder,)),
        "report": ("Write the report", write_report, (folder, content.get("kind"), content.get("drive"))),
        "command": (f"Ask: {content.get('name')}", ask_command, (space, folder, content)),
        "demo": ("Make the demo", make_demo, (folder,)),
    }
    if kind not in kinds:
        raise UsageError("this work cannot be begun again", "Start it where it was started first")
    label, work, arguments = kinds[kind]
    return space.jobs.start(label, partial(work, *arguments), build=folder.path.name, kind=kind, content=content)
