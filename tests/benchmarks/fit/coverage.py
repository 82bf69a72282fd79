"""Do intervals of a fit hold the truth of vehicles built otherwise than the fit thinks?

    python -m tests.benchmarks.fit.coverage [--count 80] [--seed 1] [--drives 4 12] [--no-gnss]

Plans are drawn around the truth as wide as they say; every drive goes through reduction, the sensors' evidence and
corrections, the fit with its leave-one-out scale, and the prediction, as in the commands. "65 mph" is the mean of days
such as those driven: drives cannot tell still air from the wind that they always paid for, which is 1 to 2 % less.
A "new day" and its range go out and back, where wind all but cancels, and are asked for as a round trip; "one way" is
asked for as a scenario that is none. Each build meets twenty such days:
the median of 80 builds with one day each is good to 0.4 only.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.driving_range.other_values import learned_other_values
from logan.driving_range.prediction import draw_samples
from logan.driving_range.scenarios import prepare_scenarios
from logan.instruments.drive_evidence import drive_evidence
from logan.instruments.posterior import corrected, corrections, known_instruments
from logan.model.balance import segment_drive
from logan.model.sensor_errors import with_sensor_errors
from logan.pipeline.fit import fit_drives
from logan.settings import PlanningValue, Scenario, ScenarioKind
from tests.benchmarks.fit import other_structure as other
from tests.builds import example_build

KINDS = ("town", "country", "highway")
WIDTH = {"mass": 0.01, "drag": 0.10, "rolling": 0.15, "drive": 0.03, "regen": 0.06, "auxiliary": 0.3}
HIGHWAY = Scenario(
    name="65", kind=ScenarioKind.STEADY, speed_m_per_s=65 * other.MPH, ambient_temperature_degc=20.0,
    cabin_climate=False,
)  # fmt: skip
SAMPLES, NEW_DAYS = 4000, 20


def build_of(vehicle, rng):
    """A plan around the truth, as wide as it says; rolling resistance on the road, where drums read the tire alone."""
    drive, regen = vehicle.efficiencies()
    truth = {"mass": vehicle.mass_kg, "drag": vehicle.drag_area_m2, "rolling": vehicle.rolling, "drive": drive,
             "regen": regen * (1 - vehicle.friction_share), "auxiliary": vehicle.auxiliary_w}  # fmt: skip
    plan = {
        name: PlanningValue(value * float(np.exp(rng.normal(0, WIDTH[name]))), value * WIDTH[name], "drawn")
        for name, value in truth.items()
    }
    base = example_build()
    return replace(
        base,
        vehicle=replace(
            base.vehicle, mass_kg=plan["mass"], drag_area_m2=plan["drag"], rolling_coefficient=plan["rolling"],
            wheel_inertia_kg_m2=vehicle.mass_kg * vehicle.rotating_ratio * (1.98 / (2 * np.pi)) ** 2,
            tyre_rolling_circumference_m=PlanningValue(1.98, 0.02),
        ),
        powertrain=replace(
            base.powertrain, drive_efficiency=plan["drive"], regen_efficiency=plan["regen"], regen_power_limit_w=None,
            motor=replace(base.powertrain.motor, rotor_inertia_kg_m2=0.0),
        ),
        auxiliary=replace(
            base.auxiliary, base_power_w=plan["auxiliary"], heater_limit_w=0.0, air_conditioning_limit_w=0.0
        ),
    )  # fmt: skip


def run(seed, drive_counts, *, has_gnss):
    """Errors and standardised errors of one build, by number of drives and figure."""
    rng = np.random.default_rng(seed)
    vehicle = other.OtherVehicle.draw(rng, has_gnss=has_gnss)
    build = build_of(vehicle, rng)
    logged = []
    for number in range(max(drive_counts)):
        time_s, columns, _, _ = other.drive(vehicle, rng, kind=KINDS[number % 3], has_gnss=has_gnss)
        channels = {name: Channel(name=name, time_s=time_s, value=value) for name, value in columns.items()}
        logged.append(Drive(channels=channels))
    found = {}
    for count in drive_counts:
        evidence = [part for number, drive in enumerate(logged[:count]) for part in drive_evidence(drive, str(number))]
        instruments = known_instruments(build, evidence)
        applied = corrections(instruments)
        drives = [
            segment_drive(corrected(drive, applied), build, drive_id=str(number))
            for number, drive in enumerate(logged[:count])
        ]
        result = fit_drives(build, drives).fit
        result = with_sensor_errors(result, instruments.without(applied), build)
        found[count] = judged(vehicle, build, result, seed + 10_000)
    return found


def judged(vehicle, build, result, seed):
    """Each figure's log error, and where the truth lies among the samples."""
    rng = np.random.default_rng(seed)
    prepared, round_trip = prepare_scenarios((HIGHWAY, replace(HIGHWAY, round_trip=True)), lambda scenario: None)
    others = learned_other_values(build, result.learned)
    truth = float(np.mean([day_wh_per_km(vehicle, rng, level=1.0) for _ in range(200)]))
    samples = draw_samples(result.posterior, build, SAMPLES, rng, others=others).consumption_wh_per_km(prepared, build)
    days = draw_samples(
        result.posterior, build, SAMPLES, rng, others=others, level_sigma=result.level_sigma_ratio,
        wind_sigma_m_per_s=result.wind_sigma_m_per_s, auxiliary_sigma=result.auxiliary_sigma_ratio,
    )  # fmt: skip
    new_day, so = (days.consumption_wh_per_km(each, build) for each in (round_trip, prepared))
    days_there = np.array([day_wh_per_km(vehicle, rng) for _ in range(NEW_DAYS)])
    days_so = np.array([day_wh_per_km(vehicle, rng, is_return=False) for _ in range(NEW_DAYS)])
    used_wh, true_used_wh = (50_000.0 * np.exp(rng.normal(0, 0.03, count)) for count in (SAMPLES, NEW_DAYS))
    drag, rolling = result.estimate("drag_area_m2"), result.estimate("rolling_coefficient")
    return {
        "65 mph": of_samples(samples, truth),
        "new day": of_samples(new_day, days_there),
        "range": of_samples(used_wh / new_day, true_used_wh / days_there),
        "one way": of_samples(so, days_so),
        "range so": of_samples(used_wh / so, true_used_wh / days_so),
        "CdA": of_normal(drag, vehicle.drag_area_m2),
        "Crr": of_normal(rolling, vehicle.rolling),
        "mass": of_normal(result.estimate("mass_kg"), vehicle.mass_kg),
    }


def day_wh_per_km(vehicle, rng, *, level=None, is_return=True):
    """What a day's level and wind make of the truth at 65 mph: half of the way there and half back, or one way."""
    wind, side = abs(rng.normal(0, 1.4)), rng.uniform(0, 2 * np.pi)
    level = float(np.exp(rng.normal(0, 0.02))) if level is None else level
    along, cross = wind * np.cos(side), wind * np.sin(side)
    heads = (along, -along) if is_return else (along,)
    return np.mean([vehicle.steady_wh_per_km(level=level, head=head, cross=cross) for head in heads])


def of_samples(samples, truth):
    """Error, and share of the samples below the truth, or below each."""
    return np.median(samples) / truth - 1, np.mean(samples[:, None] < np.atleast_1d(truth), axis=0)


def of_normal(found, truth):
    """Error, and the truth's place in a normal."""
    from scipy.special import ndtr

    return found.value / truth - 1.0, float(ndtr((truth - found.value) / found.sigma))


def main():
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--drives", type=int, nargs="+", default=[4, 12])
    parser.add_argument("--no-gnss", action="store_true")
    options = parser.parse_args()
    started = time.perf_counter()
    rows = [run(seed, options.drives, has_gnss=not options.no_gnss) for seed in range(options.seed, options.seed + options.count)]  # fmt: skip  # noqa: E501
    for count in options.drives:
        print(f"{count} drives, {'no GNSS' if options.no_gnss else 'GNSS'}, {options.count} builds")
        for name in rows[0][count]:
            error, place = (np.concatenate([np.atleast_1d(row[count][name][k]) for row in rows]) for k in (0, 1))
            held = [100 * np.mean(np.abs(place - 0.5) < level / 2) for level in (0.5, 0.68, 0.9)]
            print(
                f"  {name:8s} median error {100 * np.median(np.abs(error)):4.1f} %  bias {100 * np.mean(error):+5.1f} %"
                "  "
                f"held of 50/68/90: {held[0]:3.0f}/{held[1]:3.0f}/{held[2]:3.0f}"
            )
    print(f"{time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
