"""The long run: a hundred thousand damaged inputs at every entrance, with or without coverage as a guide.

Run by hand, outside CI; prints one line of a table per target and keeps what made something fall in ``corpus``::

    python -m tests.hardening.fuzz --cases 100000                 # every target, seeded damage
    python -m tests.hardening.fuzz --target asc --guided          # one target; needs pip install 'logan[fuzz]'
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import hashlib
import os
import resource
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.hardening.targets import Target

HANG_S = 10.0
"""Longer than this for an input of at most 128 kB is a hang. [s]"""

MOST_MEMORY_PER_BYTE, MOST_MEMORY_BESIDES = 100, 64_000_000
"""What one input may add to the largest memory so far; the promise for what is packed."""


class HangError(BaseException):
    """An input took too long; nothing that catches all exceptions may swallow it."""


KEPT_SHARE = 0.1
"""Of the damaged inputs of a seeded run that come from those kept, not from whole ones."""

KEPT = 12
"""Inputs of a guided run that are kept for the next."""


def peak_kb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


class Tally:
    """What became of the inputs of one target; faults by where they arose."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.cases = self.results = self.refusals = 0
        self.slowest_s = 0.0
        self.faults: dict[str, bytes] = {}
        self._before_kb = peak_kb()

    def attempt(self, run: object, content: bytes) -> None:
        from logan.errors import LoganError

        self.cases += 1
        started, peak = time.perf_counter(), peak_kb()
        try:
            with _limited():
                run(content)  # type: ignore[operator]
            self.results += 1
        except LoganError:
            self.refusals += 1
        except (Exception, HangError) as error:
            places = [
                f"{Path(frame.filename).name}:{frame.lineno}" for frame in traceback.extract_tb(error.__traceback__)
            ]
            place = " < ".join(reversed([one for one in places if not one.startswith("fuzz.py")][-3:]))
            where = f"{type(error).__name__} {str(error)[:60]!r} at {place}"
            self._fault(f"{type(error).__name__} at {place.split(' < ')[0]}", where, content)
        grown = (peak_kb() - peak) * 1024
        if grown > MOST_MEMORY_PER_BYTE * len(content) + MOST_MEMORY_BESIDES:
            self._fault("memory", f"{len(content)} bytes took {grown / 1e6:.0f} MB more", content)
        self.slowest_s = max(self.slowest_s, time.perf_counter() - started)

    def _fault(self, key: str, where: str, content: bytes) -> None:
        if key not in self.faults:
            self.faults[key] = content
            print(f"  {self.name}: {where}", flush=True)

    def line(self) -> str:
        hangs = sum(key.startswith("HangError") for key in self.faults)
        grown_mb = (peak_kb() - self._before_kb) / 1024.0
        return (
            f"| {self.name} | {self.cases} | {self.results} read, {self.refusals} refused | {len(self.faults) - hangs} "
            f"| {hangs} | slowest {self.slowest_s * 1000.0:.0f} ms | memory +{grown_mb:.0f} MB |"
        )

    def keep(self, corpus: Path) -> None:
        for content in self.faults.values():
            place = corpus / self.name.replace(" ", "_")
            place.mkdir(parents=True, exist_ok=True)
            (place / hashlib.sha256(content).hexdigest()[:12]).write_bytes(content)


@contextlib.contextmanager
def _limited() -> Iterator[None]:
    def stop(*_: object) -> None:
        raise HangError(f"longer than {HANG_S:g} s")

    signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, HANG_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)


def run_seeded(name: str, cases: int, seed: int) -> Tally:
    from tests.hardening.damage import damaged
    from tests.hardening.targets import CORPUS, TARGETS

    target, random = TARGETS[name], Random(f"{name} {seed}")
    _warm(target)
    seeds, kept = target.seeds(), [path.read_bytes() for path in sorted(CORPUS.glob(f"{name.replace(' ', '_')}/*"))]
    tally, started = Tally(name), time.monotonic()
    while tally.cases < cases:
        # What made something fall once is no longer whole, and often fell where little of the file was read.
        tally.attempt(target.run, damaged(random, kept if kept and random.random() < KEPT_SHARE else seeds))
    print(f"{tally.line()} {time.monotonic() - started:.0f} s", flush=True)
    tally.keep(CORPUS)
    return tally


def _warm(target: Target) -> None:
    """What it imports is there before memory and time are measured."""
    from logan.errors import LoganError

    for content in target.seeds():
        with contextlib.suppress(LoganError):
            target.run(content)
    gc.freeze()  # a reader collects garbage behind a library's back; what was there before need not be looked at


def run_guided(name: str, cases: int, seed: int) -> None:
    """With libFuzzer's own mutations, towards code of logan that no input has reached yet; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["logan"]):
        from tests.hardening.targets import CORPUS, SCRATCH, TARGETS

    target, started = TARGETS[name], time.monotonic()
    start = SCRATCH / "guided"
    start.mkdir()
    seeds = target.seeds()
    longest = max(16_384, *map(len, seeds))
    for number, content in enumerate(seeds):
        (start / f"seed {number}").write_bytes(content)
    _warm(target)
    tally = Tally(f"{name}, guided")

    def one(content: bytes) -> None:
        tally.attempt(target.run, content)
        if tally.cases == cases:
            found = [path for path in start.iterdir() if not path.name.startswith("seed")]
            print(f"{tally.line()} {time.monotonic() - started:.0f} s, {len(found)} reached new code", flush=True)
            tally.keep(CORPUS)
            _keep_smallest(found, CORPUS / name.replace(" ", "_"))
            os._exit(bool(tally.faults))

    kept = [str(path) for path in CORPUS.glob(name.replace(" ", "_")) if path.is_dir()]
    atheris.Setup([sys.argv[0], f"-seed={seed}", f"-max_len={longest}", "-verbosity=0", str(start), *kept], one)
    atheris.Fuzz()


def _keep_smallest(found: list[Path], place: Path) -> None:
    """Of what reached new code, keep a few small ones for the suite and the next run."""
    for path in sorted(found, key=lambda path: path.stat().st_size)[:KEPT]:
        place.mkdir(parents=True, exist_ok=True)
        (place / f"guided-{path.name[:12]}").write_bytes(path.read_bytes())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--target", action="append", help="a name of tests.hardening.targets; all by default")
    parser.add_argument("--cases", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", action="store_true", help="guided by coverage; one target")
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    if given.guided:
        run_guided(given.target[0], given.cases, given.seed)
    from tests.hardening.targets import TARGETS

    tallies = [run_seeded(name, given.cases, given.seed) for name in given.target or TARGETS]
    sys.exit(1 if any(tally.faults for tally in tallies) else 0)


if __name__ == "__main__":
    main()
