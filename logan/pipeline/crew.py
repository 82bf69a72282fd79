"""Who does the work of a fleet: this process, local processes, or a cluster. All give results in order."""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import re
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice
from typing import Any, Final, Generic, Protocol, TypeVar

from logan.errors import DriveLibraryError, MissingExtraError, UsageError

ATTEMPTS: Final = 4
"""How often a task is begun before its worker's death is taken for the task's own fault."""

_ADDRESS: Final = re.compile(r"^([a-z]+://)?[^/\s]+:[0-9]{1,5}$")

WINDOW_PER_WORKER: Final = 4
"""Tasks in flight per worker: enough to keep it busy, few enough that a fleet's size is not held in memory."""

_M_TRIM_THRESHOLD: Final = -1
_M_MMAP_THRESHOLD: Final = -3
"""Of ``malloc.h`` in glibc; 32 MiB is its greatest threshold, 128 MiB what four such arrays take."""

_Item = TypeVar("_Item")
_Outcome = TypeVar("_Outcome")


class Crew(Protocol):
    """Does one function over many items, and hands the results back in the order of the items."""

    def run(self, work: Callable[[_Item], _Outcome], items: Iterable[_Item]) -> Iterator[_Outcome]:
        """Results in order; a worker that dies costs a retry."""

    def close(self) -> None:
        """Let the workers go."""


class OwnProcess:
    """Does the work here, one item after the other."""

    def run(self, work: Callable[[_Item], _Outcome], items: Iterable[_Item]) -> Iterator[_Outcome]:
        """Results in order."""
        return map(work, items)

    def close(self) -> None:
        """Nothing to let go."""


class LocalProcesses:
    """Does the work in processes of this machine.

    Parameters
    ----------
    count : int, optional
        Processes; as many as there are processors by default.
    """

    def __init__(self, count: int | None = None) -> None:
        self._count = count or os.cpu_count() or 1
        self._pool = self._new_pool()

    def _new_pool(self) -> ProcessPoolExecutor:
        # Never by plain fork: the parent may hold threads of its numerical libraries.
        return ProcessPoolExecutor(self._count, mp_context=multiprocessing.get_context("spawn"))

    def run(self, work: Callable[[_Item], _Outcome], items: Iterable[_Item]) -> Iterator[_Outcome]:
        """Results in order; when a process dies, what was in flight is begun again, one by one."""
        source = iter(items)
        flight: deque[_Begun[_Item, _Outcome]] = deque()
        while True:
            is_calm = all(begun.future is not None for begun in flight)
            room = self._count * WINDOW_PER_WORKER - len(flight) if is_calm else 0
            for item in islice(source, max(room, 0)):
                flight.append(self._begin(work, item))
            if not flight:
                return
            head = flight[0]
            if head.future is None:
                head = flight[0] = self._begin(work, head.item, head.attempts)
            try:
                outcome = head.outcome()
            except (BrokenExecutor, CancelledError):
                if head.attempts >= ATTEMPTS:
                    raise _gave_up(head.item) from None
                self._replace(head.pool)
                flight = deque(begun.held() for begun in flight)
                continue
            flight.popleft()
            yield outcome

    def _begin(self, work: Callable[[_Item], _Outcome], item: _Item, attempts: int = 0) -> _Begun[_Item, _Outcome]:
        pool = self._pool
        try:
            return _Begun(item, pool, pool.submit(work, item), attempts + 1)
        except BrokenExecutor:
            return _Begun(item, pool, None, attempts + 1)

    def _replace(self, broken: ProcessPoolExecutor) -> None:
        """A new pool for a broken one, unless that was done already for another run."""
        if broken is self._pool:
            broken.shutdown(wait=False, cancel_futures=True)
            self._pool = self._new_pool()

    def close(self) -> None:
        """Let the processes go."""
        self._pool.shutdown(cancel_futures=True)


@dataclass(frozen=True, slots=True)
class _Begun(Generic[_Item, _Outcome]):
    """One item, and the future of its result; None while it waits to be begun again."""

    item: _Item
    pool: ProcessPoolExecutor
    future: Future[_Outcome] | None
    attempts: int

    def outcome(self) -> _Outcome:
        if self.future is None:
            raise BrokenExecutor
        return self.future.result()

    def held(self) -> _Begun[_Item, _Outcome]:
        """Itself where it has a result, else waiting; innocent bystanders of a death lose no attempt but the first."""
        future = self.future
        if future is not None and future.done() and not future.cancelled() and future.exception() is None:
            return self
        return replace(self, future=None)


class Cluster:
    """Does the work on a Dask cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    patience_s : float
        How long to wait for the scheduler, and for a worker where there is none. [s]
    """

    def __init__(self, address: str, *, patience_s: float = 30.0) -> None:
        try:
            import distributed
        except ImportError as error:
            raise MissingExtraError("fleet", "A cluster") from error
        if not _ADDRESS.match(address):  # a client that cannot even try never lets the program end
            raise UsageError(f"'{address}' is no address of a scheduler", "Give one such as tcp://HOST:8786")
        connect: Any = distributed.Client
        self._patience_s = patience_s
        try:
            self._client: Any = connect(address, timeout=patience_s, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise UsageError(
                f"no scheduler answers at {address} ({error})", "Start one with: dask scheduler, and workers"
            ) from error
        try:
            self._client.wait_for_workers(1, timeout=patience_s)
        except TimeoutError as error:
            self._client.close()
            raise UsageError(f"the cluster at {address} has no worker", "Start some with: dask worker") from error

    def run(self, work: Callable[[_Item], _Outcome], items: Iterable[_Item]) -> Iterator[_Outcome]:
        """Results in order; the scheduler gives a dead worker's tasks to another."""
        from distributed.scheduler import KilledWorker

        source = iter(items)
        flight: deque[tuple[_Item, Any]] = deque()
        while True:
            for item in islice(source, max(self._window() - len(flight), 0)):
                # pure=False: the same log imported twice is asked for twice, whatever was cached.
                flight.append((item, self._client.submit(_on_a_worker, work, item, pure=False, retries=ATTEMPTS - 1)))
            if not flight:
                return
            item, future = flight.popleft()
            try:
                outcome: _Outcome = self._result(future)
            except KilledWorker:
                raise _gave_up(item) from None
            yield outcome

    def _result(self, future: Any) -> Any:
        """Wait for a result for as long as there is somebody to work on it."""
        done = threading.Event()
        future.add_done_callback(lambda _: done.set())
        last_worker_s = time.monotonic()
        while not done.wait(1.0):
            if self._client.nthreads():
                last_worker_s = time.monotonic()
            elif time.monotonic() - last_worker_s > self._patience_s:
                raise DriveLibraryError(
                    f"the cluster has had no worker for {self._patience_s:.0f} s",
                    "Start workers and begin again; everything finished before is stored",
                )
        return future.result()

    def _window(self) -> int:
        threads = sum(int(count) for count in self._client.nthreads().values())
        return max(2, threads) * WINDOW_PER_WORKER

    def close(self) -> None:
        """Leave the cluster as it is."""
        self._client.close()


def _on_a_worker(work: Callable[[_Item], _Outcome], item: _Item) -> _Outcome:
    _keep_freed_memory()
    return work(item)


@cache
def _keep_freed_memory() -> None:
    """Have glibc keep memory between the arrays of a task, as it does by itself.

    Dask starts workers with ``MALLOC_TRIM_THRESHOLD_`` of 64 kB, which turns glibc's adaptive thresholds off:
    every array is fetched from the system and given back, and the same task takes two and a half times as long.
    """
    with contextlib.suppress(OSError, AttributeError):  # another C library, or another system
        adjust = ctypes.CDLL("libc.so.6").mallopt
        adjust(_M_TRIM_THRESHOLD, 128 * 2**20)
        adjust(_M_MMAP_THRESHOLD, 32 * 2**20)


def _gave_up(item: object) -> DriveLibraryError:
    return DriveLibraryError(
        f"the worker died {ATTEMPTS} times over the same task ({item})",
        "Look at that log by itself; everything finished before is stored",
    )


def crew_of(cluster: str | None, processes: int | None = None) -> Crew:
    """The crew that the user asked for: a cluster, a number of processes, or as many as processors."""
    if cluster is not None:
        return Cluster(cluster)
    if processes == 1:
        return OwnProcess()
    return LocalProcesses(processes)
