"""Whole ingest of one log in each format, side by side with python-can and cantools in one process.

Run by hand: ``python -m tests.benchmarks.ingest.formats [--seconds 120] [--rounds 3] [suffix ...]``.
Both sides are warm; each figure is the best of the rounds. The baseline throws its results away, our
side holds every signal as an array, and makes all its checks.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path

from logan.pipeline.logs_reader import Reading
from tests.benchmarks.ingest.generator import INFERRED, write_dbc, write_log

GOALS = {
    ".log": (55, 60),
    ".asc": (50, 65),
    ".trc": (34, 48),
    ".csv": (36, 50),
    ".blf": (32, None),
    ".mf4": (27, None),
    # Text that is inferred, in two forms; the baseline is python-can on candump's text of the same frames.
    ".tabs.txt": (25, None),
    ".bytes.csv": (25, None),
}


def best_s(work: Callable[[], object], rounds: int) -> float:
    best = float("inf")
    for _ in range(rounds):
        start_s = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start_s)
    return best


def baseline(path: Path, dbc: Path) -> int:
    """python-can's reader and cantools' decoder, frame by frame; returns the frames read."""
    import can
    import cantools

    database = cantools.database.load_file(dbc)
    count = 0
    for message in can.LogReader(path):
        if not message.is_error_frame and not message.is_remote_frame:
            database.decode_message(message.arbitration_id, message.data, decode_choices=False)
        count += 1
    return count


def ours(path: Path, dbc: Path, threads: int) -> int:
    from logan.pipeline.ingest import read_logs

    return read_logs([path], Reading(dbcs=[dbc], threads=threads)).signals.frame_count


def compare(suffix: str, seconds: int, rounds: int, dbc: Path) -> str:
    path = write_log(suffix, seconds)
    known = write_log(".log", seconds) if suffix in INFERRED else path
    count = ours(path, dbc, 1)
    assert count == baseline(known, dbc)  # both sides are warm now, and read the same
    base_s, one_s, two_s = float("inf"), float("inf"), float("inf")
    for _ in range(rounds):  # alternating, so that a slow spell of the machine hits both
        base_s = min(base_s, best_s(lambda: baseline(known, dbc), 1))
        one_s = min(one_s, best_s(lambda: ours(path, dbc, 1), 3))
        two_s = min(two_s, best_s(lambda: ours(path, dbc, 2), 3))
    goal_one, goal_two = GOALS[suffix]
    return (
        f"{suffix:10} {count:9} {base_s / count * 1e6:8.2f} {one_s / count * 1e9:8.0f} {base_s / one_s:7.1f} "
        f"{goal_one:5} {two_s / count * 1e9:8.0f} {base_s / two_s:7.1f} {goal_two or '-':>5}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("suffixes", nargs="*", default=list(GOALS))
    parser.add_argument("--seconds", type=int, default=120)
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    dbc = write_dbc()
    print("             frames   base us  1 thr ns   ratio  goal  2 thr ns  ratio  goal")
    for suffix in arguments.suffixes:
        print(compare(suffix, arguments.seconds, arguments.rounds, dbc), flush=True)


if __name__ == "__main__":
    main()
