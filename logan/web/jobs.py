"""Work that takes a while: done in the background, with progress and a way to stop it, noted in a journal."""

import contextlib
import json
import logging
import os
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from logan.errors import LoganError, UsageError
from logan.results import StepWords, json_content
from logan.web.words import in_page_words, refusal_words

JobState = Literal["waiting", "running", "done", "failed", "stopped"]
KEPT_JOBS: Final = 200
_JOURNAL_JOBS: Final = 40
_BROKEN_OFF: Final = "logan was ended while this was under way; nothing half-done was kept"
_NOTED: Final = ("id", "label", "build", "kind", "content", "state", "message", "result", "began_s", "is_closed")

SHORT: Final = ("import", "fit", "report")
"""Kinds whose outcome is short enough to be kept and told."""

_LOG = logging.getLogger(__name__)


@dataclass(slots=True)
class Job:
    """One piece of background work; written by its thread, read by requests.

    Parameters
    ----------
    id : str
        Its name in addresses.
    label, build : str
        What it does, for the user, and the build that it belongs to.
    kind : str
        Which piece of work, so that it can be begun again.
    content : mapping
        What was asked for; the same again while it is under way is the same job.
    state : str
        waiting, running, done, failed or stopped.
    message : str
        What it is doing now, or what came of it.
    done, total : float
        Progress; total 0 while it is not known.
    began_s : float
        When it was asked for. [s since 1970]
    is_closed : bool
        The user has seen how it ended.
    result : object
        JSON-ready outcome; in the journal where it is short.
    """

    id: str
    label: str
    build: str = ""
    kind: str = ""
    content: Mapping[str, Any] = field(default_factory=dict)
    state: JobState = "waiting"
    message: str = ""
    done: float = 0.0
    total: float = 0.0
    rate: str = ""
    began_s: float = field(default_factory=time.time)
    is_closed: bool = False
    result: Any = None
    ends_s: float | None = None
    stop: threading.Event = field(default_factory=threading.Event)
    _counted_from: tuple[float, float] | None = None

    def tell(self, message: str) -> None:
        """Say what is being done; ends the work where the user asked for it."""
        if self.stop.is_set():
            raise JobStopped
        self.message = in_page_words(str(message))
        self.done, self.total = (message.done, message.total) if isinstance(message, StepWords) else (0.0, 0.0)
        now = time.monotonic()
        if not self.total or self._counted_from is None or self.done < self._counted_from[1]:
            self._counted_from = (now, self.done) if self.total else None
        elif self.done > self._counted_from[1]:
            each_s = (now - self._counted_from[0]) / (self.done - self._counted_from[1])
            self.ends_s = now + each_s * (self.total - self.done)

    @property
    def time_left_s(self) -> float | None:
        """Seconds to its end as far as they can be told; None where they cannot."""
        return None if self.ends_s is None or self.is_over else max(self.ends_s - time.monotonic(), 0.0)

    @property
    def is_over(self) -> bool:
        """True when nothing more will happen."""
        return self.state in ("done", "failed", "stopped")


class JobStopped(Exception):  # noqa: N818 - not an error: the user asked for it
    """The user asked for a job to stop."""


class JobRunner:
    """Runs jobs one after the other, so that two never fight over one library.

    Parameters
    ----------
    journal_of : callable
        Where the jobs of a build are noted; None where they are not.
    """

    def __init__(self, journal_of: Callable[[str], Path | None] = lambda build: None) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="logan-job")
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._lock = threading.RLock()
        self._is_closed = False
        self._journal_of = journal_of

    def start(
        self,
        label: str,
        work: Callable[[Job], Any],
        *,
        build: str = "",
        kind: str = "",
        content: Mapping[str, Any] | None = None,
    ) -> Job:
        """Queue a piece of work and return its job at once; the very same that is under way is not begun twice.

        Raises
        ------
        UsageError
            If the server is ending.
        """
        content = content or {}
        with self._lock:
            if self._is_closed:
                raise UsageError("logan is ending", "Start it again")
            for known in self._jobs.values():
                if not known.is_over and kind and (known.build, known.kind) == (build, kind):
                    is_shared = set(known.content.get("logs", ())) & set(content.get("logs", ()))
                    if known.content == content or (kind == "import" and is_shared):
                        return known
            job = Job(id=secrets.token_hex(6), label=label, build=build, kind=kind, content=content)
            self._jobs[job.id] = job
            while len(self._jobs) > KEPT_JOBS and next(iter(self._jobs.values())).is_over:
                self._jobs.popitem(last=False)
            self._note(build)
            self._pool.submit(self._run, job, work)
        return job

    def take_up(self, build: str) -> None:
        """Read the journal of a build: what was under way when the server ended did not come to its end."""
        path = self._journal_of(build)
        try:
            noted = json_content(path.read_text(encoding="utf-8")) if path is not None else []
            jobs = [Job(**{key: entry[key] for key in _NOTED}) for entry in noted]
        except (OSError, ValueError, KeyError, TypeError):
            return  # none, or damaged: it only says what was done
        for job in jobs:
            if not job.is_over:
                job.state, job.message = "stopped", _BROKEN_OFF
            self._jobs.setdefault(job.id, job)

    def close_one(self, job: Job) -> None:
        """Note that the user has seen how a job ended."""
        job.is_closed = True
        self._note(job.build)

    def find(self, job_id: str) -> Job | None:
        """Return a job; None for an unknown one."""
        return self._jobs.get(job_id)

    def jobs(self) -> tuple[Job, ...]:
        """All jobs that are remembered, oldest first."""
        with self._lock:
            return tuple(self._jobs.values())

    def close(self) -> None:
        """Ask all jobs to stop, and wait for them."""
        with self._lock:
            self._is_closed = True
        for job in self.jobs():
            job.stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _note(self, build: str) -> None:
        """Write the journal of a build anew; a full disk costs the journal, not the work."""
        path = self._journal_of(build)
        if path is None:
            return
        with self._lock, contextlib.suppress(OSError):
            kept = [job for job in self._jobs.values() if job.build == build][-_JOURNAL_JOBS:]
            path.parent.mkdir(exist_ok=True)
            fresh = path.with_suffix(f".{os.getpid()}.new")  # another server may note its own
            noted = [{key: getattr(job, key) for key in _NOTED} for job in kept]
            for entry in noted:
                entry["result"] = entry["result"] if entry["kind"] in SHORT else None
            fresh.write_text(json.dumps(noted), encoding="utf-8")
            fresh.replace(path)

    def _run(self, job: Job, work: Callable[[Job], Any]) -> None:
        job.state = "running"
        self._note(job.build)
        message = ""
        try:
            job.tell("")
            job.result = work(job)
        except JobStopped:
            state, message = "stopped", "stopped; nothing half-done was kept"
        except LoganError as error:
            state = "stopped" if job.stop.is_set() else "failed"
            message = "stopped; nothing half-done was kept" if job.stop.is_set() else refusal_words(error)
        except Exception:
            _LOG.exception("job %s failed", job.label)
            state, message = "failed", "this is a fault of logan's, not of your data; the terminal shows the details"
        else:
            state, message = "done", ""
        job.message = message
        job.state = state  # type: ignore[assignment]  # the last thing: whoever sees the end sees its words
        self._note(job.build)
