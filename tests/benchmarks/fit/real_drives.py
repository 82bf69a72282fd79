"""Leave-one-drive-out error of trip net energy on a folder of drives of one real vehicle.

    python -m tests.benchmarks.fit.real_drives FOLDER

The folder holds CSV files (plain or gzip, ``;``-separated, latin-1) of a public data set: battery voltage and
current (negative on discharge), speed, elevation rounded to metres, heater and air-conditioning power, outside
temperature. The build is made of public facts: 1390 kg with driver, drag area 0.69 m2, rolling coefficient 0.010.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd

from logan.drive.drive import Channel, Drive
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
            motor=MotorSettings(max_speed_rpm=11_400.0, max_torque_nm=250.0, max_power_w=125_000.0, rotor_inertia_kg_m2=0.03),
        ),
        pack=PackSettings(
            cells_in_series=96,
            cells_in_parallel=1,
            cell_capacity_ah=PlanningValue(60.0, 2.0),
            resistance_ohm=PlanningValue(0.1, 0.03),
            usable_energy_wh=PlanningValue(18_800.0, 500.0),
        ),
        auxiliary=AuxiliarySettings(base_power_w=PlanningValue(350.0, 150.0, "common practice")),
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
