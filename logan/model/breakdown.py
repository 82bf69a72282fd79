"""Consumption by cause."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import ClassVar, Final

import numpy as np

from logan.results import result
from logan.units import FloatArray

CAUSES: Final = (
    "rolling",
    "air",
    "hills",
    "speed_change",
    "friction_brakes",
    "drivetrain_loss",
    "regen_loss",
    "auxiliary",
    "cabin_climate",
)
"""Causes that add up to the consumption at the pack terminals, in the order shown."""


@result("consumption-breakdown/1")
class ConsumptionBreakdown:
    """Consumption by cause, one value per parameter sample; the causes add up to the total exactly.

    Parameters
    ----------
    rolling_wh_per_km, air_wh_per_km, hills_wh_per_km : ndarray, shape (n,)
        Work at the wheels; hills is what the schedule climbs in the end. [Wh/km]
    speed_change_wh_per_km : ndarray, shape (n,)
        Kinetic energy that is left at the end of the schedule. [Wh/km]
    friction_brakes_wh_per_km : ndarray, shape (n,)
        Braking that regen could not take. [Wh/km]
    drivetrain_loss_wh_per_km, regen_loss_wh_per_km : ndarray, shape (n,)
        Between pack and wheels when driving, and when recovering. [Wh/km]
    auxiliary_wh_per_km, cabin_climate_wh_per_km : ndarray, shape (n,)
        Base load, and heating or cooling. [Wh/km]
    pack_resistance_wh_per_km : ndarray, shape (n,)
        Heat inside the pack; not part of the total. [Wh/km]
    recovered_wh_per_km : ndarray, shape (n,)
        Put back into the pack terminals by regen. [Wh/km]
    wheel_drive_wh_per_km, wheel_brake_wh_per_km : ndarray, shape (n,)
        Positive and negative work at the wheels, both reported positive. [Wh/km]
    distance_m, duration_s : float
        Of the schedule. [m, s]
    """

    derived: ClassVar[tuple[str, ...]] = ("total_wh_per_km",)

    rolling_wh_per_km: FloatArray
    air_wh_per_km: FloatArray
    hills_wh_per_km: FloatArray
    speed_change_wh_per_km: FloatArray
    friction_brakes_wh_per_km: FloatArray
    drivetrain_loss_wh_per_km: FloatArray
    regen_loss_wh_per_km: FloatArray
    auxiliary_wh_per_km: FloatArray
    cabin_climate_wh_per_km: FloatArray
    pack_resistance_wh_per_km: FloatArray
    recovered_wh_per_km: FloatArray
    wheel_drive_wh_per_km: FloatArray
    wheel_brake_wh_per_km: FloatArray
    distance_m: float
    duration_s: float

    @property
    def total_wh_per_km(self) -> FloatArray:
        """Net consumption at the pack terminals, shape (n,). [Wh/km]"""
        return np.asarray(sum(getattr(self, f"{cause}_wh_per_km") for cause in CAUSES))

    def adding_up_to(self, wh_per_km: float) -> ConsumptionBreakdown:
        """The same shares of another total, so that parts add up to the consumption shown beside them.

        Itself where what it takes is not above zero.

        Parameters
        ----------
        wh_per_km : float
            Net consumption at the pack terminals. [Wh/km]
        """
        factor = wh_per_km / float(self.total_wh_per_km[0]) if self.total_wh_per_km[0] > 0.0 else 1.0
        return replace(
            self, **{f.name: factor * getattr(self, f.name) for f in fields(self) if f.name.endswith("wh_per_km")}
        )
