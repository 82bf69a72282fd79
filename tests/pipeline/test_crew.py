from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from logan.errors import DriveLibraryError, UsageError
from logan.pipeline.crew import Cluster, Crew, LocalProcesses, OwnProcess, crew_of
from tests.pipeline.local_cluster import local_cluster


def square(number: int) -> int:
    return number * number


def die_once(item: tuple[int, str]) -> int:
    """The seventh task kills its worker the first time that it is done."""
    number, marker = item
    if number == 7 and not Path(marker).exists():
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def die_always(number: int) -> int:
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def retire_worker(address: str) -> int:
    """Stop the only worker for good, in the middle of its task."""
    os.kill(os.getppid(), signal.SIGKILL)  # its nanny, which would start another
    os.kill(os.getpid(), signal.SIGKILL)
    return 0


def fail(number: int) -> int:
    raise DriveLibraryError(f"task {number} is wrong", "Leave it out")


@pytest.fixture(scope="module")
def local():
    crew = LocalProcesses(2)
    yield crew
    crew.close()


@pytest.fixture(scope="module")
def cluster():
    with local_cluster() as address:
        crew = Cluster(address)
        yield crew
        crew.close()


@pytest.fixture(params=["own", "local", pytest.param("cluster", marks=pytest.mark.slow)])
def crew(request) -> Crew:
    return OwnProcess() if request.param == "own" else request.getfixturevalue(request.param)


def test_results_come_in_the_order_of_the_items(crew):
    assert list(crew.run(square, range(40))) == [number * number for number in range(40)]


def test_no_items_are_no_results(crew):
    assert list(crew.run(square, [])) == []


def test_items_are_asked_for_only_as_they_are_needed(crew):
    asked = []

    def items():
        for number in range(1000):
            asked.append(number)
            yield number

    results = crew.run(square, items())
    assert next(results) == 0
    assert len(asked) < 100


def test_an_error_of_a_task_comes_back_as_itself(crew):
    with pytest.raises(DriveLibraryError, match=r"task 0 is wrong. Leave it out"):
        list(crew.run(fail, range(3)))


def test_a_run_may_feed_on_another(crew):
    assert list(crew.run(square, crew.run(square, range(12)))) == [number**4 for number in range(12)]


@pytest.mark.parametrize("name", ["local", pytest.param("cluster", marks=pytest.mark.slow)])
def test_a_worker_that_dies_costs_a_retry_and_no_task(request, name, tmp_path):
    crew = request.getfixturevalue(name)
    items = [(number, str(tmp_path / "died")) for number in range(20)]
    assert list(crew.run(die_once, items)) == list(range(20))
    assert (tmp_path / "died").exists()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["local", "cluster"])
def test_a_task_that_kills_every_worker_is_named(request, name):
    crew = request.getfixturevalue(name)
    with pytest.raises(DriveLibraryError, match=r"died 4 times over the same task \(3\)"):
        list(crew.run(die_always, range(6)))
    assert list(crew.run(square, range(3))) == [0, 1, 4]


def test_a_cluster_that_does_not_answer_is_said():
    with pytest.raises(UsageError, match="no scheduler answers at tcp"):
        Cluster("tcp://127.0.0.1:9", patience_s=1)


@pytest.mark.slow
def test_a_cluster_without_a_worker_is_said_and_not_waited_for_for_ever():
    with local_cluster(workers=0) as address, pytest.raises(UsageError, match="has no worker"):
        Cluster(address, patience_s=2)


@pytest.mark.slow
def test_a_cluster_that_loses_its_last_worker_is_said():
    with local_cluster(workers=1) as address:
        crew = Cluster(address, patience_s=3)
        with pytest.raises(DriveLibraryError, match="no worker for 3 s"):
            list(crew.run(retire_worker, [address]))
        crew.close()


def test_one_process_is_this_one():
    assert isinstance(crew_of(None, 1), OwnProcess)
