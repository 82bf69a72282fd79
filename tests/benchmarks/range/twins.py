"""Plan and refined prediction of whole schedules against what a twin then really uses.

    python -m tests.benchmarks.range.twins [--count 20] [--seed 1]

Each twin has a plan that is wrong in every parameter. It is fitted to six logged drives, then it drives the
published schedules on days of its own, whose wind and spread nobody tells the prediction.
"""

from __future__ import annotations

import argparse
import dataclasses

import numpy as np

from logan.demo.routes import route_of
from logan.demo.twin import TwinWeather, drive_twin
from logan.drive_cycles.cycles import load_cycle
from logan.driving_range.prediction import RangePrediction, predict_range
from logan.driving_range.scenarios import PreparedScenario, prepare_scenarios
from logan.driving_range.sensitivity import Standpoint
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.settings import Scenario, ScenarioKind
from tests.benchmarks.fit.twins import TwinCase, log_drives, make_case

AMBIENTS_DEGC = (20.0, 5.0)
CYCLES = ("udds", "hwfet", "us06", "wltc_3b")


def scenarios() -> tuple[Scenario, ...]:
    """Every packaged schedule, mild and cold, without cabin climate since the twins have none."""
    return tuple(
        Scenario(
            name=f"{cycle} {ambient:.0f} °C",
            kind=ScenarioKind.CYCLE,
            cycle=cycle,
            ambient_temperature_degc=ambient,
            cabin_climate=False,
        )
        for cycle in CYCLES
        for ambient in AMBIENTS_DEGC
    )


def driven_wh_per_km(case: TwinCase, scenario: Scenario, rng: np.random.Generator) -> float:
    """What the twin takes from its pack on a schedule, in a wind of its own."""
    schedule = load_cycle(scenario.cycle)
    weather = TwinWeather(
        ambient_temperature_degc=scenario.ambient_temperature_degc,
        wind_m_per_s=rng.uniform(0, 3),
        wind_from_deg=rng.uniform(0, 360),
    )
    # The same day-to-day spread as in the drives that were logged; the schedules start with warm tyres.
    level = float(np.exp(rng.normal(0.0, 0.03)))
    vehicle = dataclasses.replace(
        case.vehicle,
        tyre_warm_up_ratio=0.0,
        drag_area_m2=case.vehicle.drag_area_m2 * level,
        rolling_coefficient=case.vehicle.rolling_coefficient * level,
        auxiliary_power_w=case.vehicle.auxiliary_power_w * float(np.exp(rng.normal(0.0, 0.15))),
    )
    driven = drive_twin(vehicle, route_of(schedule.time_s, schedule.speed_m_per_s, rng=rng), rng=rng, weather=weather)
    return driven.net_wh / driven.distance_m * 1000.0


def predictions(case: TwinCase, prepared: tuple[PreparedScenario, ...]) -> tuple[RangePrediction, RangePrediction]:
    """The plan's prediction and the refined one."""
    build, rng = case.build, np.random.default_rng(case.seed)
    planned = Standpoint.of_plan(build)
    plan = predict_range(planned, build, prepared, rng=rng, samples=4000)
    result = fit(prior_of(build), log_drives(case), (), build)
    learned = dataclasses.replace(Standpoint.of_fit(build, result), usable=planned.usable)
    refined = predict_range(learned, build, prepared, rng=rng, samples=4000)
    return plan, refined


def main() -> None:
    """Print errors and coverage of both predictions."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    prepared = prepare_scenarios(scenarios(), lambda scenario: load_cycle(scenario.cycle))
    errors: dict[str, list[float]] = {"plan": [], "refined": []}
    covered: dict[str, list[bool]] = {"plan": [], "refined": []}
    widths: dict[str, list[float]] = {"plan": [], "refined": []}
    for seed in range(arguments.seed, arguments.seed + arguments.count):
        case = make_case(seed)
        rng = np.random.default_rng(20_000 + seed)
        truths = [driven_wh_per_km(case, scenario.scenario, rng) for scenario in prepared]
        for name, prediction in zip(("plan", "refined"), predictions(case, prepared), strict=True):
            for truth, found in zip(truths, prediction.scenarios, strict=True):
                used = found.consumption
                errors[name].append(abs(used.p50 / truth - 1.0))
                covered[name].append(used.p05 <= truth <= used.p95)
                widths[name].append(0.5 * (used.p95 - used.p05) / used.p50)
    count = len(errors["plan"])
    print(f"{arguments.count} twins, {count} schedules driven")
    for name in ("plan", "refined"):
        error = np.array(errors[name])
        print(
            f"{name:8s} error median {np.median(error):6.1%}  90th percentile {np.quantile(error, 0.9):6.1%}  "
            f"90 % interval held {np.mean(covered[name]):4.0%}  half-width {np.mean(widths[name]):5.1%}"
        )
    print(f"refined over plan, median error: {np.median(errors['refined']) / np.median(errors['plan']):.2f}")


if __name__ == "__main__":
    main()
