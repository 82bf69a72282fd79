"""Segments made by arithmetic from known parameters: no motion, no twin, no noise but what is asked for."""

from __future__ import annotations

import numpy as np

from logan.model.segments_table import DriveSegments, RoadIntegrals
from logan.model.unknowns import OWN_COUNT, SHARED_COUNT, road_work

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


def own_of(level=0.0, first_wind=0.0, second_wind=0.0, auxiliary=0.0):
    """A drive's own unknowns from plain numbers."""
    own = np.zeros(OWN_COUNT)
    own[:4] = level, first_wind, second_wind, auxiliary
    return own


def drive_of(
    shared, rng, *, count=30, drive_id="1", own=None, noise_j=0.0, payload_kg=0.0, has_heading=True, auxiliary_w=None,
    has_elevation=True, cold_k=0.0, full=0.0, swing_j=0.0, swing_n2_s=0.0, limit_j=np.inf,
):  # fmt: skip
    """A drive of one step a segment that closes exactly at ``shared`` and ``own``, plus noise on the pack's energy."""
    own = np.zeros(OWN_COUNT) if own is None else own
    road = random_road(rng, count)
    edges = np.arange(count + 1.0)

    def segments(power_j):
        return DriveSegments(
            drive_id=drive_id,
            trip=road,
            trip_power_j=power_j,
            trip_cabin_j=np.zeros(count),
            trip_regen_limit_j=np.full(count, limit_j),
            trip_cold_k=np.full(count, cold_k),
            trip_full_ratio=np.full(count, full),
            trip_shaft_j=np.empty(0),
            trip_swing_j=np.full(count, swing_j),
            trip_swing_n2_s=np.full(count, swing_n2_s),
            first_step=edges[:-1],
            last_step=edges[1:],
            climb_m=road.climb_m,
            start_edge=edges[:-1],
            end_edge=edges[1:],
            edge_sigma_j=np.full(count + 1, 3_000.0),
            elevation_sigma_m=0.1,
            auxiliary_power_w=auxiliary_w,
            payload_kg=payload_kg,
            ambient_temperature_degc=15.0,
            air_density_kg_per_m3=1.2,
            pack_lag_s=0.0,
            has_elevation=has_elevation,
            has_heading=has_heading,
            cabin_logged=False,
            wind_known=False,
            coverage_ratio=1.0,
        )

    wheel_j = road_work(shared, own, road, segments(edges[1:]), ROTATING_KG).total
    drive, regen, auxiliary = np.exp(shared[3]), np.exp(shared[4]), np.exp(shared[5] + own[3])
    returned_j = np.minimum(-wheel_j * regen * np.exp(-shared[10] * cold_k), limit_j)
    power_j = np.where(wheel_j > 0, wheel_j / drive, -returned_j) + auxiliary * road.duration_s
    return segments(power_j + rng.normal(0.0, 1.0, count) * noise_j)
