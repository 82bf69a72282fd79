"""Leave-one-drive-out error of trip net energy on a folder of drives of one real vehicle.

    python -m tests.benchmarks.fit.real_drives FOLDER

The folder holds CSV files (plain or gzip, ``;``-separated, latin-1) of a public data set: battery voltage and
current (negative on discharge), speed, elevation rounded to metres, heater and air-conditioning power, outside
temperature. The build is made of public facts: 1390 kg with driver, drag area 0.69 m2, rolling coefficient 0.010.
"""

from __future__ import annotations

import argparse
import re
import time
from pathlib import Path

import numpy as np
import pandas as pd

from logan.drive.drive import Channel, Drive
from logan.driving_range.coverage import LeftOutDrive, predict_left_out
from logan.model.balance import segment_drive
from logan.model.priors import TYPICAL_COOLING_W_PER_K, TYPICAL_HEATING_W_PER_K, prior_of
from logan.settings import (
    AuxiliarySettings,
    BuildSettings,
    GearingChoice,
    LimitSheet,
    MotorSettings,
    PackSettings,
    PlanningValue,
    PowertrainSettings,
    Reduction,
    Target,
    VehicleSettings,
)

COLUMNS = {
    "speed": (r"Velocity \[km/h\]", 1 / 3.6),
    "elevation": (r"Elevation \[m\]", 1.0),
    "pack_voltage": (r"Battery Voltage \[V\]", 1.0),
    "pack_current": (r"Battery Current \[A\]", -1.0),
    "heater_power": (r"Heating Power CAN \[kW\]", 1000.0),
    "air_conditioning_power": (r"AirCon Power \[kW\]", 1000.0),
    "ambient_temperature": (r"Ambient Temperature \[.C\]", 1.0),
}


def small_city_car() -> BuildSettings:
    """Public facts of a small electric city car; typical values for what is not published."""
    return BuildSettings(
        name="small city car",
        vehicle=VehicleSettings(
            mass_kg=PlanningValue(1390.0, 40.0, "public fact"),
            drag_area_m2=PlanningValue(0.69, 0.05, "public fact"),
            rolling_coefficient=PlanningValue(0.010, 0.0015, "public fact"),
            tyre_rolling_circumference_m=PlanningValue(2.13, 0.03, "common practice"),
        ),
        powertrain=PowertrainSettings(
            drive_efficiency=PlanningValue(0.88, 0.025, "common practice"),
            regen_efficiency=PlanningValue(0.82, 0.05, "common practice"),
            gearing=GearingChoice(name="single", reductions=(Reduction(name="single", ratio=9.7),)),
            motor=MotorSettings(
                max_speed_rpm=11_400.0, max_torque_nm=250.0, max_power_w=125_000.0, rotor_inertia_kg_m2=0.03
            ),
        ),
        pack=PackSettings(
            cells_in_series=96,
            cells_in_parallel=1,
            cell_capacity_ah=PlanningValue(60.0, 2.0),
            resistance_ohm=PlanningValue(0.1, 0.03),
            usable_energy_wh=PlanningValue(18_800.0, 500.0),
        ),
        auxiliary=AuxiliarySettings(
            base_power_w=PlanningValue(350.0, 150.0, "common practice"),
            heating_w_per_k=TYPICAL_HEATING_W_PER_K,
            cooling_w_per_k=TYPICAL_COOLING_W_PER_K,
            heater_limit_w=5_000.0,
            air_conditioning_limit_w=2_000.0,
        ),
        limits=LimitSheet(),
        scenarios=(),
        target=Target(range_m=150e3, scenario="steady"),
    )


def read_drive(path: Path) -> Drive:
    """One CSV file as a drive."""
    table = pd.read_csv(path, sep=";", encoding="latin-1")
    names = {str(column).strip(): column for column in table.columns}
    time_s = table[names["Time [s]"]].to_numpy(float)
    keep = np.concatenate(([True], np.diff(time_s) > 0))
    channels = {}
    for channel, (pattern, factor) in COLUMNS.items():
        column = next((names[name] for name in names if re.fullmatch(pattern, name)), None)
        if column is not None:
            value = table[column].to_numpy(float) * factor
            channels[channel] = Channel(name=channel, time_s=time_s[keep], value=value[keep])
    return Drive(channels=channels)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    build, started = small_city_car(), time.perf_counter()
    paths = sorted([*folder.glob("*.csv"), *folder.glob("*.csv.gz")])
    segments = [segment_drive(read_drive(path), build, drive_id=path.name.split(".")[0]) for path in paths]
    for drive in segments:
        if drive.refusal:
            print(f"{drive.drive_id} takes no part: {drive.refusal}")
    print(f"{len(segments)} drives reduced in {time.perf_counter() - started:.1f} s")
    usable = [drive for drive in segments if not drive.refusal]
    for model in ("constant", "loss terms"):
        started = time.perf_counter()
        show(model, predict_left_out(prior_of(build), usable, [], build, efficiency_model=model))
        print(f"{time.perf_counter() - started:.1f} s\n")


def show(model: str, rows: tuple[LeftOutDrive, ...]) -> None:
    """Print drive by drive, then the errors beside the rows to beat."""
    print(f"efficiency model: {model}")
    for row in rows:
        mark = " " if row.is_covered else "!"
        print(
            f"  {row.drive_id:12s} {row.distance_m / 1000:6.1f} km  measured {row.measured_wh:6.0f} Wh  predicted "
            f"{row.predicted_wh:6.0f} ({row.low_wh:.0f} to {row.high_wh:.0f}){mark} {row.error_ratio:+.1%}"
        )
    measured = np.array([row.measured_wh for row in rows])
    for name in ("predicted", "planned", "naive"):
        error = np.abs(np.array([getattr(row, f"{name}_wh") for row in rows]) / measured - 1.0)
        print(f"  {name:10s} median {np.median(error):.1%}  mean {error.mean():.1%}  p90 {np.quantile(error, 0.9):.1%}")
    print(f"  90 % interval holds {np.mean([row.is_covered for row in rows]):.0%} of {len(rows)} drives")


if __name__ == "__main__":
    main()
