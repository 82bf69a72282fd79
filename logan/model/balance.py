"""A drive reduced to what the fit needs: short steps, joined to segments that are cut where little can be misplaced.

Over a step everything is an integral taken at the logger's native rate; over a segment the energy stored in
speed and height is that of its two ends alone. No derivative and no resampling enters.
"""

from dataclasses import fields, replace
from typing import Any, Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.wheel_work import effective_mass_kg
from logan.errors import NotEnoughDataError
from logan.model.cabin_load import unlogged_cabin
from logan.model.coasting import coastdown_load, coastdown_pairs, coasted_seconds
from logan.model.drive_track import DriveTrack, track_of
from logan.model.parameters import cold_k, full_ratio
from logan.model.plan import PlannedVehicle, plan_of
from logan.model.road_integrals import TRIP_STEP_S, RunningRoad, empty_road, running_road
from logan.model.segments_table import CoastdownLoad, DriveSegments, RoadIntegrals
from logan.physics.powertrain import motor_speed_rad_per_s
from logan.settings import BuildSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray, IntArray
from logan.units.sentences import measure

SHORTEST_SEGMENT_S: Final = 60
WANTED_SEGMENT_S: Final = 90
LONGEST_SEGMENT_S: Final = 150
MIN_COVERAGE_RATIO: Final = 0.98

SHORTEST_DRIVE_S: Final = 180.0
SHORTEST_DRIVE_M: Final = 1000.0

_TELLING_CABIN_LOG: Final = 0.1
_LAG_SIGMA_S: Final = 0.15
_SPEED_SIGMA_M_PER_S: Final = 0.05

_FADED_SHARE_RATIO: Final = 3.0**-0.5
"""Regen that ends here, as a share of the fade speed, recovers of a steady stop what a linear fade does."""


def segment_drive(drive: Drive, build: BuildSettings, *, drive_id: str = "") -> DriveSegments:
    """Reduce a drive to the integrals that the fit and the comparison need.

    Parameters
    ----------
    drive : Drive
        With pack power (or voltage and current) and a road speed; elevation, heading, brakes,
        cabin power, weather and limits are used where logged.
    build : BuildSettings
        Its plan weighs the uncertainties; no integral depends on it.
    drive_id : str
        Name to carry along.

    Returns
    -------
    DriveSegments
        With a ``refusal`` and no rows when the drive cannot carry a fit.

    References
    ----------
    .. [1] Reverse balance with end-point energies: common practice; see DEVELOPERS.md for its error model.
    """
    plan = plan_of(build)
    payload_kg = drive.conditions.payload_kg or 0.0
    try:
        track = track_of(drive, plan)
    except NotEnoughDataError as problem:
        return _refused(drive_id, f"{problem.problem}. {problem.remedy}")
    running = running_road(track, plan.auxiliary_power_w)
    edges = _edges(track, running, plan, payload_kg)
    starts, ends = edges[:-1], edges[1:]
    covered_s = running.covered_s[ends] - running.covered_s[starts]
    whole_s = running.second_s[ends] - running.second_s[starts]
    is_level_known = np.isfinite(running.elevation_m[starts]) & np.isfinite(running.elevation_m[ends])
    coastdown, coasted_s = _coasting(drive, build, track, running)
    mostly_coasted = coasted_s[ends] - coasted_s[starts] > 0.5 * whole_s
    kept = np.flatnonzero((covered_s >= MIN_COVERAGE_RATIO * whole_s) & is_level_known & ~mostly_coasted)
    unlogged = unlogged_cabin(
        track.cabin, float(np.mean(track.temperature_degc)), build.auxiliary, temperature_known=track.temperature_known
    )
    reduced = _assemble(drive, build, track, running, plan, edges, kept, drive_id, coastdown)
    words = () if unlogged[1] < _TELLING_CABIN_LOG else ("heating or cooling is not logged, so its power is a guess",)
    return replace(
        reduced,
        unlogged_cabin_log=unlogged[0],
        unlogged_cabin_log_sigma=unlogged[1],
        warnings=(*reduced.warnings, *words),
    )


def _coasting(
    drive: Drive, build: BuildSettings, track: DriveTrack, running: RunningRoad
) -> tuple[CoastdownLoad | None, FloatArray]:
    """What the coastdown pairs say, and the seconds coasted in them up to each whole second."""
    pairs = coastdown_pairs(drive, build)
    density = track.density_kg_per_m3[running.grid_index]
    load = coastdown_load(pairs, running, density, effective_mass_kg(drive, build))
    coasted = coasted_seconds(pairs if load is not None else (), running)
    return load, np.concatenate(([0.0], np.cumsum(coasted)))


def _assemble(
    drive: Drive,
    build: BuildSettings,
    track: DriveTrack,
    running: RunningRoad,
    plan: PlannedVehicle,
    edges: IntArray,
    kept: IntArray,
    drive_id: str,
    coastdown: CoastdownLoad | None,
) -> DriveSegments:
    starts, ends = edges[kept], edges[kept + 1]
    payload_kg = drive.conditions.payload_kg or 0.0
    factors = drive.conditions.drag_factor or 1.0, drive.conditions.rolling_factor or 1.0
    steps = _trip_steps(running)
    trip = running.road(steps, steps + TRIP_STEP_S, is_smooth=True)
    climb_m = running.elevation_m[ends] - running.elevation_m[starts]
    swing_j, swing_n2_s = _swings(running, plan, steps, trip)
    return DriveSegments(
        drive_id=drive_id,
        trip=trip,
        trip_power_j=running.power_j[steps + TRIP_STEP_S] - running.power_j[steps],
        trip_cabin_j=running.cabin_j[steps + TRIP_STEP_S] - running.cabin_j[steps],
        trip_regen_limit_j=_regen_limit_j(running, plan, steps),
        trip_cold_k=cold_k(track.pack_temperature_degc[running.grid_index][steps]),
        trip_full_ratio=full_ratio(track.charge_ratio[running.grid_index][steps]),
        trip_shaft_j=_shaft_j(drive, build, track, running, steps),
        trip_swing_j=swing_j,
        trip_swing_n2_s=swing_n2_s,
        first_step=np.searchsorted(steps, starts).astype(np.float64),
        last_step=np.searchsorted(steps, ends).astype(np.float64),
        climb_m=climb_m,
        start_edge=kept.astype(np.float64),
        end_edge=np.asarray(kept + 1.0, dtype=np.float64),
        edge_sigma_j=_edge_sigma_j(running, plan, payload_kg)[edges],
        elevation_sigma_m=track.elevation.sigma_m,
        auxiliary_power_w=track.cabin.base_power_w,
        payload_kg=payload_kg,
        ambient_temperature_degc=float(np.mean(track.temperature_degc)),
        air_density_kg_per_m3=float(np.mean(track.density_kg_per_m3)),
        linear_n_s_per_m=plan.linear_n_s_per_m,
        pack_lag_s=track.pack_lag_s,
        has_elevation=track.elevation.is_known,
        has_heading=track.has_heading,
        cabin_logged=track.cabin.is_logged,
        wind_known=track.wind_known,
        coverage_ratio=float(running.covered_s[-1] / max(running.covered_s[-1] + running.uncovered_s[-1], 1e-9)),
        refusal=_refusal(trip.duration_s.sum(), trip.distance_m.sum(), kept.size),
        warnings=_warnings(track),
        # With a rack or a trailer it coasts another vehicle down.
        coastdown=coastdown if factors == (1.0, 1.0) else None,
        drag_factor=factors[0],
        payload_known=drive.conditions.payload_kg is not None,
        rolling_factor=factors[1],
    )


def _refusal(duration_s: float, distance_m: float, segment_count: int) -> str:
    if duration_s < SHORTEST_DRIVE_S or distance_m < SHORTEST_DRIVE_M:
        return (
            f"too short for a fit: {duration_s:.0f} s and {measure(distance_m / 1000.0, 'km', '.1f')} where "
            f"{SHORTEST_DRIVE_S:.0f} s and {measure(SHORTEST_DRIVE_M / 1000.0, 'km')} are the least"
        )
    if segment_count == 0:
        return "no stretch of a minute without gaps in power or speed"
    return ""


def _warnings(track: DriveTrack) -> tuple[str, ...]:
    words = []
    if not track.elevation.is_known:
        words.append("no elevation: hills are taken as unknown, so the drive says little about the vehicle")
    if not track.temperature_known:
        words.append(f"no ambient temperature: {measure(20, '°C')} assumed")
    if abs(track.pack_lag_s) >= 0.05:
        words.append(f"pack power is {track.pack_lag_s:+.2f} s late against speed; taken into account")
    return tuple(words)


def _edges(track: DriveTrack, running: RunningRoad, plan: PlannedVehicle, payload_kg: float) -> IntArray:
    """Whole seconds at which to cut, ends of steps: where little is stored or flowing that timing could misplace."""
    timing_j = running.timing_error_j(plan.mass_kg + payload_kg, _LAG_SIGMA_S)
    scale_j = plan.mass_kg * STANDARD_GRAVITY_M_PER_S2 * 3.0
    cost = timing_j / scale_j + 2.0 * track.is_braking[running.grid_index] + 5.0 * ~running.is_covered_at
    last = (cost.size - 1) // TRIP_STEP_S * TRIP_STEP_S
    edges = [0]
    while last - edges[-1] >= SHORTEST_SEGMENT_S:
        low = edges[-1] + SHORTEST_SEGMENT_S
        high = min(edges[-1] + LONGEST_SEGMENT_S, last)
        window = np.arange(low, high + 1, TRIP_STEP_S)
        wish = 0.3 * np.abs(window - (edges[-1] + WANTED_SEGMENT_S)) / WANTED_SEGMENT_S
        chosen = int(window[np.argmin(cost[window] + wish)])
        # What would be left too short at the end is taken into the last segment.
        edges.append(last if last - chosen < SHORTEST_SEGMENT_S else chosen)
    return np.array(edges, dtype=np.int64)


def _edge_sigma_j(running: RunningRoad, plan: PlannedVehicle, payload_kg: float) -> FloatArray:
    mass_kg = plan.mass_kg + payload_kg
    speed_j = mass_kg * running.speed_m_per_s * _SPEED_SIGMA_M_PER_S
    return np.hypot(speed_j, running.timing_error_j(mass_kg, _LAG_SIGMA_S))


def _trip_steps(running: RunningRoad) -> IntArray:
    """First second of each short step whose power and speed are known throughout."""
    steps = np.arange(0, max(running.second_s.size - TRIP_STEP_S, 0), TRIP_STEP_S)
    gap_s = running.uncovered_s[steps + TRIP_STEP_S] - running.uncovered_s[steps]
    return np.asarray(steps[gap_s <= 1e-6])


def _shaft_j(
    drive: Drive, build: BuildSettings, track: DriveTrack, running: RunningRoad, steps: IntArray
) -> FloatArray:
    """Work of all motors' torque in each step, their speed from the gearing where it is not logged. [J]"""
    power_w, torques = np.zeros(track.time_s.shape), drive.of_kind("motor_torque")
    if not torques:
        return np.empty(0)
    circumference_m = build.vehicle.tyre_rolling_circumference_m.value
    turning = motor_speed_rad_per_s(track.speed_m_per_s, build.powertrain.gearing.total_ratio, circumference_m)
    for torque in torques:
        shaft = drive.get(torque.name.replace("motor_torque", "motor_speed"))
        power_w = power_w + torque.at(track.time_s) * (turning if shaft is None else shaft.at(track.time_s))
    each_j = 0.5 * (power_w[1:] + power_w[:-1]) * np.diff(track.time_s)
    known, summed = (np.concatenate(([0.0], np.cumsum(part))) for part in (np.isfinite(each_j), np.nan_to_num(each_j)))
    first, last = (running.grid_index[at] for at in (steps, steps + TRIP_STEP_S))
    return np.where(known[last] - known[first] == last - first, summed[last] - summed[first], np.inf)


def _swings(
    running: RunningRoad, plan: PlannedVehicle, steps: IntArray, trip: RoadIntegrals
) -> tuple[FloatArray, FloatArray]:
    """What steps hide of a force that changes within them. Method: fit (4a). [J, N2 s]"""
    ends = steps + TRIP_STEP_S
    drawn_j, net_j, squared = (
        running_total[ends] - running_total[steps]
        for running_total in (running.drawn_j, running.drivetrain_j, running.drivetrain_j2_per_s)
    )
    moves = trip.moving_s > 0.5 * trip.duration_s
    swing_j = np.where(moves, np.maximum(np.minimum(drawn_j, drawn_j - net_j), 0.0), 0.0)
    speed = np.maximum(trip.distance_m, 2.0 * trip.duration_s) / np.maximum(trip.duration_s, 1e-9)
    variance = np.maximum(squared - net_j**2 / np.maximum(trip.duration_s, 1e-9), 0.0)
    return swing_j, np.where(moves, (plan.drive_efficiency_ratio / speed) ** 2 * variance, 0.0)


def _regen_limit_j(running: RunningRoad, plan: PlannedVehicle, steps: IntArray) -> FloatArray:
    logged_j = running.regen_limit_j[steps + TRIP_STEP_S] - running.regen_limit_j[steps]
    # An acceptance of a terawatt stands for "not logged".
    logged_j = np.where(logged_j > 1e11, np.inf, logged_j)
    limit_j = np.minimum(logged_j, plan.regen_power_limit_w * TRIP_STEP_S)
    faded_m = _FADED_SHARE_RATIO * plan.regen_fade_speed_m_per_s * TRIP_STEP_S
    is_faded = running.distance_m[steps + TRIP_STEP_S] - running.distance_m[steps] < faded_m
    return np.where(is_faded, 0.0, limit_j)


def _refused(drive_id: str, reason: str) -> DriveSegments:
    arrays = {field.name for field in fields(DriveSegments) if field.type == "FloatArray"}
    nothing: dict[str, Any] = dict.fromkeys(arrays, np.empty(0))
    return DriveSegments(
        drive_id=drive_id, trip=empty_road(), **nothing, elevation_sigma_m=0.0, auxiliary_power_w=None, payload_kg=0.0,
        ambient_temperature_degc=20.0, air_density_kg_per_m3=1.2, pack_lag_s=0.0, has_elevation=False,
        has_heading=False, cabin_logged=False, wind_known=False, coverage_ratio=0.0, refusal=reason,
    )  # fmt: skip
