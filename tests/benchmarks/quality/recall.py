"""Recall of every detector on seeded faults, and false flags on clean drives.

    python -m tests.benchmarks.quality.recall [--seeds N] [--first SEED] [--code CODE] [--missed]

Every fault is seeded, with random size and place, into clean drives of the twin; a detector
must then give its own code. The clean drives themselves must stay without a flag, except
for findings that are true of them (an unlogged heater is one).
"""

from __future__ import annotations

import argparse
import zlib
from collections import defaultdict

import numpy as np

from logan.quality import DETECTORS, SIGNAL_DETECTORS, find_flags, find_signal_flags
from logan.quality.survey import DriveSurvey
from tests.benchmarks.quality.clean import CASES, SEED, clean_drive
from tests.benchmarks.quality.faults import FAULTS, STANDARD, Fault
from tests.benchmarks.quality.signal_faults import SIGNAL_FAULTS, SignalFault, raw_table

_OWN = {detector.code: detector for detector in DETECTORS}


def seeded_rng(fault: Fault | SignalFault, route: str, seed: int) -> np.random.Generator:
    """Randomness of one seeding, the same in every run."""
    return np.random.default_rng([zlib.crc32(f"{fault.code}{fault.name}{route}".encode()), seed])


def is_caught(fault: Fault, route: str, seed: int) -> bool:
    """Whether the detector of a fault sees it in one drive."""
    drive, build = clean_drive(route, SEED + seed)
    survey = DriveSurvey(fault.inject(drive, seeded_rng(fault, route, seed)), build)
    return any(flag.code == fault.code for flag in _OWN[fault.code].detect(survey))


def is_signal_fault_caught(fault: SignalFault, route: str, seed: int) -> bool:
    """Whether the detector of a fault of raw signals sees it in one log."""
    table, channel_map = raw_table(clean_drive(route, SEED + seed)[0])
    faulty = fault.inject(table, seeded_rng(fault, route, seed))
    return any(flag.code == fault.code for flag in find_signal_flags(faulty, channel_map))


def recall_table(seeds: range, code: str = "", *, is_verbose: bool = False) -> dict[str, tuple[int, int]]:
    """Caught and seeded faults by detector and kind of fault."""
    table: dict[str, tuple[int, int]] = {}
    for fault in (*FAULTS, *SIGNAL_FAULTS):
        if code and fault.code != code:
            continue
        routes = fault.routes or STANDARD if isinstance(fault, Fault) else STANDARD
        name = f"{fault.code} ({fault.name})" if fault.name else fault.code
        name = name if isinstance(fault, Fault) else f"raw: {name}"
        caught = 0
        for route in routes:
            for seed in seeds:
                check = is_caught if isinstance(fault, Fault) else is_signal_fault_caught
                seen = check(fault, route, seed)  # type: ignore[arg-type]
                caught += seen
                if is_verbose and not seen:
                    print(f"    missed: {name} in {route}, seed {seed}")
        table[name] = (caught, len(routes) * len(seeds))
    return table


def false_flags(seeds: range) -> tuple[dict[str, int], float]:
    """False flags by code on clean drives and their raw signals, and the hours driven."""
    counts: dict[str, int] = defaultdict(int)
    driven_s = 0.0
    for seed in seeds:
        for case in CASES:
            drive, build = clean_drive(case.name, SEED + seed)
            driven_s += drive.duration_s
            found = (*find_flags(drive, build), *find_signal_flags(*raw_table(drive)))
            for flag in found:
                if flag.code not in case.true_findings:
                    counts[flag.code] += 1
    return dict(counts), driven_s / 3600.0


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--code", default="")
    parser.add_argument("--missed", action="store_true")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.seeds)
    table = recall_table(seeds, arguments.code, is_verbose=arguments.missed)
    for name, (caught, seeded) in table.items():
        print(f"{name:58s} {caught:4d} of {seeded:4d}  {100 * caught / seeded:5.1f} %")
    caught, seeded = (sum(pair[k] for pair in table.values()) for k in (0, 1))
    print(f"{'all':58s} {caught:4d} of {seeded:4d}  {100 * caught / seeded:5.1f} %")
    codes = {d.code for d in DETECTORS} | {d.code for d in SIGNAL_DETECTORS}
    print(f"detectors without a seeded fault: {sorted(codes - {f.code for f in (*FAULTS, *SIGNAL_FAULTS)}) or 'none'}")
    if not arguments.code:
        counts, hours = false_flags(seeds)
        total = sum(counts.values())
        print(f"false flags: {total} in {hours:.1f} h of clean driving, {10 * total / hours:.2f} per 10 h; {counts}")


if __name__ == "__main__":
    main()
