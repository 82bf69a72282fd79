"""Does the account of a drive by the fit hold the truth of vehicles built otherwise: friction, capped share, ledger?

    python -m tests.benchmarks.fit.account [--count 80] [--seed 1] [--drives 12] [--no-gnss]

The builds are those of ``coverage.py``, with brake pressure and the announced limit of the charge current logged: pads
of a force per pressure of their own (log-normal about a small car's, 0.7), which strays by a tenth from stop to stop.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.instruments.drive_evidence import drive_evidence
from logan.instruments.posterior import corrected, corrections, known_instruments
from logan.ledger.reckon import energy_ledger
from logan.metrics.energy import energy_summary
from logan.metrics.regen import regen_summary
from logan.model.balance import segment_drive
from logan.model.fitted_build import fitted_build
from logan.model.sensor_errors import with_sensor_errors
from logan.pipeline.fit import fit_drives
from logan.results import Estimate
from tests.benchmarks.fit import other_structure as other
from tests.benchmarks.fit.coverage import KINDS, build_of


def run(seed, count, *, has_gnss):
    """Every drive of one build: found and true by figure, by the plan and by the fit of all of them."""
    rng = np.random.default_rng(seed)
    vehicle = other.OtherVehicle.draw(rng, has_gnss=has_gnss)
    vehicle = replace(vehicle, newton_per_pa=2e-3 * float(np.exp(rng.spawn(1)[0].normal(0, 0.7))))
    build = build_of(vehicle, rng)
    logged, truths = [], []
    for number in range(count):
        truths.append({})
        time_s, columns, _, _ = other.drive(vehicle, rng, kind=KINDS[number % 3], has_gnss=has_gnss, braked=truths[-1])
        channels = {name: Channel(name=name, time_s=time_s, value=value) for name, value in columns.items()}
        logged.append(Drive(channels=channels))
    evidence = [part for number, drive in enumerate(logged) for part in drive_evidence(drive, str(number))]
    instruments = known_instruments(build, evidence)
    applied = corrections(instruments)
    right = [corrected(drive, applied) for drive in logged]
    segments = [segment_drive(drive, build, drive_id=str(number)) for number, drive in enumerate(right)]
    fit = with_sensor_errors(fit_drives(build, segments).fit, instruments.without(applied), build)
    return [
        {basis: account(drive, of, truth) for basis, of in (("plan", build), ("fit", fitted_build(build, fit)))}
        for drive, truth in zip(right, truths, strict=True)
    ]


def account(drive, build, truth):
    """Found, its sigma and the truth by figure; nothing where the figure is refused. [Wh, ratio]"""
    energy = energy_summary(drive, build)
    regen, ledger = regen_summary(drive, build, energy), energy_ledger(drive, build)
    found = {
        "friction": (regen.friction_wh, truth["friction_j"] / 3600.0),
        "capped": (regen.capped_wh, truth["capped_j"] / 3600.0),
        "capped share": (regen.figures[7].value, truth["capped_j"] / truth["braking_j"]),
    }
    rows = {n: (f.value, f.sigma, true) for n, (f, true) in found.items() if isinstance(f, Estimate)}
    residual = ledger.residual_wh
    return rows | {"residual": (residual.value / energy.net_wh.value, residual.sigma / energy.net_wh.value, 0.0)}


def main():
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--drives", type=int, default=12)
    parser.add_argument("--no-gnss", action="store_true")
    options = parser.parse_args()
    started = time.perf_counter()
    drives = [
        drive
        for seed in range(options.seed, options.seed + options.count)
        for drive in run(seed, options.drives, has_gnss=not options.no_gnss)
    ]
    print(f"{options.count} builds, {options.drives} drives, {'no GNSS' if options.no_gnss else 'GNSS'}")
    for basis in ("plan", "fit"):
        for name in ("friction", "capped", "capped share"):
            rows = np.array([one[basis][name] for one in drives if name in one[basis]])
            show(f"{basis} {name}", rows, len(drives))
        rows = np.array([one[basis]["residual"] for one in drives])
        show(f"{basis} residual", rows, len(drives))
        print(f"  {basis} residual over net, rms {100 * np.sqrt(np.mean(rows[:, 0] ** 2)):.1f} %")
    print(f"{time.perf_counter() - started:.0f} s")


def show(name, rows, count):
    """One figure's line."""
    if not rows.size:
        print(f"  {name:18s} refused on all {count}")
        return
    error = rows[:, 0] - rows[:, 2]
    place = np.abs(error) / np.maximum(rows[:, 1], 1e-9)
    held = [100 * np.mean(place < width) for width in (0.674, 0.994, 1.645)]
    print(
        f"  {name:18s} shown {len(rows)}/{count}  true median {np.median(rows[:, 2]):8.3f}  median error "
        f"{np.median(np.abs(error)):7.3f}  bias {np.mean(error):+8.3f}  median sigma {np.median(rows[:, 1]):7.3f}  "
        f"held of 50/68/90: {held[0]:3.0f}/{held[1]:3.0f}/{held[2]:3.0f}"
    )


if __name__ == "__main__":
    main()
