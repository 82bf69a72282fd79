"""Two hundred twin drives of twenty vehicles: one process against a real local cluster, and the same numbers.

Run: python -m tests.benchmarks.fleet.cluster [vehicles] [drives] [duration_s] [folder]

The fleet is made in ``folder``, or taken from there where it was made before.

The cluster is a scheduler and two workers as processes on loopback. Every run begins
without reduced drives. In the last run a worker is killed half-way.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterable
from functools import partial
from pathlib import Path

import numpy as np
import psutil

from logan.drive_library.fleet_store import FleetStore
from logan.pipeline.crew import Cluster, Crew, LocalProcesses, OwnProcess
from logan.pipeline.fleet import FleetFit, fit_fleet, import_fleet
from logan.pipeline.fleet_tasks import reduce_one
from tests.pipeline.local_cluster import local_cluster, worker_processes
from tests.pipeline.twin_fleet import store_fleet, twin_level, write_fleet


def cpu_s(processes: Iterable[int]) -> float:
    """Processor time that processes have taken, which a busy machine does not stretch as it does the clock."""
    return sum(sum(psutil.Process(number).cpu_times()[:2]) for number in processes)


def forget(folder: Path) -> None:
    for reduced in folder.glob("*/drives/segments"):
        shutil.rmtree(reduced)


def timed_fit(folder: Path, crew: Crew, told=None) -> tuple[float, FleetFit]:
    forget(folder)
    began = time.perf_counter()
    found = fit_fleet(FleetStore(str(folder)), crew, told=told)
    return time.perf_counter() - began, found


def numbers(found: FleetFit) -> np.ndarray:
    kit = [value for estimate in found.kit.parameters.values() for value in (estimate.value, estimate.sigma)]
    levels = [value for level in found.kit.vehicles for value in (level.level.value, level.mass.value)]
    vehicles = [vehicle.posterior.log_mean for vehicle in found.vehicles]
    return np.concatenate([kit, levels, *vehicles])


def largest_difference(one: FleetFit, other: FleetFit) -> float:
    return float(np.max(np.abs(numbers(one) / numbers(other) - 1.0)))


def imports(folder: Path) -> None:
    for part in ("one", "two"):
        shutil.rmtree(folder / part, ignore_errors=True)
    write_fleet(folder / "one", vehicles=2, drives=4, duration_s=600.0)
    shutil.copytree(folder / "one", folder / "two")
    began = time.perf_counter()
    first = import_fleet(FleetStore(str(folder / "one")), OwnProcess())
    serial_s = time.perf_counter() - began
    with local_cluster() as address:
        crew = Cluster(address)
        warm(crew, folder / "kit")
        began = time.perf_counter()
        second = import_fleet(FleetStore(str(folder / "two")), crew)
        cluster_s = time.perf_counter() - began
        crew.close()
    print(
        f"import of {first.stored} and {second.stored} logs of 10 min: serial {serial_s:.1f} s, "
        f"cluster {cluster_s:.1f} s, {serial_s / cluster_s:.2f} times"
    )


def warm(crew: Crew, folder: Path) -> None:
    """Let every worker import what it needs, so that the runs compare the work alone."""
    store = FleetStore(str(folder))
    vehicle = store.vehicles()[0]
    tasks = [store.drive_files(vehicle)[0]] * 8
    list(crew.run(partial(reduce_one, store), tasks))


def main(vehicles: int = 20, drives: int = 10, duration_s: float = 600.0, folder: Path | None = None) -> None:
    with tempfile.TemporaryDirectory() as name:
        place = folder or Path(name)
        kit = place / "kit"
        if not kit.exists():
            store_fleet(kit, vehicles=vehicles, drives=drives, duration_s=duration_s)
        compare_fits(kit, vehicles, drives)
        imports(place)


def compare_fits(folder: Path, vehicles: int, drives: int) -> None:
    stored = sum(path.stat().st_size for path in folder.glob("*/drives/*.parquet"))
    print(f"{vehicles * drives} drives, {stored / 1e6:.0f} MB", flush=True)
    warm(OwnProcess(), folder)
    before_s = cpu_s([os.getpid()])
    serial_s, serial = timed_fit(folder, OwnProcess())
    serial_cpu_s = cpu_s([os.getpid()]) - before_s
    reduced = [path.stat().st_size for path in folder.glob("*/drives/segments/*.json")]
    print(f"serial {serial_s:.1f} s ({serial_cpu_s:.1f} s of processor), ", end="")
    print(f"a reduced drive has {np.mean(reduced) / 1e3:.0f} kB", flush=True)
    began = time.perf_counter()
    fit_fleet(FleetStore(str(folder)), OwnProcess())
    print(f"serial again, with the reduced drives kept {time.perf_counter() - began:.1f} s", flush=True)
    with local_cluster() as address:
        crew = Cluster(address)
        warm(crew, folder)
        workers = worker_processes(crew)
        before_s = [cpu_s([number]) for number in (*workers, os.getpid())]
        cluster_s, found = timed_fit(folder, crew)
        spent_s = [cpu_s([number]) - s for number, s in zip((*workers, os.getpid()), before_s, strict=True)]
        print(f"cluster of two {cluster_s:.1f} s: {serial_s / cluster_s:.2f} times as fast")
        shares = ", ".join(f"{s:.1f}" for s in spent_s)
        print(f"processor time of the workers and of the client: {shares} s; on cores of their own at best ", end="")
        print(f"{serial_cpu_s / max(spent_s):.2f} times as fast")
        print(f"largest relative difference to the serial numbers {largest_difference(found, serial):.1e}", flush=True)
        done: list[str] = []

        def told(label: str) -> None:
            done.append(label)
            if len(done) == vehicles * drives // 2:
                os.kill(worker_processes(crew)[0], signal.SIGKILL)

        killed_s, found = timed_fit(folder, crew, told)
        lost = vehicles * drives - sum(vehicle.drive_count for vehicle in found.vehicles)
        print(f"a worker killed half-way: {killed_s:.1f} s, {lost} drives lost, ", end="")
        print(f"largest difference {largest_difference(found, serial):.1e}", flush=True)
        crew.close()
    pool = LocalProcesses(2)
    warm(pool, folder)
    pool_s, found = timed_fit(folder, pool)
    pool.close()
    print(f"two local processes {pool_s:.1f} s: {serial_s / pool_s:.2f} times as fast", flush=True)
    levels = np.array([level.level.value for level in serial.kit.vehicles])
    sigmas = np.array([level.level.sigma for level in serial.kit.vehicles])
    truth = np.array([twin_level(vehicle) for vehicle in range(vehicles)])
    truth /= np.exp(np.mean(np.log(truth)))
    print(f"levels against the twins': rms {np.sqrt(np.mean((levels - truth) ** 2)):.4f}, ", end="")
    print(f"one sigma stated {np.mean(sigmas):.4f}, true spread {np.std(truth):.4f}", flush=True)


if __name__ == "__main__":
    # One thread of linear algebra in every process, here as in the workers.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main(*(int(argument) for argument in sys.argv[1:4]), *(Path(argument) for argument in sys.argv[4:5]))
