"""What a drive brings to the fit: integrals over its segments, small enough to store with the drive.

Every array is an integral taken at the logger's native rate between two instants, so that
nothing is lost by keeping the integrals and letting the samples go.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar, Final

import numpy as np

from logan.results import read_only
from logan.units import FloatArray

AUXILIARY_LEVELS_W: Final = (0.0, 75.0, 150.0, 300.0, 500.0, 800.0, 1200.0, 1800.0, 2700.0, 4000.0)
"""Auxiliary powers at which the energy above the auxiliaries is tabulated."""


def _freeze(instance: object) -> None:
    for field in fields(instance):  # type: ignore[arg-type]
        value = getattr(instance, field.name)
        if isinstance(value, np.ndarray):
            object.__setattr__(instance, field.name, read_only(value))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadIntegrals:
    """What the road asked for between n + 1 instants, free of every fitted parameter; shape (n,) each.

    Parameters
    ----------
    start_s, duration_s, distance_m : ndarray
        When, how long, how far. [s, s, m]
    rolling_distance_m : ndarray
        Distance weighted with the temperature and warm-up factor of rolling resistance. [m]
    temperature_distance_m_k : ndarray
        Distance times (tyre reference temperature minus ambient), for the doubt in that factor. [m K]
    air_cubed_kg_m : ndarray
        Integral of density times air speed squared times road speed, known wind included. [kg m/s2]
    air_north_kg, air_east_kg, air_along_kg : ndarray
        Change of ``air_cubed_kg_m`` per m/s of unknown headwind from north, from east, and along the road. [kg/s]
    kinetic_m2_per_s2 : ndarray
        Half the change of speed squared. [m2/s2]
    climb_m : ndarray
        Change of elevation; zero where no elevation is known. [m]
    """

    start_s: FloatArray
    duration_s: FloatArray
    distance_m: FloatArray
    rolling_distance_m: FloatArray
    temperature_distance_m_k: FloatArray
    air_cubed_kg_m: FloatArray
    air_north_kg: FloatArray
    air_east_kg: FloatArray
    air_along_kg: FloatArray
    kinetic_m2_per_s2: FloatArray
    climb_m: FloatArray

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def count(self) -> int:
        """Number of intervals."""
        return int(self.duration_s.size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveSegments:
    """One drive, reduced to what the fit and the comparison need.

    Parameters
    ----------
    drive_id : str
        The caller's name for it.
    road : RoadIntegrals
        One row per segment, n rows.
    surplus_j : ndarray, shape (n, k)
        Integral of pack power above auxiliary level k and logged cabin power, where positive. [J]
    surplus_s : ndarray, shape (n, k)
        Time for which it was positive. [s]
    total_j : ndarray, shape (n,)
        Integral of pack power less logged cabin power. [J]
    brake_bound_j : ndarray, shape (n,)
        Most friction-brake work that the segment can hide; zero where none was possible. [J]
    balance_sigma_j : ndarray, shape (n,)
        Standard uncertainty of the balance from elevation and speed at the ends, at the planned mass. [J]
    trip : RoadIntegrals
        The whole drive in short steps, for predicting its consumption. m rows.
    trip_regen_limit_j : ndarray, shape (m,)
        Most energy that the pack could take back in the step; infinity where no limit is known. [J]
    measured_j, cabin_j : float
        Net pack energy of the drive, and the logged heating and cooling in it. [J]
    standstill_s, standstill_j : float
        Time at standstill, and pack energy less cabin power in it. [s, J]
    payload_kg : float
        Load beyond the weighed mass.
    ambient_temperature_degc : float
        Mean over the drive.
    has_elevation, has_speed, has_heading, brakes_logged, cabin_logged, wind_known : bool
        What the log holds.
    coverage_ratio : float
        Share of the driving time that the trip steps cover.
    refusal : str
        Why the drive cannot take part; empty when it can.
    warnings : tuple of str
        What makes it less sure.
    """

    schema: ClassVar[str] = "drive-segments/1"

    drive_id: str
    road: RoadIntegrals
    surplus_j: FloatArray
    surplus_s: FloatArray
    total_j: FloatArray
    brake_bound_j: FloatArray
    balance_sigma_j: FloatArray
    trip: RoadIntegrals
    trip_regen_limit_j: FloatArray
    measured_j: float
    cabin_j: float
    standstill_s: float
    standstill_j: float
    payload_kg: float
    ambient_temperature_degc: float
    has_elevation: bool
    has_speed: bool
    has_heading: bool
    brakes_logged: bool
    cabin_logged: bool
    wind_known: bool
    coverage_ratio: float
    refusal: str = ""
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _freeze(self)

    @property
    def distance_m(self) -> float:
        """Distance that the trip steps cover. [m]"""
        return float(self.trip.distance_m.sum())

    @property
    def duration_s(self) -> float:
        """Time that the trip steps cover. [s]"""
        return float(self.trip.duration_s.sum())

    @property
    def count(self) -> int:
        """Number of segments that the fit uses."""
        return self.road.count

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> DriveSegments:
        """Read back what ``logan.results.json_ready`` wrote.

        Raises
        ------
        ValueError
            If the content is of another schema or lacks a part.
        """
        raise NotImplementedError
