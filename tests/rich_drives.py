"""Drives that excite every table: a limited town drive, a charge, and coastdowns."""

from __future__ import annotations

from functools import cache

import numpy as np

from logan.drive.drive import Channel, Drive
from tests.twin_drives import made_drive, twin_drive


@cache
def limited_town_drive() -> Drive:
    """Stop-and-go with a marked span, a charge limit, a shortfall of torque, low isolation and a stop to cool."""
    drive = twin_drive("urban", 4, duration_s=700.0).to_drive()
    end_s = drive.duration_s
    slow_s = np.arange(0.0, end_s, 0.5)
    asked = drive["motor_torque_command"]
    late = (asked.time_s > 300.0) & (asked.time_s < 420.0)
    columns = {
        "isolation_resistance": (slow_s, np.full(slow_s.shape, 90_000.0)),
        "charge_current_limit": (slow_s, np.full(slow_s.shape, 40.0)),
        "discharge_current_limit": (slow_s, np.where(slow_s < 500.0, 400.0, 150.0)),
        "marker": (slow_s, ((slow_s > 100.0) & (slow_s < 200.0)).astype(float)),
        "motor_torque_command": (asked.time_s, np.where(late & (asked.value > 0.0), 1.5, 1.0) * asked.value),
    }
    return drive.with_channels(
        *(Channel(name=name, time_s=time_s, value=value) for name, (time_s, value) in columns.items())
    )


def charge_drive(pilot_duty: float = 0.5) -> Drive:
    """An hour of charging at 7 kW from the wall, tapering at the end."""
    time_s = np.arange(0.0, 3600.0, 1.0)
    wall_w = 7_000.0 * np.clip((3600.0 - time_s) / 1200.0, 0.2, 1.0)
    volts = np.full(time_s.shape, 385.0)
    current = -0.9 * wall_w / volts
    charge = 0.5 + np.concatenate(([0.0], np.cumsum(-current[:-1]))) / 3600.0 / 190.0
    return made_drive(
        ("pack_voltage", time_s, volts),
        ("pack_current", time_s, current),
        ("charger_power_ac", time_s, wall_w),
        ("charging", time_s, np.ones(time_s.shape)),
        ("pilot_duty", time_s, np.full(time_s.shape, pilot_duty)),
        ("state_of_charge", time_s, charge),
        ("speed", time_s, np.zeros(time_s.shape)),
        ("cell_temperature_max", time_s, 20.0 + time_s / 600.0),
    )
