"""Where friction brakes may have worked, and how hard, seen with the plan's parameters."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.constants import STANDARD_GRAVITY_M_PER_S2
from logan.model.drive_track import DriveTrack
from logan.model.elevation import CORRELATION_S
from logan.model.plan import Plan
from logan.model.road_integrals import RunningRoad
from logan.physics.tyre import temperature_factor
from logan.units import BoolArray, FloatArray

SMALLEST_EVENT_J: Final = 8_000.0
SMALLEST_SHARE_RATIO: Final = 0.15
"""A braking event counts when friction took at least this much, and this share of the work to be braked."""

_BRAKING_W: Final = -2_000.0


def friction_brake_work_j(track: DriveTrack, running: RunningRoad, plan: Plan, payload_kg: float) -> FloatArray:
    """Friction-brake work in each second, as the plan's parameters see it.

    A braking event is a run of seconds in which the wheels had to be held back. What the
    pack did not take of that work, friction took. Whole events are balanced, so that a lag
    between power and speed cancels; where brakes are logged, events without them hold none.

    Parameters
    ----------
    track, running : DriveTrack, RunningRoad
        The drive, and its integrals to s whole seconds.
    plan : Plan
        Central values of the plan.
    payload_kg : float
        Load beyond the weighed mass. [kg]

    Returns
    -------
    ndarray, shape (s - 1,)
        Work; zero outside events. [J]
    """
    mass_kg = plan.mass_kg + payload_kg
    wheel_j = _wheel_work_j(track, running, plan, payload_kg)
    net_j = np.diff(running.power_j - running.cabin_j) - plan.auxiliary_power_w * np.diff(running.covered_s)
    taken_j = np.where(net_j > 0, net_j * plan.drive_efficiency_ratio, net_j / plan.regen_efficiency_ratio)
    work = np.zeros(wheel_j.size)
    may_brake = _braked_seconds(track, running) if track.brakes_logged else np.ones(wheel_j.size, dtype=bool)
    for first, last in _events((wheel_j < _BRAKING_W) & may_brake):
        event = slice(first, last)
        held_j = float(-wheel_j[event].sum())
        friction_j = float(taken_j[event].sum()) + held_j
        doubt_j = _height_doubt_j(mass_kg, track.elevation.sigma_m, last - first)
        least_j = doubt_j if track.brakes_logged else max(SMALLEST_EVENT_J, SMALLEST_SHARE_RATIO * held_j, doubt_j)
        if friction_j > least_j:
            # Events are picked where noise happens to add; shrinking takes that back.
            believed_j = friction_j * (1.0 - (doubt_j / friction_j) ** 2)
            weight = np.maximum(-wheel_j[event], 1e-9)
            work[event] += believed_j * weight / weight.sum()
    return np.maximum(work, _fade_j(running, plan, wheel_j))


def _height_doubt_j(mass_kg: float, sigma_m: float, duration_s: int) -> float:
    """How far the wandering height error can mislead over a short event. [J]"""
    drift_m = sigma_m * np.sqrt(2.0 * (1.0 - np.exp(-duration_s / CORRELATION_S)))
    return float(mass_kg * STANDARD_GRAVITY_M_PER_S2 * drift_m)


def _fade_j(running: RunningRoad, plan: Plan, wheel_j: FloatArray) -> FloatArray:
    """Braking below the speed at which regen has faded, which friction must do. [J]"""
    slow = 0.5 * (running.speed_m_per_s[1:] + running.speed_m_per_s[:-1]) < plan.regen_fade_speed_m_per_s
    return np.where(slow, np.maximum(-wheel_j, 0.0), 0.0)


def _wheel_work_j(track: DriveTrack, running: RunningRoad, plan: Plan, payload_kg: float) -> FloatArray:
    index = np.arange(running.second_s.size)
    road = running.road(index[:-1], index[1:], is_smooth=True)
    mass_kg = plan.mass_kg + payload_kg
    factor = temperature_factor(float(np.mean(track.temperature_degc)), plan.rolling_temperature_coefficient_per_k)
    rolling_j = mass_kg * STANDARD_GRAVITY_M_PER_S2 * plan.rolling_coefficient * factor * road.distance_m
    air_j = 0.5 * plan.drag_area_m2 * road.air_kg_m2_per_s2
    kinetic_j = (mass_kg + plan.rotating_mass_kg) * road.kinetic_m2_per_s2
    return np.asarray(rolling_j + air_j + kinetic_j + mass_kg * STANDARD_GRAVITY_M_PER_S2 * road.climb_m)


def _braked_seconds(track: DriveTrack, running: RunningRoad) -> BoolArray:
    summed = np.concatenate(([0], np.cumsum(track.is_braking)))
    return np.asarray(summed[running.grid_index[1:] + 1] > summed[running.grid_index[:-1]])


def _events(is_held_back: BoolArray) -> list[tuple[int, int]]:
    """Runs of held-back seconds, one second wider on both sides, joined where they touch."""
    wide = is_held_back.copy()
    wide[1:] |= is_held_back[:-1]
    wide[:-1] |= is_held_back[1:]
    edges = np.diff(np.concatenate(([False], wide, [False])).astype(np.int8))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))
