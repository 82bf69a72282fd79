"""Work that takes a while: done in the background, with progress and a way to stop it."""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from logan.errors import LoganError
from logan.results import StepWords

JobState = Literal["waiting", "running", "done", "failed", "stopped"]
KEPT_JOBS: Final = 200

_LOG = logging.getLogger(__name__)


@dataclass(slots=True)
class Job:
    """One piece of background work; written by its thread, read by requests.

    Parameters
    ----------
    id : str
        Its name in addresses.
    label : str
        What it does, for the user.
    state : str
        waiting, running, done, failed or stopped.
    message : str
        What it is doing now, or how it ended.
    remedy : str
        What to do about a failure.
    done, total : float
        Progress; total 0 while it is not known.
    result : object
        JSON-ready outcome.
    """

    id: str
    label: str
    state: JobState = "waiting"
    message: str = ""
    remedy: str = ""
    done: float = 0.0
    total: float = 0.0
    rate: str = ""
    time_left_s: float | None = None
    result: Any = None
    started_s: float = field(default_factory=time.monotonic)
    stop: threading.Event = field(default_factory=threading.Event)

    def tell(self, message: str) -> None:
        """Say what is being done; ends the work where the user asked for it."""
        if self.stop.is_set():
            raise JobStopped
        self.message = message
        self.done, self.total = (message.done, message.total) if isinstance(message, StepWords) else (0.0, 0.0)

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
    workers : int
        Jobs at once.
    """

    def __init__(self, workers: int = 1) -> None:
        self._pool = ThreadPoolExecutor(workers, thread_name_prefix="logan-job")
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._numbers = itertools.count(1)
        self._lock = threading.Lock()

    def start(self, label: str, work: Callable[[Job], Any]) -> Job:
        """Queue a piece of work and return its job at once."""
        with self._lock:
            job = Job(id=str(next(self._numbers)), label=label)
            self._jobs[job.id] = job
            while len(self._jobs) > KEPT_JOBS:
                oldest = next(iter(self._jobs.values()))
                if not oldest.is_over:
                    break
                self._jobs.popitem(last=False)
        self._pool.submit(self._run, job, work)
        return job

    def find(self, job_id: str) -> Job | None:
        """Return a job; None for an unknown one."""
        return self._jobs.get(job_id)

    def jobs(self) -> tuple[Job, ...]:
        """All jobs that are remembered, oldest first."""
        return tuple(self._jobs.values())

    def close(self) -> None:
        """Ask all jobs to stop, and wait for them."""
        for job in self.jobs():
            job.stop.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _run(self, job: Job, work: Callable[[Job], Any]) -> None:
        if job.stop.is_set():
            job.state, job.message = "stopped", "stopped before it began"
            return
        job.state, job.started_s = "running", time.monotonic()
        try:
            job.result = work(job)
        except JobStopped:
            job.state, job.message = "stopped", "stopped; nothing half-done was kept"
        except LoganError as error:
            stopped = job.stop.is_set()
            # By its name alone: where a sent log waits on this machine says nothing to whoever sent it.
            words = str(error).replace(str(error.path), error.path.name) if error.path else str(error)
            job.message = "stopped; nothing half-done was kept" if stopped else words
            job.remedy = error.remedy
            job.state = "stopped" if stopped else "failed"
        except Exception:
            _LOG.exception("job %s failed", job.label)
            job.message = "this is a fault of logan's, not of your data; the terminal shows the details"
            job.state = "failed"
        else:
            job.state = "done"
