"""Does noise in heights, gusts or traffic pull what a fit learns to one side?

    python -m tests.benchmarks.fit.bias [--count 12] [--seed 1] [--drives 8] [--heights 1 3 5] [--wind 1.4]

The vehicles are those of ``other_structure`` with every trait that the fit does not know put at nothing and every
trait that it knows at its prior's mean, and the plan states the truth: only data can pull then. Each error is judged
by the fit's own standard deviation; what it may be is a third of that on the mean. Seeds are the same at all noises.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.model import unknowns
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.physics.tyre import WARM_UP_RISE_RATIO
from logan.settings import PlanningValue
from tests.benchmarks.fit import other_structure as other
from tests.benchmarks.fit.coverage import KINDS, WIDTH, build_of

NAMES = {"mass": "mass_kg", "drag": "drag_area_m2", "rolling": "rolling_coefficient",
         "drive": "drive_efficiency_ratio", "regen": "regen_efficiency_ratio"}  # fmt: skip


def as_the_fit_thinks(rng):
    """A vehicle whose structure is the fit's, with true sensors."""
    return replace(
        other.OtherVehicle.draw(rng, has_gnss=True),
        tire_rise=unknowns.TIRE_RISE_RATIO[0], cold_per_k=unknowns.COLD_PER_K, warm_up=WARM_UP_RISE_RATIO,
        driveline_n=unknowns.DRIVELINE_DRAG_N[False][0], driveline_n_s_per_m=unknowns.DRIVELINE_N_S_PER_M[False][0],
        cold_oil=0.0,
        copper_w_per_n2=unknowns.COPPER_LOSS_W_PER_N2[0], iron_w_s_per_m=0.0, inverter_w=unknowns.CONSTANT_LOSS_W[0],
        regen_cap_w=1e6, friction_share=0.0, yaw_rise=0.0, current_gain=0.0, current_zero_a=0.0, speed_gain=0.0,
    )  # fmt: skip


def truth_of(vehicle):
    """True values by name, the losses that the fit names taken out of the efficiencies."""
    ratio = vehicle.inverter_ratio + vehicle.gear_ratio
    return {"mass": vehicle.mass_kg, "drag": vehicle.drag_area_m2, "rolling": vehicle.rolling,
            "drive": 1.0 / (1.0 + ratio), "regen": 1.0 - ratio}  # fmt: skip


def plan_of(vehicle):
    """A build that states the truth, as wide as elsewhere."""
    build, truth = build_of(vehicle, np.random.default_rng(0)), truth_of(vehicle)
    drive, regen = vehicle.efficiencies()  # with the losses that the fit names in them, as a plan states them
    stated = truth | {"drive": drive, "regen": regen}
    plan = {
        name: PlanningValue(float(value), float(value * WIDTH[name]), "the truth") for name, value in stated.items()
    }
    auxiliary = PlanningValue(vehicle.auxiliary_w, vehicle.auxiliary_w * WIDTH["auxiliary"], "the truth")
    return replace(
        build,
        vehicle=replace(
            build.vehicle, mass_kg=plan["mass"], drag_area_m2=plan["drag"], rolling_coefficient=plan["rolling"]
        ),
        powertrain=replace(build.powertrain, drive_efficiency=plan["drive"], regen_efficiency=plan["regen"]),
        auxiliary=replace(build.auxiliary, base_power_w=auxiliary),
    )


def run(seed, drive_count, noise_m, wind_m_per_s):
    """Log errors and standardised errors of one vehicle, each shape (5,), and the log error of mass over efficiency."""
    rng = np.random.default_rng(seed)
    vehicle = as_the_fit_thinks(rng)
    build, truth = plan_of(vehicle), truth_of(vehicle)
    drives = []
    for number in range(drive_count):
        time_s, columns, _, _ = other.drive(
            vehicle, rng, kind=KINDS[number % 3], height_sigma_m=noise_m, wind_sigma_m_per_s=wind_m_per_s
        )
        channels = {name: Channel(name=name, time_s=time_s, value=value) for name, value in columns.items()}
        drives.append(segment_drive(Drive(channels=channels), build, drive_id=str(number)))
    result = fit(prior_of(build), drives, [], build)
    found = {name: result.estimate(key) for name, key in NAMES.items()}
    error = np.array([np.log(found[name].value / truth[name]) for name in NAMES])
    sigma = np.array([found[name].sigma / found[name].value for name in NAMES])
    return error, error / sigma, error[0] - error[3]


def main():
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--drives", type=int, default=8)
    parser.add_argument("--heights", type=float, nargs="+", default=[1.0, 3.0, 5.0])
    parser.add_argument("--wind", type=float, default=1.4)
    options = parser.parse_args()
    started, seeds = time.perf_counter(), range(options.seed, options.seed + options.count)
    print(
        f"{options.drives} drives each, {options.count} vehicles; mean error (in sigma, ± standard error of that mean)"
    )
    for noise_m in options.heights:
        found = [run(seed, options.drives, noise_m, options.wind) for seed in seeds]
        error, scaled, ratio = (np.array(part) for part in zip(*found, strict=True))
        spread = scaled.std(axis=0, ddof=1) / np.sqrt(options.count)
        cells = [
            f"{name} {100 * error[:, k].mean():+.2f} % ({scaled[:, k].mean():+.2f} ± {spread[k]:.2f})"
            for k, name in enumerate(NAMES)
        ]
        print(f"heights ± {noise_m:g} m: " + "  ".join(cells) + f"  mass/efficiency {100 * ratio.mean():+.2f} %")
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
