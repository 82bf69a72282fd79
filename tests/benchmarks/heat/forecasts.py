"""Forecasts of logan's thermal network against an independent, unfriendly truth: the table of method/heat.md.

Run: ``python -m tests.benchmarks.heat.forecasts [vehicles] [seed] [torque] [current] [speed] [force]``.
The arms are what of the motor is logged: torque, phase current, the shaft's speed alone, or nothing (wheel force).

Three ordinary drives teach; an unseen climb, a tow and launches, in the gear driven and in a shorter one, are forecast.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import replace

import numpy as np

from logan.heat.fit import fit_heat
from logan.heat.forecast import HeatRoad, forecast_heat, road_samples
from logan.heat.road import held_forces
from logan.heat.series import RoadVehicle, heat_series
from logan.results import Estimate
from logan.settings import GearingChoice, Limit, LimitSheet, LimitSide, PlanningValue, Reduction
from tests.benchmarks.heat.truth import Trip, climb, draw, drive, launches, logged, ordinary_trips
from tests.builds import example_build

SAMPLES = 160
OTHER_RATIO = 14.4
LIMITS = LimitSheet(
    limits=tuple(
        Limit(channel=channel, side=LimitSide.ABOVE, amber=None, red=red)
        for channel, red in (
            ("motor_temperature", 95.0),
            ("inverter_temperature", 60.0),
            ("cell_temperature_max", 45.0),
        )
    )
)


def told_build(truth, rng):
    """What the builder knows of the vehicle: weighed, guessed, from the datasheet."""
    build = example_build(limits=LIMITS)
    rolling = truth.rolling + truth.driveline_n / truth.mass / 9.81
    vehicle = replace(
        build.vehicle,
        mass_kg=PlanningValue(truth.mass * (1 + 0.012 * rng.normal()), 0.012 * truth.mass),
        drag_area_m2=PlanningValue(truth.drag * (1 + 0.05 * rng.normal()), 0.05 * truth.drag),
        rolling_coefficient=PlanningValue(rolling * (1 + 0.08 * rng.normal()), 0.08 * rolling),
        tyre_rolling_circumference_m=PlanningValue(truth.tyre, 0.01),
    )
    chain = replace(
        build.powertrain,
        gearing=GearingChoice(name="driven", reductions=(Reduction(name="gear", ratio=truth.ratio),)),
        motor=replace(
            build.powertrain.motor, max_torque_nm=truth.torque_peak, max_power_w=truth.power_peak
        ),
    )  # fmt: skip
    return replace(build, vehicle=vehicle, powertrain=chain)


def medians_of(build):
    """The plan's medians, in order."""
    v, p = build.vehicle, build.powertrain
    planned = (v.mass_kg, v.drag_area_m2, v.rolling_coefficient, p.drive_efficiency, p.regen_efficiency)
    return np.array([*(one.value for one in planned), build.auxiliary.base_power_w.value])


def parameter_samples(build, rng):
    """Samples of the plan's parameters."""
    v, p = build.vehicle, build.powertrain
    planned = (
        v.mass_kg,
        v.drag_area_m2,
        v.rolling_coefficient,
        p.drive_efficiency,
        p.regen_efficiency,
        build.auxiliary.base_power_w,
    )
    return np.column_stack(
        [one.value * np.exp(one.sigma / one.value * rng.standard_normal(SAMPLES)) for one in planned]
    )


def taught(truth, build, traces, rng, what):
    """Three ordinary drives, logged and fitted."""
    vehicle = RoadVehicle.of(build, medians_of(build))
    series = [heat_series(logged(truth, trace, rng, what=what), vehicle) for trace in traces]
    return fit_heat(series, build, total_ratio=truth.ratio)


def true_continuous_force_n(truth, rng, ratio, *, red, ambient, mph=45.0):
    """Wheel force at which the truth's motor sensor settles at its limit: three secants of an hour, wind still."""
    speed = np.full(3600, mph * 0.44704)
    grades, peaks, forces = [0.02, 0.06], [], []
    for step in range(5):
        grade = grades[step]
        real = drive(truth, Trip(speed, np.full(3600, grade), ambient=ambient, ratio=ratio), rng)
        peaks.append(float(real["motor"][-60:].mean() + truth.values["off_motor"]))
        forces.append(float(real["force"][-600:].mean()))
        if step:
            slope = (peaks[-1] - peaks[-2]) / (forces[-1] ** 2 - forces[-2] ** 2)
            goal = np.sqrt(max(forces[-1] ** 2 + (red - peaks[-1]) / max(slope, 1e-9), 1e4))
            grades.append(grades[-1] + float(np.clip((goal - forces[-1]) / (truth.mass * 9.8), -0.05, 0.05)))
    order = np.argsort(forces)
    if not min(peaks) < red < max(peaks):
        return np.nan
    return float(np.interp(red, np.array(peaks)[order], np.array(forces)[order]))


def continuous(true, truth, build, model, rng, told):
    """Errors of the continuous force in the gear driven, in another, and of their ratio."""
    found = []
    for ratio in (truth.ratio, OTHER_RATIO):
        vehicle = RoadVehicle.of(build, medians_of(build), ratio)
        speed = np.array([45.0 * 0.44704])
        parts = held_forces(model, vehicle, build, speed, parameter_samples(build, rng), rng, ambient_degc=30.0)
        motor = next(one for one in parts if one.part == "motor")
        if motor.refusal is not None:
            told[f"continuous force: {motor.refusal.reason[:50]}"] += 1
            return None
        if motor.is_guess[0]:
            told[f"continuous force at {ratio:g}:1: lower bound only, spinning takes nearly all"] += 1
        found.append((float(motor.median_n[0]) if not motor.is_guess[0] else np.nan, float(motor.low_n[0])))
    errors = [abs(f / t - 1.0) for (f, _), t in zip(found, true, strict=True)]
    bounds = [float(low < t) if np.isfinite(t) else np.nan for (_, low), t in zip(found, true, strict=True)]
    return (*errors, abs(found[1][0] / found[0][0] / (true[1] / true[0]) - 1.0), *bounds)


def _two(errors):
    """Median and 90th percentile."""
    return f"{np.median(errors):5.1f} / {np.percentile(errors, 90):5.1f}"


class Table:
    """What one kind of log forecasts, over all vehicles."""

    def __init__(self):
        self.rows, self.refusals, self.crossings, self.steady = defaultdict(list), defaultdict(int), [], []

    def add(self, truth, build, model, roads, rng):
        """Forecast each road and hold it against what really came."""
        for name, trip, real in roads:
            ratio = truth.ratio if trip.ratio is None else trip.ratio
            vehicle = RoadVehicle.of(build, medians_of(build), ratio)
            road = HeatRoad(
                speed_m_per_s=trip.speed, grade_ratio=trip.grade, ambient_degc=trip.ambient, payload_kg=trip.payload,
                drag_factor=trip.drag_factor, density_kg_per_m3=1.2 * 293.0 / (273.0 + trip.ambient),
            )  # fmt: skip
            samples = road_samples(road, vehicle, build, parameter_samples(build, rng), rng)
            found = forecast_heat(model, samples, road, vehicle, build, rng)
            for part, reason in found.refused.items():
                if part not in ("oil", "rotor"):
                    self.refusals[f"{part}: {reason.reason[:60]}"] += 1
            for one in found.parts:
                self._part(one, name, trip, real[one.part] + truth.values.get(f"off_{one.part}", 0.0))

    def _part(self, one, name, trip, shown):
        blocks = shown[: shown.size // 4 * 4].reshape(-1, 4).mean(axis=1)
        peak, at = float(blocks.max()), int(np.argmax(blocks))
        held = one.low_degc[at] <= blocks[at] <= one.high_degc[at]
        is_point = isinstance(one.peak_degc, Estimate)
        error = float(one.middle_degc.max()) - peak
        found = (abs(error), abs(error) / max(peak - trip.ambient, 1.0), held, error)
        self.rows[one.part, name, is_point and one.extrapolation_ratio <= 3.0].append(found)
        if not is_point:
            self.refusals[f"{one.part} {name}: point refused above 3 times the rise seen, band given"] += 1
        if one.red_degc is not None and one.part in ("motor", "inverter"):
            crossed = np.flatnonzero(blocks >= one.red_degc)
            may = float(one.high_degc.max()) >= one.red_degc
            if crossed.size:
                told = one.to_red_s.value if isinstance(one.to_red_s, Estimate) else np.nan
                self.crossings.append((may, 4.0 * crossed[0], told))

    def print(self):
        """Print it."""
        for (part, name, is_point), found in sorted(self.rows.items()):
            error, share, held, signed = (np.array(column, dtype=float) for column in zip(*found, strict=True))
            kind = "point" if is_point else "band "
            print(
                f"{part:9s} {name:13s} {kind} n {error.size:3d}  {_two(error)} K  of the rise {_two(100 * share)} %  "
                f"90 % band held {100 * held.mean():3.0f} %  bias {signed.mean():+.1f} K"
            )
        for part in ("motor", "inverter", "coolant", "cells"):
            mine = [(is_point, one) for key, found in self.rows.items() if key[0] == part for one in found
                    for is_point in [key[2]]]  # fmt: skip
            held = np.array([one[2] for _, one in mine])
            points = np.array([one[0] for is_point, one in mine if is_point])
            beyond = np.array([100 * one[1] for is_point, one in mine if not is_point] or [np.nan])
            print(
                f"{part}: bands pooled hold {100 * held.mean():.0f} %; points {_two(points)} K (n {points.size}); "
                f"beyond {_two(beyond)} % of the rise (n {beyond.size})"
            )
        timed = np.array([abs(told - real) / max(real, 60.0) for _, real, told in self.crossings if np.isfinite(told)])
        print(f"limits crossed {len(self.crossings)}, missed {sum(not may for may, _, _ in self.crossings)}")
        if timed.size:
            print(f"time to limit, where told ({timed.size}): {_two(100 * timed)} %")
        for name, column in zip(
            ("gear driven", "other gear", "ratio of gears"), zip(*self.steady, strict=True), strict=False
        ):
            known = np.array(column)[np.isfinite(column)]
            print(f"continuous force, {name} ({known.size}): {_two(100 * known)} %")
        bounds = np.array([one[3:] for one in self.steady])
        print(f"continuous force, above its lower bound (90 asked): {100 * np.nanmean(bounds):.0f} %")
        for reason, count in sorted(self.refusals.items(), key=lambda item: -item[1]):
            print(f"refused {count:4d} x {reason}")


def run(vehicles: int, seed: int, arms: list[str]) -> None:
    """Print one table per kind of log; all kinds see the same drives and the same roads."""
    tables = {what: Table() for what in arms}
    for number in range(vehicles):
        rng = np.random.default_rng([seed, number])
        truth = draw(rng)
        build = told_build(truth, rng)
        traces = [drive(truth, trip, rng) for trip in ordinary_trips(rng)]
        trips = {
            "climb 9:1": climb(rng), "tow 9:1": climb(rng, tow=True), "climb 14.4:1": climb(rng, ratio=OTHER_RATIO),
            "tow 14.4:1": climb(rng, tow=True, ratio=OTHER_RATIO), "launch 9:1": launches(rng),
        }  # fmt: skip
        roads = [(name, trip, drive(truth, trip, rng)) for name, trip in trips.items()]
        forces = [
            true_continuous_force_n(truth, rng, ratio, red=95.0, ambient=30.0) for ratio in (truth.ratio, OTHER_RATIO)
        ]
        for what, table in tables.items():
            model = taught(truth, build, traces, rng, what)
            if (error := continuous(forces, truth, build, model, rng, table.refusals)) is not None:
                table.steady.append(error)
            table.add(truth, build, model, roads, rng)
    for what, table in tables.items():
        print(f"\n{vehicles} vehicles, seed {seed}, load from {what}: error of the peak")
        table.print()


if __name__ == "__main__":
    arguments = sys.argv[1:]
    run(
        int(arguments[0]) if arguments else 80,
        int(arguments[1]) if len(arguments) > 1 else 1,
        arguments[2:] or ["torque", "current", "speed", "force"],
    )
