"""Time a 10,000-sample range distribution in ten scenarios; run: python -m tests.benchmarks.range.distribution."""

from __future__ import annotations

import dataclasses
import time

import numpy as np

from logan.drive_cycles.cycles import CYCLE_SOURCES, load_cycle
from logan.driving_range.prediction import predict_range
from logan.driving_range.scenarios import prepare_scenarios
from logan.driving_range.sensitivity import Standpoint
from logan.model.forward import consumption, consumption_wh_per_km
from logan.model.parameters import Conditions
from logan.model.priors import prior_of
from logan.settings import Scenario, ScenarioKind
from tests.builds import MPH, example_build

SAMPLES = 10_000
ROUNDS = 5


def ten_scenarios() -> tuple[Scenario, ...]:
    """Every cycle, three steady speeds, two cold ones whose regen is limited, and a mix of two cycles."""
    cycles = [Scenario(name=name, kind=ScenarioKind.CYCLE, cycle=name) for name in CYCLE_SOURCES]
    steady = [
        Scenario(name=f"{mph} mph", kind=ScenarioKind.STEADY, speed_m_per_s=mph * MPH) for mph in (45.0, 65.0, 75.0)
    ]
    cold = [
        Scenario(
            name=f"cold {name}", kind=ScenarioKind.CYCLE, cycle=name, ambient_temperature_degc=-7.0, warm_start=False
        )
        for name in ("udds", "us06")
    ]
    mixed = Scenario(name="mixed", kind=ScenarioKind.MIX, parts={"udds": 0.55, "hwfet": 0.45})
    return (*cycles, *steady, *cold, mixed)


def main() -> None:
    """Print the time of the whole prediction, and of the fast total against the breakdown and a plain loop."""
    build = dataclasses.replace(example_build(), scenarios=ten_scenarios())
    known, prior = Standpoint.of_plan(build), prior_of(build)
    prepared = prepare_scenarios(build.scenarios, lambda scenario: load_cycle(scenario.cycle))

    def whole() -> None:
        predict_range(known, build, prepared, rng=np.random.default_rng(1), samples=SAMPLES)

    samples = prior.sample(SAMPLES, np.random.default_rng(1))
    udds, still = load_cycle("udds"), Conditions()
    best = {
        "10 scenarios, 10,000 samples": best_s(whole),
        "UDDS, fast total": best_s(lambda: consumption_wh_per_km(udds, still, samples, build)),
        "UDDS, by cause": best_s(lambda: consumption(udds, still, samples, build)),
        "UDDS, sample by sample (1 % of them)": best_s(
            lambda: [consumption_wh_per_km(udds, still, row, build) for row in samples[:: SAMPLES // 100]]
        ),
    }
    for name, seconds in best.items():
        print(f"{name:40s} {seconds:7.3f} s")
    fast = best["UDDS, fast total"]
    print(f"{'by cause / fast total':40s} {best['UDDS, by cause'] / fast:7.1f}")
    print(f"{'sample by sample / fast total':40s} {100 * best['UDDS, sample by sample (1 % of them)'] / fast:7.1f}")


def best_s(work: object) -> float:
    """Shortest of several runs, so that other work on the machine counts least."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()  # type: ignore[operator]
        times.append(time.perf_counter() - start)
    return min(times)


if __name__ == "__main__":
    main()
