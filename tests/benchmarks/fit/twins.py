"""Twins of known truth: how near the fit comes, and whether its intervals keep their promise.

    python -m tests.benchmarks.fit.twins [--count 100] [--seed 1] [--jobs 1]

Each twin has a plan that is wrong in every parameter. Six drives of half an hour are logged with pack power 0.3 s
late against the speed, height wrong by 2.5 m over half a minute, unknown wind up to 3 m/s, road load that differs by
3 % and auxiliaries by 15 % from day to day, and in every other twin friction brakes that no channel shows. Drag area
is judged on other drives: one hour of mixed driving, and four coastdown pairs on another day.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from logan.demo.routes import coastdown_route, highway_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinVehicle, TwinWeather, drive_twin
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.fit_result import FitResult
from logan.model.priors import prior_of
from logan.model.segments_table import DriveSegments
from logan.settings import BuildSettings, PlanningValue
from tests.builds import example_build

MPH = 0.44704
REFERENCE = TwinWeather(ambient_temperature_degc=20.0)
SPEED_M_PER_S = 65 * MPH


@dataclass(frozen=True)
class TwinCase:
    """One twin, its wrong plan, and whether its brakes are logged."""

    vehicle: TwinVehicle
    build: BuildSettings
    brakes_logged: bool
    seed: int


@dataclass(frozen=True)
class TwinOutcome:
    """What the fit made of one twin."""

    consumption_error: float
    planned_error: float
    z: float
    is_covered: bool
    drag_error: float


def make_case(seed: int) -> TwinCase:
    """A twin drawn around typical values, and a plan drawn around the twin as wide as it says."""
    rng = np.random.default_rng(seed)
    truth = {
        "mass_kg": rng.uniform(1200, 2400),
        "drag_area_m2": rng.uniform(0.6, 1.3),
        "rolling_coefficient": rng.uniform(0.008, 0.014),
        "drive_efficiency_ratio": rng.uniform(0.83, 0.91),
        "regen_efficiency_ratio": rng.uniform(0.72, 0.86),
        "auxiliary_power_w": rng.uniform(250.0, 700.0),
    }
    brakes_logged = seed % 2 == 0
    vehicle = TwinVehicle(
        **truth,
        regen_power_limit_w=60_000.0 if brakes_logged else 25_000.0,
        rotating_mass_ratio=rng.uniform(0.03, 0.05),
        rolling_temperature_coefficient_per_k=0.008 * float(np.exp(rng.normal(0.0, 0.4))),
        tyre_warm_up_ratio=rng.uniform(0.0, 0.5),
    )
    width = {"mass_kg": 0.03, "drag_area_m2": 0.10, "rolling_coefficient": 0.15, "drive_efficiency_ratio": 0.03,
             "regen_efficiency_ratio": 0.06, "auxiliary_power_w": 0.30}  # fmt: skip
    plan = {
        name: PlanningValue(value * np.exp(rng.normal(0, width[name])), value * width[name], "drawn")
        for name, value in truth.items()
    }
    base = example_build()
    build = replace(
        base,
        vehicle=replace(
            base.vehicle, mass_kg=plan["mass_kg"], drag_area_m2=plan["drag_area_m2"],
            rolling_coefficient=plan["rolling_coefficient"], wheel_inertia_kg_m2=4.0,
            tyre_rolling_circumference_m=PlanningValue(1.98, 0.02),
        ),
        powertrain=replace(
            base.powertrain, drive_efficiency=plan["drive_efficiency_ratio"],
            regen_efficiency=plan["regen_efficiency_ratio"], regen_power_limit_w=None,
        ),
        # The twins have no heater and no air conditioning.
        auxiliary=replace(
            base.auxiliary, base_power_w=plan["auxiliary_power_w"], heater_limit_w=0.0, air_conditioning_limit_w=0.0
        ),
    )  # fmt: skip
    return TwinCase(vehicle, build, brakes_logged, seed)


def sensors_of(case: TwinCase) -> TwinSensors:
    """The logger of a case."""
    hidden = ("dcdc_power",) if case.brakes_logged else ("dcdc_power", "brake_switch", "brake_pressure")
    return TwinSensors(pack_lag_s=0.3, elevation_sigma_m=2.5, elevation_correlation_s=30.0, without=hidden)


def log_drives(case: TwinCase, *, coastdowns: bool = False, hours: float = 3.0) -> list[DriveSegments]:
    """Drives of a twin, as the fit sees them."""
    rng = np.random.default_rng(10_000 + case.seed)
    if coastdowns:
        routes = [mixed_route(rng, duration_s=3600.0), coastdown_route(rng, pairs=4)]
    else:
        routes = [
            urban_route(rng, duration_s=hours * 600), mixed_route(rng, duration_s=hours * 600),
            highway_route(rng, duration_s=hours * 600), urban_route(rng, duration_s=hours * 600),
            mixed_route(rng, duration_s=hours * 600), highway_route(rng, duration_s=hours * 600, speed_mph=70.0),
        ]  # fmt: skip
    segments = []
    for number, route in enumerate(routes):
        weather = TwinWeather(
            ambient_temperature_degc=rng.uniform(5, 30),
            wind_m_per_s=rng.uniform(0, 3),
            wind_from_deg=rng.uniform(0, 360),
        )
        # Every day differs a little: tyres, traffic, what is switched on.
        level = float(np.exp(rng.normal(0.0, 0.03)))
        today = replace(
            case.vehicle,
            drag_area_m2=case.vehicle.drag_area_m2 * level,
            rolling_coefficient=case.vehicle.rolling_coefficient * level,
            auxiliary_power_w=case.vehicle.auxiliary_power_w * float(np.exp(rng.normal(0.0, 0.15))),
        )
        drive = drive_twin(today, route, rng=rng, weather=weather, sensors=sensors_of(case)).to_drive()
        segments.append(segment_drive(drive, case.build, drive_id=str(number + 1)))
    return segments


def steady_consumption(result: FitResult) -> tuple[float, float]:
    """Consumption at 65 mph [Wh/km] from the posterior: median, and standard deviation of its logarithm."""
    mass, drag, rolling, drive, _, auxiliary = result.posterior.median
    fall = result.learned.values["rolling_temperature_coefficient_per_k"].value
    rolling_n = mass * 9.80665 * rolling * (1 + fall * 5.0)
    air_n = 0.5 * REFERENCE.air_density_kg_per_m3 * drag * SPEED_M_PER_S**2
    total = (rolling_n + air_n) / drive + auxiliary / SPEED_M_PER_S
    gradient = np.array([rolling_n / drive, air_n / drive, rolling_n / drive, -(rolling_n + air_n) / drive, 0.0,
                         auxiliary / SPEED_M_PER_S]) / total  # fmt: skip
    return total / 3.6, float(np.sqrt(gradient @ result.posterior.log_covariance @ gradient))


def run(seed: int) -> TwinOutcome:
    """Fit one twin."""
    case = make_case(seed)
    prior = prior_of(case.build)
    result = fit(prior, log_drives(case), [], case.build)
    truth = case.vehicle.steady_consumption_wh_per_km(SPEED_M_PER_S, REFERENCE)
    found, sigma = steady_consumption(result)
    planned, _ = steady_consumption(fit(prior, [], [], case.build))
    z = float(np.log(found / truth) / sigma)
    coast = fit(prior, log_drives(case, coastdowns=True), [], case.build)
    drag_error = float(coast.posterior.median[1] / case.vehicle.drag_area_m2 - 1.0)
    return TwinOutcome(found / truth - 1.0, planned / truth - 1.0, z, abs(z) < 1.645, drag_error)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    started = time.perf_counter()
    seeds = range(options.seed, options.seed + options.count)
    if options.jobs > 1:
        with ProcessPoolExecutor(options.jobs) as pool:
            outcomes = list(pool.map(run, seeds))
    else:
        outcomes = [run(seed) for seed in seeds]
    for name in ("consumption_error", "planned_error", "drag_error"):
        signed = np.array([getattr(outcome, name) for outcome in outcomes])
        size = np.abs(signed)
        print(f"{name:18s} median {np.median(size):6.2%}  p90 {np.quantile(size, 0.9):6.2%}  bias {signed.mean():+.2%}")
    within = np.mean([abs(outcome.drag_error) <= 0.05 for outcome in outcomes])
    print(f"drag area within 5 % after one hour and four coastdown pairs in {within:.0%}")
    hidden = np.array([abs(outcome.consumption_error) for outcome in outcomes])
    odd = np.arange(options.seed, options.seed + options.count) % 2 == 1
    print(f"brakes unlogged    median {np.median(hidden[odd]):6.2%}  logged {np.median(hidden[~odd]):6.2%}")
    covered = np.mean([outcome.is_covered for outcome in outcomes])
    spread = np.sqrt(np.mean([outcome.z**2 for outcome in outcomes]))
    print(f"90 % interval holds the truth in {covered:.0%} of {len(outcomes)} twins; z rms {spread:.2f}")
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
