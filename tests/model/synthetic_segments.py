"""Segments made by arithmetic from known parameters: no motion, no twin, no noise but what is asked for."""

from __future__ import annotations

import numpy as np

from logan.model.segments_table import AUXILIARY_LEVELS_W, DriveSegments, RoadIntegrals
from logan.model.unknowns import SHARED_COUNT
from logan.model.wheel_balance import OWN_COUNT, road_work

ROTATING_KG = 70.0


def shared_truth(mass=1700.0, drag=0.8, rolling=0.011, drive=0.88, regen=0.8, auxiliary=450.0, fall=0.008, rise=0.0):
    """A shared vector from plain numbers."""
    shared = np.zeros(SHARED_COUNT)
    shared[:7] = np.log([mass, drag, rolling, drive, regen, auxiliary, fall])
    shared[7] = rise
    return shared


def random_road(rng, count, *, seconds=90.0, density=1.2):
    """Road integrals of segments at mixed speeds, neighbours joined at their ends."""
    speed = rng.uniform(6.0, 31.0, count)
    ends = rng.uniform(0.0, 31.0, count + 1)
    height = np.cumsum(rng.normal(0.0, 8.0, count + 1))
    bearing = rng.uniform(0.0, 2 * np.pi, count)
    metres = speed * seconds
    squared = density * metres * (speed**2 + 4.0)
    along = 2.0 * density * metres * speed
    return RoadIntegrals(
        start_s=np.arange(count) * seconds,
        duration_s=np.full(count, seconds),
        moving_s=np.full(count, seconds),
        distance_m=metres,
        temperature_distance_m_k=metres * rng.uniform(-20.0, 5.0),
        warm_up_distance_m=metres * np.exp(-np.arange(count) * seconds / 600.0),
        air_kg_m2_per_s2=squared,
        air_along=along,
        air_north=along * np.cos(bearing),
        air_east=along * np.sin(bearing),
        kinetic_m2_per_s2=0.5 * np.diff(ends**2),
        climb_m=np.diff(height),
    )


def drive_of(
    shared, rng, *, count=30, drive_id="1", own=None, noise_j=0.0, payload_kg=0.0, has_heading=True, auxiliary_w=None,
    has_elevation=True, brake_j=None,
):  # fmt: skip
    """A drive whose balance closes exactly at ``shared`` and ``own``, plus noise on the pack's energy."""
    own = np.zeros(OWN_COUNT) if own is None else own
    road = random_road(rng, count)
    nothing = np.zeros(count)
    edges = np.arange(count + 1.0)
    brake_j = nothing if brake_j is None else brake_j

    def segments(total_j, surplus_j, surplus_s, measured_j):
        return DriveSegments(
            drive_id=drive_id,
            road=road,
            surplus_j=surplus_j,
            surplus_s=surplus_s,
            total_j=total_j,
            gross_j=np.abs(total_j) + 1e5,
            brake_j=brake_j,
            force_squared_n2_s=nothing,
            start_edge=edges[:-1],
            end_edge=edges[1:],
            edge_sigma_j=np.full(count + 1, 3_000.0),
            elevation_sigma_m=0.1,
            trip=road,
            trip_net_j=total_j,
            trip_regen_limit_j=np.full(count, np.inf),
            measured_j=measured_j,
            cabin_j=0.0,
            auxiliary_power_w=auxiliary_w,
            payload_kg=payload_kg,
            ambient_temperature_degc=15.0,
            air_density_kg_per_m3=1.2,
            pack_lag_s=0.0,
            has_elevation=has_elevation,
            has_heading=has_heading,
            brakes_logged=True,
            cabin_logged=False,
            wind_known=False,
            coverage_ratio=1.0,
        )

    table = np.zeros((count, len(AUXILIARY_LEVELS_W)))
    blank = segments(nothing, table, table, 1.0)
    wheel_j = road_work(shared, own, road, blank, ROTATING_KG).total + max(own[4], 0.0) * brake_j
    total_j, surplus_j, surplus_s = pack_energy(shared, own, wheel_j, road.duration_s)
    total_j = total_j + rng.normal(0.0, 1.0, count) * noise_j
    return segments(total_j, surplus_j, surplus_s, float(total_j.sum()))


def pack_energy(shared, own, wheel_j, duration_s):
    """Constant power over each segment that does the wheels' work: total, surplus above each level, and its time."""
    drive, regen, auxiliary = np.exp(shared[3]), np.exp(shared[4]), np.exp(shared[5] + own[3])
    traction_j = np.where(wheel_j > 0, wheel_j / drive, wheel_j * regen)
    power_w = traction_j / duration_s + auxiliary
    above_w = power_w[:, None] - np.array(AUXILIARY_LEVELS_W)
    surplus_j = np.maximum(above_w, 0.0) * duration_s[:, None]
    return power_w * duration_s, surplus_j, (above_w > 0) * duration_s[:, None]
