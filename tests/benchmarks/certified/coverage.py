"""Hold the plan against certified vehicles left out of its priors; run: python -m tests.benchmarks.certified.coverage.

Every vehicle is a ``build.toml`` that is read as a user's, with priors fitted without it (``--makers`` leaves out
whole makers). Printed: median and 90th percentile of the error, share within the 90 % interval, and half its width;
with the coefficients given; with body class, weight and tires alone; and one schedule learned from the other.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np

from logan.configuration.build import read_build
from logan.drive_cycles.cycles import load_cycle
from logan.driving_range import certification_sheet as sheets
from logan.driving_range.usable_energy import usable_energy_of
from logan.model import certified
from logan.settings import BuildSettings, PlanningValue
from tests.benchmarks.certified.priors import COOL, folds, spread_scales, without_slips
from tests.certified_vehicles import CertifiedVehicle, certified_vehicles

CLASS_ALONE = 'body_class = "modern_sedan"\ntyre_class = "low_resistance_radial"'
MILE_KM = 1.609344
SAMPLES = 2_000


def build_of(vehicle: CertifiedVehicle, road_load: str | None = None) -> BuildSettings:
    """Read a vehicle's settings as a user's."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "build.toml"
        path.write_text(vehicle.build_toml(road_load=road_load), encoding="utf-8")
        return read_build(path)


def with_population(build: BuildSettings, p: np.ndarray, spread: np.ndarray) -> BuildSettings:
    """Put a population in place of the house's priors."""

    def value(log_mean: float, log_sigma: float, source: str) -> PlanningValue:
        mean = float(np.exp(log_mean))
        return PlanningValue(mean, mean * float(np.sqrt(np.expm1(log_sigma**2))), source)

    # The list's spread of efficiency times charging, plus what is not known about their parts.
    drive = np.sqrt(spread[0] ** 2 - certified.CHARGING_OWN_SIGMA**2 + certified.SPLIT_LOG_SIGMA**2)
    four = float(build.vehicle.driven_wheels == "all")
    powertrain = replace(
        build.powertrain,
        drive_efficiency=value(p[0], drive, certified.SOURCE),
        regen_efficiency=value(p[1] + four * p[2], spread[1], certified.SOURCE),
    )
    return replace(
        build,
        powertrain=powertrain,
        auxiliary=replace(build.auxiliary, base_power_w=value(p[3], spread[2], certified.SOURCE)),
    )


def errors_of(
    vehicle: CertifiedVehicle, build: BuildSettings, known: dict[str, float] | None = None
) -> dict[str, tuple[float, bool, float]]:
    """Error, whether the interval holds, and half its width, by schedule. [ratio]"""
    cycles = {name: load_cycle(name) for name in sheets.SCHEDULES}
    found = sheets.certification_sheet(
        build,
        cycles,
        usable=usable_energy_of(build),
        rng=np.random.default_rng(1),
        known_wall_wh_per_km=known,
        samples=SAMPLES,
    )
    result = {}
    for name, wall in zip(sheets.SCHEDULES, vehicle.wall_wh_per_mi, strict=True):
        span = found.schedule(name).wall
        true = wall / MILE_KM
        half = 0.5 * (span.p95 - span.p05) / span.p50
        result[name] = (float(np.log(true / span.p50)), span.p05 <= true <= span.p95, half)
    return result


def main() -> None:
    """Print the tables."""
    vehicles = certified_vehicles()
    makers = np.array([vehicle.udds_test[1:4] for vehicle in vehicles])
    fold = makers if "--makers" in sys.argv else folds(len(vehicles))
    scales = spread_scales()
    rows: dict[str, list[tuple[CertifiedVehicle, str, float, bool, float]]] = defaultdict(list)
    slips: set[str] = set()
    for part in np.unique(fold):
        p, flagged = without_slips([v for v, own in zip(vehicles, fold, strict=True) if own != part])
        slips |= {vehicle.udds_test for vehicle in flagged}
        spread = np.exp(p[5:]) * scales
        sheets.COOL_TIRE_FACTOR, sheets.SCHEDULE_LOG_SIGMA = 1.0 + p[COOL], float(spread[3])  # type: ignore[misc]
        for vehicle in (v for v, own in zip(vehicles, fold, strict=True) if own == part):
            udds, hwfet = (wall / MILE_KM for wall in vehicle.wall_wh_per_mi)
            given = with_population(build_of(vehicle), p, spread)
            for way, found in (
                ("coefficients", errors_of(vehicle, given)),
                ("class alone", errors_of(vehicle, with_population(build_of(vehicle, CLASS_ALONE), p, spread))),
                ("HWFET from UDDS", {"hwfet": errors_of(vehicle, given, {"udds": udds})["hwfet"]}),
                ("UDDS from HWFET", {"udds": errors_of(vehicle, given, {"hwfet": hwfet})["udds"]}),
            ):
                rows[way] += [(vehicle, name, *figures) for name, figures in found.items()]
    for way, found in rows.items():
        print(f"\n{way:28s}{'n':>4s}{'bias %':>8s}{'median':>8s}{'90 %':>7s}{'held %':>8s}{'± %':>6s}")
        for name in sheets.SCHEDULES:
            groups = {"all": [row for row in found if row[1] == name]}
            for wheels in ("front", "rear", "all"):
                groups[f"{wheels} wheels"] = [r for r in groups["all"] if r[0].driven_wheels == wheels]
            for year in sorted({vehicle.model_year for vehicle in vehicles}):
                groups[str(year)] = [r for r in groups["all"] if r[0].model_year == year]
            for group, members in groups.items():
                if members:
                    error, held, half = (np.array([row[index] for row in members], dtype=float) for index in (2, 3, 4))
                    print(
                        f"  {name:8s}{group:18s}{error.size:4d}{100 * error.mean():8.1f}"
                        f"{100 * np.median(abs(error)):8.1f}{100 * np.quantile(abs(error), 0.9):7.1f}"
                        f"{100 * held.mean():8.1f}{100 * half.mean():6.1f}"
                    )
    print(f"\nflagged as slips of the list, not fitted, counted above: {', '.join(sorted(slips))}")


if __name__ == "__main__":
    main()
