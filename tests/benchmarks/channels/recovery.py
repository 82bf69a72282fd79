"""How well lags, offsets and clocks are recovered from seeded twins.

Run by hand: ``python -m tests.benchmarks.channels.recovery``. Goals: the lag between voltage and
current to 30 ms, the current's offset to 0.3 A, the lag between two loggers' clocks to 0.1 s.
"""

from __future__ import annotations

import time

import numpy as np

from logan.demo.routes import highway_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinVehicle, drive_twin
from logan.drive.clock_alignment import ClockAlignment, align_clocks
from logan.drive.drive import Channel, Drive
from logan.drive.skew import LagEstimate, current_lag
from logan.quality.current_sign import standstill_excess_a
from logan.quality.survey import DriveSurvey
from tests.benchmarks.quality.clean import planned_build

ROUTES = (urban_route, mixed_route, highway_route)
DRIVES_A_ROUTE = 6


def twin(route, rng, **sensors) -> Drive:
    """A quarter of an hour of the twin, one sample in two hundred lost."""
    path = route(rng, duration_s=900.0)
    return drive_twin(TwinVehicle(), path, rng=rng, sensors=TwinSensors(lost_ratio=0.005, **sensors)).to_drive()


def show(name: str, errors: list[float], refused: int, inside: int, unit: str, goal: float, took_s: float) -> None:
    """Print one row."""
    worst = max(np.abs(errors), default=float("nan"))
    rms = float(np.sqrt(np.mean(np.square(errors)))) if errors else float("nan")
    print(
        f"{name:34s} rms {rms:8.4f} worst {worst:8.4f} {unit:2s} (goal {goal}); within the 90 % interval "
        f"{inside}/{len(errors)}; refused {refused}; {took_s / max(len(errors) + refused, 1):.2f} s each"
    )


def lags(name: str, sensor: str, estimate, goal: float, rng: np.random.Generator) -> None:
    """Recover a lag of one sensor."""
    errors, refused, inside, took_s = [], 0, 0, 0.0
    for route in ROUTES:
        for _ in range(DRIVES_A_ROUTE):
            true_s = float(rng.uniform(-0.6, 0.6))
            drive = twin(route, rng, **{sensor: true_s})
            began = time.perf_counter()
            found = estimate(drive)
            took_s += time.perf_counter() - began
            if not isinstance(found, LagEstimate):
                refused += 1
                continue
            errors.append(found.lag_s - true_s)
            inside += found.low_s <= true_s <= found.high_s
    show(name, errors, refused, inside, "s", goal, took_s)


def offsets(rng: np.random.Generator) -> None:
    """Recover the current's offset at standstill."""
    errors, refused, inside, took_s = [], 0, 0, 0.0
    for route in ROUTES:
        for _ in range(DRIVES_A_ROUTE):
            true_a = float(rng.uniform(-2.0, 2.0))
            drive = twin(route, rng, current_offset_a=true_a)
            began = time.perf_counter()
            survey = DriveSurvey(drive, planned_build(TwinVehicle()))
            found = standstill_excess_a(survey)
            took_s += time.perf_counter() - began
            if found is None:
                refused += 1
                continue
            error_a = float(np.median(found[1])) - true_a
            errors.append(error_a)
            inside += abs(error_a) <= 1.645 * survey.unlogged_base_w[1] / float(np.nanmedian(survey.voltage_v))
    show("offset of the current", errors, refused, inside, "A", 0.3, took_s)


def clocks(rng: np.random.Generator) -> None:
    """Recover lag and drift between two clocks: 10 Hz speed of the vehicle, and a phone's once a second."""
    errors, drifts, refused, inside, took_s = [], [], 0, 0, 0.0
    for route in ROUTES:
        for _ in range(DRIVES_A_ROUTE):
            lag_s, ppm = float(rng.uniform(-600, 600)), float(rng.uniform(-60, 60))
            drive = twin(route, rng)
            phone = drive["gnss_speed"]
            time_s = np.arange(phone.time_s[0], phone.time_s[-1], 1.0)
            value = phone.at(time_s)
            known = np.isfinite(value)
            own_s = (time_s[known] - lag_s) * (1.0 - ppm * 1e-6)
            began = time.perf_counter()
            found = align_clocks(drive["speed"], Channel(name="gnss_speed", time_s=own_s, value=value[known]))
            took_s += time.perf_counter() - began
            if not isinstance(found, ClockAlignment):
                refused += 1
                continue
            # The lag that holds at the middle of the overlap.
            true_s = found.at_s / (1.0 - ppm * 1e-6) + lag_s - found.at_s
            errors.append(found.lag_s - true_s)
            drifts.append(found.drift_ppm - ppm)
            inside += found.low_s <= true_s <= found.high_s
    show("lag between two clocks", errors, refused, inside, "s", 0.1, took_s)


def main() -> None:
    """Print the table."""
    rng = np.random.default_rng(20_240_519)
    lags(
        "lag of current against voltage",
        "current_lag_s",
        lambda d: current_lag(d["pack_voltage"], d["pack_current"]),
        0.03,
        rng,
    )
    offsets(rng)
    clocks(rng)


if __name__ == "__main__":
    main()
