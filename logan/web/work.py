"""The longer pieces of work that the page starts: each a function of a job."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.errors import LoganError
from logan.pipeline.builds import BuildFolder
from logan.results import json_ready
from logan.web.bodies import ImportChoices
from logan.web.jobs import Job
from logan.web.uploads import Upload, Uploads

if TYPE_CHECKING:
    from logan.pipeline.logs_reader import IngestProgress
    from logan.pipeline.plan import Plan
    from logan.pipeline.refine import Refinement

_SPARK_POINTS: Final = 120


def follow(job: Job) -> Callable[[IngestProgress], None]:
    """Return what passes the progress of reading on to a job."""

    def tell(progress: IngestProgress) -> None:
        job.tell(f"reading {progress.path.name}")
        job.done, job.total = progress.bytes_read, progress.size_bytes
        job.rate = f"{progress.frames_per_s / 1e6:.2f} M frames/s" if progress.frame_count else ""
        job.time_left_s = progress.time_left_s

    return tell


def sent_json(upload: Upload) -> dict[str, Any]:
    """A log that waits, as the page reads it."""
    return {"id": upload.id, "name": upload.name, "size_bytes": upload.size_bytes}


def sort_sent(folder: BuildFolder, uploads: Uploads, upload: Upload) -> dict[str, Any]:
    """Say what was sent: logs wait, DBCs go into the build and its settings, a zip is both."""
    from logan.pipeline.dbc_files import is_dbc, keep_dbc

    logs, kept, problems = [], [], []
    for one in uploads.unpacked(upload):
        if not is_dbc(one.path):
            logs.append(sent_json(one))
            continue
        try:
            kept.append(json_ready(keep_dbc(folder, one.path, one.name)))
        except LoganError as error:
            problems.append(f"{one.name}: {error.problem}. {error.remedy}")
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
        from logan.pipeline.importing import ImportOptions, import_logs
        from logan.pipeline.notes import noted

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
            progress=follow(job),
            is_cancelled=job.stop.is_set,
        )
        return json_ready(imported)

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


def make_demo(folder: BuildFolder) -> Callable[[Job], Any]:
    """Make the demo's conversion and take it through the whole job."""

    def work(job: Job) -> Any:
        from logan.pipeline.demo_run import run_demo

        run_demo(folder.path, told=lambda words: job.tell(words.strip()), report=folder.reports / "report.html")
        return {"build": folder.path.name}

    return work
