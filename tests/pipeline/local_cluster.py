"""A Dask cluster on loopback: a scheduler and workers as processes of their own."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import distributed

from logan.pipeline.crew import Cluster


def worker_processes(crew: Cluster) -> list[int]:
    """Process numbers of a cluster's workers."""
    return list(crew._client.run(os.getpid).values())


@contextlib.contextmanager
def local_cluster(workers: int = 2) -> Iterator[str]:
    """Start a cluster, give its address, and stop it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        scheduler_file = folder / "scheduler.json"
        # The workers must find this package and these tests, wherever they were started from.
        environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
        begin = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--port", "0", "--idle-timeout", "600"]
        work = [
            sys.executable,
            "-m",
            "distributed.cli.dask_worker",
            "--nthreads",
            "1",
            "--local-directory",
            str(folder),
            "--death-timeout",
            "120",
        ]
        options = ["--scheduler-file", str(scheduler_file), "--host", "127.0.0.1", "--no-dashboard"]
        processes = [
            subprocess.Popen(
                [*command, *options],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=environment,
                cwd=folder,
                start_new_session=True,
            )
            for command in (begin, *[work] * workers)
        ]
        try:
            deadline = time.monotonic() + 120.0
            while not scheduler_file.exists():
                assert time.monotonic() < deadline, "the scheduler did not start"
                time.sleep(0.1)
            address = json.loads(scheduler_file.read_text())["address"]
            with distributed.Client(address, timeout=120, set_as_default=False) as client:
                if workers:
                    client.wait_for_workers(workers, timeout=120)
            yield address
        finally:
            for process in reversed(processes):
                # Workers have children of their own; a group goes at once, however busy the machine is.
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.wait()
