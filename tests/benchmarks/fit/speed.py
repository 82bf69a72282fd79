"""How long a fit over fifty drives of one hour takes, and how long predicting each without it.

python -m tests.benchmarks.fit.speed [--drives 50]
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from logan.demo.routes import mixed_route
from logan.demo.twin import drive_twin
from logan.driving_range.coverage import leave_one_drive_out
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from tests.benchmarks.fit.twins import make_case, sensors_of


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--drives", type=int, default=50)
    count = parser.parse_args().drives
    case, rng = make_case(1), np.random.default_rng(7)
    distinct = [
        drive_twin(case.vehicle, mixed_route(rng, duration_s=3600.0), rng=rng, sensors=sensors_of(case)).to_drive()
        for _ in range(5)
    ]
    started = time.perf_counter()
    reduced = [segment_drive(drive, case.build) for drive in distinct]
    print(f"reducing one drive of one hour  {(time.perf_counter() - started) / len(distinct):6.3f} s")
    drives = [replace(reduced[number % 5], drive_id=str(number)) for number in range(count)]
    prior = prior_of(case.build)
    started = time.perf_counter()
    whole = fit(prior, drives, [], case.build)
    full_s = time.perf_counter() - started
    print(f"fit over {count} drives             {full_s:6.3f} s   {whole.segment_count} segments, {whole.message}")
    started = time.perf_counter()
    leave_one_drive_out(prior, drives, [], case.build)
    print(f"leaving each of {count} drives out  {time.perf_counter() - started:6.3f} s")


if __name__ == "__main__":
    main()
