"""The longer pieces of work that the page starts: each a function of a job."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.errors import LoganError, UsageError
from logan.pipeline.builds import BuildFolder
from logan.results import json_ready
from logan.web.bodies import ImportChoices, ImportRequest
from logan.web.jobs import Job
from logan.web.uploads import Upload, Uploads
from logan.web.words import in_page_words, worded

if TYPE_CHECKING:
    from logan.pipeline.logs_reader import IngestProgress
    from logan.pipeline.plan import Plan
    from logan.pipeline.refine import Refinement
    from logan.web.state import Workspace

_SPARK_POINTS: Final = 120
_ANALYSIS_RATIO: Final = [3.0]
"""How much longer than reading a log its analysis takes: as on the demo at first, then as the last import took."""


def follow(job: Job) -> Callable[[IngestProgress], None]:
    """Return what passes the progress of reading on to a job."""

    def tell(progress: IngestProgress) -> None:
        job.tell(f"reading {progress.path.name}")
        job.done, job.total = progress.bytes_read, progress.size_bytes
        job.rate = f"{progress.frames_per_s / 1e6:.2f} M frames/s" if progress.frame_count else ""
        now, left_s = time.monotonic(), progress.time_left_s
        if job.done >= job.total:
            job.tell(f"working out the figures of {progress.path.name}")
        elif left_s is not None:
            read_s = left_s * job.total / max(job.total - job.done, 1.0)
            job.ends_s = now + left_s + _ANALYSIS_RATIO[0] * read_s

    return tell


def sent_json(upload: Upload) -> dict[str, Any]:
    """A log that waits, as the page reads it."""
    return {"id": upload.id, "name": upload.name, "size_bytes": upload.size_bytes}


def sort_sent(folder: BuildFolder, uploads: Uploads, upload: Upload) -> dict[str, Any]:
    """Say what was sent: logs wait, DBCs go into the build and its settings, a zip is both, the rest is explained."""
    from logan.pipeline.dbc_files import is_dbc, keep_dbc, refuse_unknown

    logs, kept, problems = [], [], []
    for one in uploads.unpacked(upload):
        try:
            if not is_dbc(one.path):
                refuse_unknown(one.path)
                logs.append(sent_json(one))
                continue
            kept.append(json_ready(keep_dbc(folder, one.path, one.name)))
        except LoganError as error:
            problems.append(f"{one.name}: {in_page_words(f'{error.problem}. {error.remedy}')}")
        uploads.remove(one.id)
    return {"logs": logs, "dbcs": kept, "problems": problems}


def look_at(folder: BuildFolder, path: Path) -> Callable[[Job], Any]:
    """Say what is in a log."""

    def work(job: Job) -> Any:
        from logan.pipeline.builds import dbcs_near
        from logan.pipeline.look import look

        dbcs, by_bus = dbcs_near(folder.path)
        summary = look([path], dbcs=dbcs, dbc_by_bus=by_bus, progress=follow(job), is_cancelled=job.stop.is_set)
        return json_ready(summary)

    return work


def suggest_channels(folder: BuildFolder, path: Path) -> Callable[[Job], Any]:
    """Suggest a channel map, with a little plot of every candidate."""

    def work(job: Job) -> Any:
        from logan.pipeline.suggestions import suggest_with_plots

        job.tell("reading the log")
        return json_ready(
            suggest_with_plots(folder, path, points=_SPARK_POINTS, progress=follow(job), is_cancelled=job.stop.is_set)
        )

    return work


def import_sent(folder: BuildFolder, paths: list[Path], asked: ImportChoices) -> Callable[[Job], Any]:
    """Import sent logs."""

    def work(job: Job) -> Any:
        from logan.pipeline.drive_list import drive_row
        from logan.pipeline.importing import ImportOptions, import_logs
        from logan.pipeline.notes import noted

        began_s, read_s, tell = time.monotonic(), 0.0, follow(job)

        def progress(now: IngestProgress) -> None:
            nonlocal read_s
            tell(now)
            read_s = time.monotonic() - began_s

        imported = import_logs(
            folder,
            paths,
            options=ImportOptions(
                is_one_drive=asked.is_one_drive,
                is_replaced=asked.is_replaced,
                skips_text=asked.skips_text,
                is_anyway=asked.is_anyway,
                is_energy_optional=asked.is_energy_optional,
            ),
            conditions=noted(said={"payload": asked.payload, "ambient": asked.ambient}, note=asked.note),
            progress=progress,
            is_cancelled=job.stop.is_set,
        )
        if read_s > 1.0 and len(paths) == 1:
            _ANALYSIS_RATIO[0] = (time.monotonic() - began_s - read_s) / read_s
        notes = [[in_page_words(note) for note in one.notes] for one in imported]
        rows = [{**drive_row(one.record), "was_there": one.was_there} for one in imported]
        return json_ready([{**row, "notes": said} for row, said in zip(rows, notes, strict=True)])

    return work


def refresh_drives(folder: BuildFolder) -> Callable[[Job], Any]:
    """Work out again the drives whose figures rest on earlier settings."""

    def work(job: Job) -> Any:
        from logan.pipeline.library import bring_up_to_date, open_library

        with open_library(folder.path, create=True) as library:
            return {"drives": bring_up_to_date(library, folder, told=job.tell)}

    return work


class Refinements:
    """The answers of the builds, kept with their libraries while nothing they rest on has changed."""

    def current(self, folder: BuildFolder) -> Refinement | None:
        """The answer that still holds; None where there is none."""
        from logan.pipeline.refine import kept_answer

        return kept_answer(folder)

    def work(self, folder: BuildFolder) -> Callable[[Job], Any]:
        """Fit the drives and predict the range again."""

        def work(job: Job) -> Any:
            from logan.pipeline.refine import answer_of

            return {"drive_count": answer_of(folder, told=job.tell).fit.fit.drive_count}

        return work

    def basis(self, folder: BuildFolder) -> Plan | Refinement:
        """What a question is answered from: the fit where there is one, else the plan."""
        current = self.current(folder)
        if current is not None:
            return current
        import numpy as np

        from logan.pipeline.predict import plan_of_build

        return plan_of_build(folder, folder.settings(), np.random.default_rng(1))[0]


def write_the_report(
    folder: BuildFolder, refinements: Refinements, *, kind: str, drive: int | None
) -> Callable[[Job], Any]:
    """Write a report."""

    def work(job: Job) -> Any:
        from logan.pipeline.reporting import write_build_report

        name = {"drive": f"drive-{drive}", "build": "report"}.get(kind, kind) + ".html"
        job.tell("writing the report")
        write_build_report(
            folder,
            folder.reports / name,
            drive=str(drive) if kind == "drive" else None,
            kind=kind,
            refinement=None if kind == "drive" else refinements.current(folder),
        )
        return {"name": name}

    return work


def ask_command(space: Workspace, folder: BuildFolder, content: Mapping[str, Any]) -> Callable[[Job], Any]:
    """Run a command on a build; what it would print comes back in blocks, what it wrote as a link."""

    def work(job: Job) -> Any:
        commands = space.settings.commands
        if commands is None:
            raise UsageError("no commands are at hand here", "Start the page with the command line")
        began_s = time.time() - 1.0
        blocks = commands.run_command(
            content["name"],
            content["options"],
            folder.path,
            files=files_at_hand(space, folder),
            told=job.tell,
            as_json=content["as_json"],
        )
        made = [path for path in (folder.path / "exports").glob("*") if path.stat().st_mtime >= began_s]
        files = [{"name": path.name, "size_bytes": path.stat().st_size} for path in made]
        return {"blocks": json_ready(blocks) if content["as_json"] else worded(json_ready(blocks)), "files": files}

    return work


def files_at_hand(space: Workspace, folder: BuildFolder) -> dict[str, Path]:
    """Files that a command may be given, by name: frozen plans, and what was sent and waits."""
    found = {path.name: path for path in sorted(folder.plans.glob("*.json"), reverse=True)}
    return found | {upload.name: upload.path for upload in space.uploads(folder).list()}


def make_demo(folder: BuildFolder) -> Callable[[Job], Any]:
    """Make the demo's conversion and take it through the whole job."""

    def work(job: Job) -> Any:
        from logan.pipeline.demo_run import run_demo

        run_demo(folder.path, told=lambda words: job.tell(words.strip()), report=folder.reports / "report.html")
        return {"build": folder.path.name}

    return work


def begin(
    space: Workspace, fits: Refinements, folder: BuildFolder, kind: str, content: Mapping[str, Any] | None = None
) -> Job:
    """Begin a piece of work by its kind, so that a request and a second try after a broken one do the same.

    Raises
    ------
    LoganError
        If what it needs is not there any more.
    """
    content = dict(content or {})
    uploads = space.uploads(folder)
    sent = [uploads.find(log) for log in content.get("logs", ())]
    names = ", ".join(log.name for log in sent[:3])
    match kind:
        case "look":
            label, work = f"Look at {names}", look_at(folder, sent[0].path)
        case "suggest":
            label, work = f"Channels of {names}", suggest_channels(folder, sent[0].path)
        case "import":
            label = f"Import {names}"
            work = import_sent(folder, [log.path for log in sent], ImportRequest.model_validate(content))
        case "refresh":
            label, work = "Figures of the drives", refresh_drives(folder)
        case "fit":
            label, work = "Fit the drives", fits.work(folder)
        case "report":
            label = "Write the report"
            work = write_the_report(folder, fits, kind=content["kind"], drive=content["drive"])
        case "command":
            label = f"Ask: {content['name']}"
            work = ask_command(space, folder, content)
        case "demo":
            label, work = "Make the demo", make_demo(folder)
        case _:
            raise UsageError("this work cannot be begun again", "Start it where it was started first")
    return space.jobs.start(label, work, build=folder.path.name, kind=kind, content=content)
