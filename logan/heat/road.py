"""The pass: temperatures over a road, what holds, when it does not, and with how much charge one arrives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from logan.heat.fit import HeatModel
from logan.heat.forecast import HeatForecast, HeatRoad, forecast_heat, road_samples
from logan.heat.series import BLOCK_S, RoadVehicle
from logan.results import Estimate, Figure, Quantiles, Refusal, result
from logan.settings import BuildSettings
from logan.units import FloatArray
from logan.units.sentences import measure

SAMPLES: Final = 160
TRIAL_SAMPLES: Final = 48
HOLDS_RATIO: Final = 0.9
"""Chance that a speed must have to be called one that holds."""

_SHARES: Final = (1.0, 0.92, 0.84, 0.76, 0.68, 0.6, 0.5, 0.4, 0.3)
_LAUNCH_PAUSE_S: Final = 60

SampleDrawer = Callable[[int], FloatArray]
"""Draws parameters of plan or fit, shape (k, 6)."""


@result("road-heat/1", eq=False)
class RoadHeat:
    """One road in one load and weather.

    Parameters
    ----------
    name : str
        What was asked.
    distance_m, duration_s : float
        Of the road.
    forecast : HeatForecast
        Temperatures, times and chances.
    held_share : Figure
        Share of the speed asked that holds with nine chances in ten; refused where none does. [ratio]
    held_speed_m_per_s : float or None
        Mean speed at that share. [m/s]
    arrival_charge : Quantiles
        State of charge at the end. [ratio]
    regenerated_wh, regen_lost_wh : float
        Put back on the way, and braked away because the pack took no more; medians. [Wh]
    drive_count : int
        Drives that the network rests on.
    empty_after_s : float or None
        When half of the samples are below the usable window; None where they arrive. [s]
    advice : str
        Which drive would narrow it most; empty where none would.
    notes : tuple of str
        In plain words.
    """

    name: str
    distance_m: float
    duration_s: float
    forecast: HeatForecast
    held_share: Figure
    held_speed_m_per_s: float | None
    arrival_charge: Quantiles
    regenerated_wh: float
    regen_lost_wh: float
    drive_count: int
    empty_after_s: float | None = None
    advice: str = ""
    notes: tuple[str, ...] = ()


def launch_road(build: BuildSettings, vehicle: RoadVehicle, count: int, *, top_m_per_s: float = 26.82) -> FloatArray:
    """Speeds of repeated launches from standstill at full torque, each with a minute's pause. [m/s]

    Parameters
    ----------
    build, vehicle : BuildSettings, RoadVehicle
        Motor and mass.
    count : int
        How many.
    top_m_per_s : float
        Speed at which one ends; 60 mph. [m/s]

    Returns
    -------
    ndarray, shape (m,)
        Once a second. [m/s]
    """
    motor, speeds = build.powertrain.motor, [0.0]
    while speeds[-1] < top_m_per_s and len(speeds) < 120:
        shaft = max(speeds[-1] * vehicle.radians_per_metre, 1e-9)
        torque = min(motor.max_torque_nm, motor.max_power_w / shaft) * motor.count
        force_n = 0.85 * torque * vehicle.radians_per_metre * vehicle.gear_efficiency_ratio
        gained = min(force_n / (vehicle.mass_kg + vehicle.rotating_kg), 6.0)
        speeds.append(min(speeds[-1] + gained, top_m_per_s))
    braking = np.arange(top_m_per_s, 0.0, -2.5)
    one = np.concatenate((speeds, np.full(3, top_m_per_s), braking, np.zeros(_LAUNCH_PAUSE_S)))
    return np.tile(one, count)


def road_heat(
    name: str,
    road: HeatRoad,
    model: HeatModel,
    vehicle: RoadVehicle,
    build: BuildSettings,
    draw: SampleDrawer,
    rng: np.random.Generator,
) -> RoadHeat:
    """Forecast a road, and look for the speed that holds on it.

    Parameters
    ----------
    name : str
        What was asked.
    road, model, vehicle, build
        As in ``forecast_heat``.
    draw : callable
        Parameters of the plan or fit.
    rng : numpy.random.Generator
        Of everything else.

    Returns
    -------
    RoadHeat
        The answer.
    """
    samples = road_samples(road, vehicle, build, draw(SAMPLES), rng)
    forecast = forecast_heat(model, samples, road, vehicle, build, rng)
    share = _held_share(road, forecast, model, vehicle, build, draw, rng)
    moving = road.speed_m_per_s[road.speed_m_per_s > 0.3]
    duration_s, distance_m = float(road.speed_m_per_s.size), float(road.speed_m_per_s.sum())
    speed = float(moving.mean()) * share.value if isinstance(share, Estimate) and moving.size else None
    notes = [*model.notes, *_judgement(model)]
    is_empty = np.median(samples.charge_ratio, axis=1) < build.pack.usable_low_ratio
    if forecast.short_ratio > 0.02:
        notes.append(
            f"motor or pack cannot give what the road asks for {100.0 * forecast.short_ratio:.0f} % of the time: "
            "the forecast is cut at their limit, and the vehicle is slower there"
        )
    parts = {part.part for part in forecast.parts}
    hidden = next((part.hidden_k for part in forecast.parts if part.hidden_k is not None), None)
    if "motor" in parts and hidden is not None:
        notes.append(
            f"the winding is some {measure(hidden, 'K')} above its sensor at the peak by the network, "
            f"5 to {measure(30, 'K')} on a tow by experience: no log sees it, so leave the limit that allowance"
        )
    refused = any(isinstance(part.peak_degc, Refusal) for part in forecast.parts) or "motor" in forecast.refused
    advice = (
        "Ten minutes of steady hard pull, such as up 9 %, where it is legal and safe, with torque or phase "
        "current and coolant logged, would narrow it most"
    )
    return RoadHeat(
        name=name,
        distance_m=distance_m,
        duration_s=duration_s,
        forecast=forecast,
        held_share=share,
        held_speed_m_per_s=speed,
        arrival_charge=Quantiles.of_samples(samples.charge_ratio[-1], "ratio"),
        regenerated_wh=float(np.median(samples.regenerated_wh)),
        regen_lost_wh=float(np.median(samples.regen_lost_wh)),
        drive_count=model.drive_count,
        empty_after_s=float(BLOCK_S * np.argmax(is_empty)) if is_empty.any() else None,
        advice=advice if refused else "",
        notes=tuple(notes),
    )


def _judgement(model: HeatModel) -> tuple[str, ...]:
    """How well the drives forecast each other, in words."""
    told = [f"{part} {measure(np.median(np.abs(errors)), 'K', '.1f')}" for part, errors in model.left_out_k.items()]
    if not told:
        return ()
    return (f"each drive's peak forecast by the others alone was off by, in the middle: {', '.join(told)}",)


def _held_share(
    road: HeatRoad,
    forecast: HeatForecast,
    model: HeatModel,
    vehicle: RoadVehicle,
    build: BuildSettings,
    draw: SampleDrawer,
    rng: np.random.Generator,
) -> Figure:
    if forecast.over_ratio is None:
        if any(part.red_degc is not None for part in forecast.parts):
            return Refusal("of a part with a red limit nothing may be said yet", "See which part is refused, and why")
        return Refusal("no red limit is given", "Enter the limits from the datasheets in the limit sheet")
    for share in _SHARES:
        chance: float | None = forecast.over_ratio
        if share < 1.0:
            slower = _slower(road, share)
            trial = road_samples(slower, vehicle, build, draw(TRIAL_SAMPLES), rng)
            chance = forecast_heat(model, trial, slower, vehicle, build, rng).over_ratio
        if chance is not None and chance >= HOLDS_RATIO:
            return Estimate(share, "ratio", 0.04, "forecast; nine chances in ten")
    return Refusal("not even a third of this speed holds with nine chances in ten", "Let it cool on the way")


def _slower(road: HeatRoad, share_ratio: float) -> HeatRoad:
    """The same road at a share of its speed."""
    distance_m = np.cumsum(road.speed_m_per_s)
    count = max(8, int(road.speed_m_per_s.size / share_ratio))
    at = np.arange(count) * share_ratio
    index = np.arange(road.speed_m_per_s.size)
    speed = np.interp(at, index, road.speed_m_per_s) * share_ratio
    grade = np.interp(np.cumsum(speed), distance_m, road.grade_ratio)
    return replace(road, speed_m_per_s=speed, grade_ratio=grade)
