"""Every figure against the twin's truth, over many seeds: error, and how often intervals hold it.

Run: python -m tests.benchmarks.metrics.truth [seeds] [part]
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from logan.demo.routes import coastdown_route, mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import STEP_S, TwinDrive, TwinVehicle, drive_twin
from logan.drive.drive import Drive
from logan.ledger.reckon import energy_ledger
from logan.metrics.coastdowns import coastdown_summary
from logan.metrics.energy import energy_summary
from logan.metrics.regen import regen_summary
from logan.metrics.resistance import resistance_summary
from logan.results import Estimate, Figure
from logan.settings import BuildSettings
from tests.twin_drives import build_of

Rows = list[tuple[str, float, Figure]]


def energy_rows(seed: int) -> Rows:
    """Mixed drive at 10 Hz with a twentieth of the samples lost, a wrong gain and a wrong zero within their priors."""
    rng = np.random.default_rng(seed)
    sensors = TwinSensors(
        lost_ratio=0.05,
        current_gain_ratio=1.0 + rng.normal(0.0, 0.014),
        current_offset_a=rng.normal(0.0, 0.5),
    )
    clean = TwinSensors(lost_ratio=0.05)
    rows: Rows = []
    for name, used in (("net energy, true sensors [Wh]", clean), ("net energy, sensors within 1 sigma [Wh]", sensors)):
        twin = drive_twin(
            TwinVehicle(), mixed_route(np.random.default_rng(seed), duration_s=1200.0), rng=rng, sensors=used
        )
        rows.append((name, twin.net_wh, energy_summary(twin.to_drive(), build_of(twin.vehicle)).net_wh))
    return rows


def wrong_sensors(rng: np.random.Generator) -> TwinSensors:
    """Current sensor as wrong in gain and zero as one whose own errors are not known."""
    return TwinSensors(current_gain_ratio=1.0 + rng.normal(0.0, 0.014), current_offset_a=rng.normal(0.0, 0.5))


def with_wrong_speed(drive: Drive, rng: np.random.Generator) -> Drive:
    """Road speed from a tyre whose circumference is a per cent off."""
    speed = drive["speed"]
    return drive.with_channels(replace(speed, value=speed.value * (1.0 + rng.normal(0.0, 0.01))))


def told_of(vehicle: TwinVehicle, rng: np.random.Generator) -> BuildSettings:
    """The twin's build as wrong as its own uncertainties say: every value off by a draw of its sigma."""

    def shifted(group, names):
        values = {name: getattr(group, name) for name in names}
        return replace(group, **{n: replace(v, value=v.value + rng.normal(0.0, v.sigma)) for n, v in values.items()})

    build = build_of(vehicle)
    radius_m = vehicle.tyre_rolling_circumference_m / (2.0 * math.pi)
    rotating = build.vehicle.wheel_inertia_kg_m2 + rng.normal(0.0, 0.005 * vehicle.mass_kg) * radius_m**2
    told = shifted(build.vehicle, ("mass_kg", "drag_area_m2", "rolling_coefficient"))
    return replace(
        build,
        vehicle=replace(told, wheel_inertia_kg_m2=rotating),
        powertrain=shifted(build.powertrain, ("drive_efficiency", "regen_efficiency")),
    )


def trace_energy_wh(twin: TwinDrive) -> dict[str, float]:
    trace, hours = twin.trace, STEP_S / 3600.0
    speed = 0.5 * (trace["speed"] + np.append(trace["speed"][1:], trace["speed"][-1]))
    wheel, brake, pack = trace["wheel_force"] * speed, trace["brake_force"] * speed, trace["pack_power"]
    return {
        "friction": brake.sum() * hours,
        "braking": (np.maximum(-wheel, 0.0) + brake).sum() * hours,
        "back": np.maximum(-pack, 0.0).sum() * hours,
        "out": np.maximum(pack, 0.0).sum() * hours,
    }


def regen_rows(seed: int) -> Rows:
    vehicle = TwinVehicle(regen_power_limit_w=20_000.0)
    rng = np.random.default_rng(seed)
    twin = drive_twin(vehicle, urban_route(rng, duration_s=1200.0), rng=rng, sensors=wrong_sensors(rng))
    drive, build = with_wrong_speed(twin.to_drive(), rng), told_of(vehicle, rng)
    summary, truth = regen_summary(drive, build, energy_summary(drive, build)), trace_energy_wh(twin)
    values = {figure.number: figure.value for figure in summary.figures}
    ledger = energy_ledger(drive, build)
    return [
        ("regen 1, share [ratio]", truth["back"] / truth["out"], values[1]),
        ("regen 3, recovery [ratio]", truth["back"] / truth["braking"], values[3]),
        ("regen 5, drivetrain [ratio]", vehicle.regen_efficiency_ratio, values[5]),
        ("friction brakes [Wh]", truth["friction"], summary.friction_wh),
        ("ledger residual [Wh], truth 0", 0.0, ledger.residual_wh),
    ]


def resistance_rows(seed: int) -> Rows:
    rng = np.random.default_rng(seed)
    vehicle = TwinVehicle()
    twin = drive_twin(vehicle, mixed_route(rng, duration_s=1200.0), rng=rng, sensors=wrong_sensors(rng))
    cold = math.exp(25_000.0 / 8.314 * (1.0 / 293.15 - 1.0 / 298.15))
    rows: Rows = []
    for band in resistance_summary(twin.to_drive(), build_of(vehicle)).whole_drive:
        slow = vehicle.pack_polarisation_ohm * (1.0 - math.exp(-band.duration_s / vehicle.pack_polarisation_s))
        truth = (vehicle.pack_resistance_ohm + slow) * cold
        if band.subject == "pack":
            rows.append((f"pack resistance {band.duration_s:.0f} s [ohm]", truth, band.resistance_ohm))
    return rows


def coastdown_rows(seed: int) -> Rows:
    rng = np.random.default_rng(seed)
    vehicle = TwinVehicle()
    twin = drive_twin(vehicle, coastdown_route(rng), rng=rng)
    summary = coastdown_summary(twin.to_drive(), told_of(vehicle, rng))
    density = 98_210.0 / (287.05 * 293.15)
    force_n = vehicle.mass_kg * 9.80665 * vehicle.rolling_coefficient * 1.04
    force_n += 0.5 * density * vehicle.drag_area_m2 * 29.0576**2
    return [
        ("drag area, 4 calm pairs [m2]", vehicle.drag_area_m2, summary.drag_area_m2),
        ("rolling coefficient [ratio]", vehicle.rolling_coefficient, summary.rolling_coefficient),
        ("force at 65 mph [N]", force_n, summary.force_65_mph_n),
    ]


PARTS: tuple[Callable[[int], Rows], ...] = (energy_rows, regen_rows, resistance_rows, coastdown_rows)


def main(seeds: int, word: str) -> None:
    found: dict[str, list[tuple[float, Figure]]] = {}
    for part in PARTS:
        if word not in part.__name__:
            continue
        for seed in range(seeds):
            for name, truth, figure in part(seed):
                found.setdefault(name, []).append((truth, figure))
    print(f"{seeds} seeds; error is the estimate less the truth, in per cent of the truth where that is not zero")
    print(f"{'figure':44} {'median':>9} {'worst':>9} {'sigma':>9} {'in 68 %':>8} {'in 90 %':>8} refused")
    for name, pairs in found.items():
        known = [(truth, figure) for truth, figure in pairs if isinstance(figure, Estimate)]
        if not known:
            print(f"{name:44} {'all refused':>9}")
            continue
        error = np.array([figure.value - truth for truth, figure in known])
        sigma = np.array([figure.sigma or 0.0 for _, figure in known])
        is_relative = "net energy" in name or ("[degC]" not in name and "[Wh]" not in name)
        scale = np.array([100.0 / abs(truth) if is_relative and truth else 1.0 for truth, _ in known])
        unit = " %" if is_relative else "  "
        z = np.abs(error) / np.maximum(sigma, 1e-12)
        shown = np.abs(error * scale)
        print(
            f"{name:44} {np.median(shown):7.2f}{unit} {shown.max():7.2f}{unit} {np.median(sigma * scale):7.2f}{unit}"
            f" {np.mean(z < 1.0):8.0%} {np.mean(z < 1.645):8.0%} {len(pairs) - len(known)}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12, sys.argv[2] if len(sys.argv) > 2 else "")
