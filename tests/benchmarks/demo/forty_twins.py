"""The demo forty times over: other truths, other roads, other weather, the same plan and the same commands.

    python -m tests.benchmarks.demo.forty_twins [--count 40] [--seed 1]

Each twin is drawn around the demo's plan as wide as the plan says it may be wrong, its brakes drag by chance, and it
drives six times. The logs are written as candump and imported, fitted and predicted as `logan` does it; what is
compared is consumption at a steady 65 mph in mild weather, which only the twin knows.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from logan.demo.conversion import DEMO_DRIVES, SENSORS, TRUTH, write_build, write_log
from logan.demo.twin import TwinVehicle, TwinWeather, drive_twin
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from logan.pipeline.plan import make_plan
from logan.pipeline.plan_files import freeze_plan
from logan.pipeline.refine import refine_build
from logan.results import Quantiles

SIXTY_FIVE_MPH = 65 * 0.44704


@dataclass(frozen=True)
class Outcome:
    """Truth and both predictions of one twin. [Wh/km]"""

    truth: float
    planned: Quantiles
    refined: Quantiles


def draw_twin(rng: np.random.Generator) -> TwinVehicle:
    """A vehicle that the demo's plan could have been made for."""
    return replace(
        TRUTH,
        mass_kg=1600.0 * float(np.exp(rng.normal(0.0, 60 / 1600))),
        drag_area_m2=0.95 * float(np.exp(rng.normal(0.0, 0.09 / 0.95))),
        rolling_coefficient=0.0108 * float(np.exp(rng.normal(0.0, 0.0016 / 0.0108))),
        dragging_brake_n=float(rng.choice([0.0, rng.uniform(10.0, 40.0)])),
        drive_efficiency_ratio=float(rng.normal(0.88, 0.02)),
        regen_efficiency_ratio=float(rng.normal(0.80, 0.05)),
        auxiliary_power_w=400.0 * float(np.exp(rng.normal(0.0, 0.28))),
    )


def run(seed: int) -> Outcome:
    """Take one twin through the whole job."""
    rng = np.random.default_rng([20_261_125, seed])
    vehicle = draw_twin(rng)
    with tempfile.TemporaryDirectory() as place:
        folder = BuildFolder(Path(place))
        write_build(folder.path)
        freeze_plan(make_plan(folder.settings(), np.random.default_rng(1)), folder.plans)
        for demo in DEMO_DRIVES:
            weather = TwinWeather(
                ambient_temperature_degc=demo.weather.ambient_temperature_degc + float(rng.normal(0.0, 4.0)),
                wind_m_per_s=float(rng.uniform(0.0, 3.0)),
                wind_from_deg=float(rng.uniform(0.0, 360.0)),
            )
            drive = drive_twin(
                vehicle, demo.make_route(rng), rng=rng, weather=weather, sensors=SENSORS,
                start_state_of_charge_ratio=demo.start_state_of_charge_ratio, start_ns=demo.start_ns,
            )  # fmt: skip
            import_logs(folder, [write_log(folder.path, demo, drive)])
        found = refine_build(folder, np.random.default_rng(1)).range
    return Outcome(
        truth=vehicle.steady_consumption_wh_per_km(SIXTY_FIVE_MPH, TwinWeather()),
        planned=found.planned.scenario("highway 65").consumption,
        refined=found.refined.scenario("highway 65").consumption,
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    started = time.perf_counter()
    outcomes = []
    for seed in range(options.seed, options.seed + options.count):
        one = run(seed)
        outcomes.append(one)
        error = one.refined.p50 / one.truth - 1.0
        print(f"twin {seed:3d}: truth {one.truth:5.1f}, planned {one.planned.p50:5.1f}, refined {one.refined.p50:5.1f} "
              f"Wh/km ({error:+.2%})", flush=True)  # fmt: skip
    for name in ("planned", "refined"):
        found = [(getattr(one, name), one.truth) for one in outcomes]
        size = np.abs([quantiles.p50 / truth - 1.0 for quantiles, truth in found])
        held = np.mean([quantiles.p05 <= truth <= quantiles.p95 for quantiles, truth in found])
        print(
            f"{name}: median error {np.median(size):.2%}, 90th percentile {np.quantile(size, 0.9):.2%}, within 2 % in "
            f"{np.mean(size <= 0.02):.0%}; 90 % interval holds the truth in {held:.0%} of {len(found)}"
        )
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
