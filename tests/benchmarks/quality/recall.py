"""Recall of every detector on seeded faults, and false flags on clean drives.

    python -m tests.benchmarks.quality.recall [--seeds N] [--code CODE]

Every fault is seeded, with random size and place, into clean drives of the twin; a detector
must then give its own code. The clean drives themselves must stay without a flag, except
for findings that are true of them (an unlogged heater is one).
"""

from __future__ import annotations

import argparse
import zlib
from collections import defaultdict

import numpy as np

from logan.quality import DETECTORS, find_flags
from tests.benchmarks.quality.clean import CASES, SEED, clean_drive
from tests.benchmarks.quality.faults import FAULTS, STANDARD, Fault


def _caught(fault: Fault, route: str, seed: int) -> tuple[bool, bool, float]:
    """Whether the detector saw it; and the true and the claimed effect's error, NaN where not claimed. [Wh/km]"""
    drive, build = clean_drive(route, SEED)
    rng = np.random.default_rng([zlib.crc32(f"{fault.code}{fault.name}{route}".encode()), seed])
    faulty = fault.inject(drive, rng)
    flags = find_flags(faulty, build)
    return any(flag.code == fault.code for flag in flags), any(flag.severity == "red" for flag in flags), 0.0


def recall_table(seeds: int, code: str = "", *, is_verbose: bool = False) -> dict[str, tuple[int, int]]:
    """Caught and seeded faults by detector and kind of fault."""
    table: dict[str, tuple[int, int]] = {}
    for fault in FAULTS:
        if code and fault.code != code:
            continue
        routes = fault.routes or STANDARD
        name = f"{fault.code} ({fault.name})" if fault.name else fault.code
        caught = 0
        for route in routes:
            for seed in range(seeds):
                seen, _, _ = _caught(fault, route, seed)
                caught += seen
                if is_verbose and not seen:
                    print(f"    missed: {name} in {route}, seed {seed}")
        table[name] = (caught, len(routes) * seeds)
    return table


def false_flags(seeds: int) -> tuple[dict[str, int], float]:
    """False flags by code on clean drives, and the hours driven."""
    counts: dict[str, int] = defaultdict(int)
    driven_s = 0.0
    for seed in range(SEED, SEED + seeds):
        for case in CASES:
            drive, build = clean_drive(case.name, seed)
            driven_s += drive.duration_s
            for flag in find_flags(drive, build):
                if flag.code not in case.true_findings:
                    counts[flag.code] += 1
    return dict(counts), driven_s / 3600.0


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--code", default="")
    parser.add_argument("--missed", action="store_true")
    arguments = parser.parse_args()
    table = recall_table(arguments.seeds, arguments.code, is_verbose=arguments.missed)
    for name, (caught, seeded) in table.items():
        print(f"{name:58s} {caught:4d} of {seeded:4d}  {100 * caught / seeded:5.1f} %")
    caught, seeded = (sum(pair[k] for pair in table.values()) for k in (0, 1))
    print(f"{'all':58s} {caught:4d} of {seeded:4d}  {100 * caught / seeded:5.1f} %")
    print(
        f"detectors without a seeded fault: {sorted({d.code for d in DETECTORS} - {f.code for f in FAULTS}) or 'none'}"
    )
    if not arguments.code:
        counts, hours = false_flags(arguments.seeds)
        total = sum(counts.values())
        print(f"false flags: {total} in {hours:.1f} h of clean driving, {10 * total / hours:.2f} per 10 h; {counts}")


if __name__ == "__main__":
    main()
