"""The time left that the job bar shows: it holds the analysis that follows the reading, of every log that waits."""

from pathlib import Path

import pytest

from logan.pipeline.logs_reader import IngestProgress
from logan.web.jobs import Job
from logan.web.work import follow

RATIO, EACH_S = 3.0, 10
"""The analysis takes three times the reading, and each log is read in ten seconds."""


@pytest.fixture
def clock(monkeypatch):
    now = [1000.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    return now


@pytest.fixture
def logs(tmp_path):
    made = [tmp_path / "first.log", tmp_path / "second.log"]
    for log in made:
        log.write_bytes(b"x" * 1000)
    return made


def steps(logs, is_one_drive):
    """Progress of an import at a steady pace, or None while figures are worked out; one step a second."""
    for log in logs:
        for second in range(1, EACH_S + 1):
            yield log, second
        if not is_one_drive:
            yield from [(None, 0)] * int(RATIO * EACH_S)
    if is_one_drive:
        yield from [(None, 0)] * int(RATIO * EACH_S * len(logs))


@pytest.mark.parametrize(("count", "is_one_drive"), [(1, True), (1, False), (2, True), (2, False)])
@pytest.mark.parametrize("at_once", [True, False], ids=["read at once", "read by clock"])
def test_it_is_all_that_is_still_to_do_from_the_first_moment_on(clock, logs, count, is_one_drive, at_once):
    logs = logs[:count]
    job = Job(id="1", label="Import")
    tell = follow(job, logs, ratio=RATIO, is_one_drive=is_one_drive)
    assert job.time_left_s is None  # nothing was read
    whole_s, left = (1 + RATIO) * EACH_S * count, []
    is_together = is_one_drive and at_once  # one reading of all logs; else each log is a reading of its own
    for gone_s, (log, second) in enumerate(steps(logs, is_one_drive), start=1):
        clock[0] += 1.0
        if log is not None:
            before = logs.index(log) if is_together else 0
            read = IngestProgress(
                path=Path(log),
                bytes_read=1000 * before + 100 * second,
                size_bytes=1000 * (count if is_together else 1),
                frame_count=second,
                elapsed_s=float(second + EACH_S * before),
            )
            tell(read)
        left.append(job.time_left_s)
        assert left[-1] == pytest.approx(whole_s - gone_s, abs=1e-6)
    assert left[EACH_S - 1] >= RATIO * EACH_S  # the first log is read, its analysis is to come
    clock[0] += 100.0  # it takes longer than was thought
    assert job.time_left_s == 0.0
    job.state = "done"
    assert job.time_left_s is None


def test_a_pace_that_changes_never_makes_it_negative_and_a_faster_one_never_longer(clock, logs):
    job = Job(id="1", label="Import")
    tell = follow(job, logs[:1], ratio=RATIO)
    left, elapsed_s = [], 0.0
    for k in range(1, 21):
        step_s = 2.0 / k  # ever faster
        clock[0] += step_s
        elapsed_s += step_s
        tell(IngestProgress(path=logs[0], bytes_read=50 * k, size_bytes=1000, frame_count=k, elapsed_s=elapsed_s))
        left.append(job.time_left_s)
    assert left == sorted(left, reverse=True)
    assert left[-1] == pytest.approx(RATIO * elapsed_s)
