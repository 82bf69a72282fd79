"""The pass: temperatures over a road, what holds, when it does not; and the force that is held for ever."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logan.heat.fit import HeatModel
from logan.heat.forecast import (
    LOAD_SIGMA_RATIO,
    MOST_BAND_RATIO,
    READING_SIGMA_K,
    HeatForecast,
    HeatRoad,
    discrepancy_ratio,
    forecast_heat,
    road_samples,
    upper_limit,
)
from logan.heat.network import HeatLoad, march
from logan.heat.series import BLOCK_S, CHANNELS, RoadVehicle
from logan.physics.powertrain import force_loss_w
from logan.results import Estimate, Figure, Quantiles, Refusal, result
from logan.settings import BuildSettings
from logan.units import BoolArray, FloatArray
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
        Mean speed at that share; None of launches. [m/s]
    arrival_charge : Quantiles
        State of charge at the end. [ratio]
    regenerated_wh, regen_lost_wh : float
        Put back on the way, and braked away because the pack took no more; medians. [Wh]
    drive_count : int
        Drives that the network rests on.
    empty_after_s : float or None
        When half of the samples are below the usable window; None where they arrive. [s]
    is_all_out : bool
        Launches, which are got through, where a road is got over.
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
    is_all_out: bool = False
    advice: str = ""
    notes: tuple[str, ...] = ()

    @property
    def comes_near(self) -> bool:
        """Whether some part may reach a limit that was given, or no more than a band can be said of one."""
        return any(
            isinstance(part.peak_degc, Refusal)
            or any(
                level is not None and float(part.high_degc.max()) >= level
                for level in (part.amber_degc, part.derate_degc, part.red_degc)
            )
            for part in self.forecast.parts
        )


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
        gained = min(force_n / float(vehicle.mass_kg + vehicle.rotating_kg), 6.0)
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
    has_speed = moving.size > 0 and not road.is_all_out
    speed = float(moving.mean()) * share.value if has_speed and isinstance(share, Estimate) else None
    notes = [*model.notes, *_judgement(model)]
    is_empty = np.median(samples.charge_ratio, axis=1) < build.pack.usable_low_ratio
    if forecast.short_ratio > 0.02 and not road.is_all_out:
        notes.append(
            f"motor or pack cannot give what the road asks for {100.0 * forecast.short_ratio:.0f} % of the time: "
            "the forecast is cut at their limit, and the vehicle is slower there"
        )
    parts = {part.part for part in forecast.parts}
    hidden = next((part.hidden_k for part in forecast.parts if part.hidden_k is not None), None)
    if "motor" in parts and hidden is not None:
        network = f"some {measure(hidden, 'K')} at the peak by the network, " if hidden >= 1.0 else ""
        notes.append(
            f"the winding is above its sensor by {network}5 to {measure(30, 'K')} on a tow by experience: no log sees "
            "it, so leave the limit that allowance"
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
        is_all_out=road.is_all_out,
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


CONTINUOUS_S: Final = 3.0 * 3600.0
"""Long enough for every part but the cells to settle: IEC 60034-1, S1 (from memory). [s]"""

HALF_HOUR_S: Final = 1800.0
"""From cold: IEC 60034-1, S2 30 min (from memory). [s]"""

MOST_SHARE_RATIO: Final = 0.3
"""A force whose lower bound lies further than this below its median is a guess: what spins alone takes nearly all."""

_STEP_S: Final = 90.0
_FORCES: Final = 14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldForces:
    """Force at the wheels that one part allows, by road speed.

    Parameters
    ----------
    part : str
        Motor, inverter, coolant, cells or oil.
    refusal : Refusal or None
        Why nothing may be said; the arrays are empty then.
    median_n, low_n, half_hour_n : ndarray, shape (s,)
        Held for ever: median, and nine times in ten at least, which is what is compared; and for half an hour
        from cold, nine times in ten. [N]
    extrapolation_ratio : float
        Rise to the limit over the highest rise seen.
    """

    part: str
    extrapolation_ratio: float
    refusal: Refusal | None = None
    median_n: FloatArray = field(default_factory=lambda: np.zeros(0))
    low_n: FloatArray = field(default_factory=lambda: np.zeros(0))
    half_hour_n: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def is_guess(self) -> BoolArray:
        """Where no more than the lower bound may be said, shape (s,)."""
        return np.asarray(self.low_n < (1.0 - MOST_SHARE_RATIO) * self.median_n)


def held_forces(
    model: HeatModel,
    vehicle: RoadVehicle,
    build: BuildSettings,
    speeds_m_per_s: FloatArray,
    parameters: FloatArray,
    rng: np.random.Generator,
    *,
    ambient_degc: float,
) -> tuple[HeldForces, ...]:
    """Force that each part with a red limit allows at each speed, from cold parts.

    Parameters
    ----------
    model : HeatModel
        What the drives taught.
    vehicle : RoadVehicle
        Gear and tire.
    build : BuildSettings
        Limits, motor and pack.
    speeds_m_per_s : ndarray, shape (s,)
        Road speeds. [m/s]
    parameters : ndarray, shape (k, 6)
        In the order of the plan; drive efficiency and auxiliary power load the cells.
    rng : numpy.random.Generator
        Of the network's parameters.
    ambient_degc : float
        Outside air. [degC]

    Returns
    -------
    tuple of HeldForces
        One per part that has a red limit.
    """
    k, motor = parameters.shape[0], build.powertrain.motor
    top_n = motor.max_torque_nm * motor.count * vehicle.radians_per_metre * vehicle.gear_efficiency_ratio
    force_n = top_n * np.linspace(0.0, 1.3, _FORCES) ** 1.5
    columns = {name: np.tile(value, _FORCES) for name, value in model.sample(k, rng).items()}
    repeated, v = np.repeat(force_n, k), speeds_m_per_s[:, np.newaxis]
    torque = vehicle.torque_nm(repeated) * np.tile(
        np.exp(np.hypot(LOAD_SIGMA_RATIO, model.scale_sigma_ratio) * rng.standard_normal(k)), _FORCES
    )
    lost = force_loss_w(repeated, vehicle.constant_loss_w, vehicle.copper_loss_w_per_n2)
    pack_w = repeated * v / np.tile(parameters[:, 3], _FORCES) + lost + np.tile(parameters[:, 5], _FORCES)
    volts = build.pack.cells_in_series * build.pack.cell_nominal_voltage_v
    steps = round(CONTINUOUS_S / _STEP_S)

    def held(value: FloatArray) -> FloatArray:
        return np.broadcast_to(value, (steps, *np.broadcast_shapes(value.shape, (1, 1))))

    shaft = v * vehicle.radians_per_metre
    load = HeatLoad(
        square=held(torque**2),
        magnitude=held(np.abs(torque)),
        shaft_rad_per_s=held(shaft),
        shaft_square=held(shaft**2),
        road_m_per_s=held(v),
        current_a2=held((pack_w / volts) ** 2),
        ambient_degc=held(np.array([[ambient_degc]])),
        step_s=_STEP_S,
        activation_j_per_mol=build.pack.resistance_activation_j_per_mol,
    )
    start = {part: np.full((speeds_m_per_s.size, 1), ambient_degc) for part in CHANNELS}
    needed = {part for part in CHANNELS if model.parts[part].refusal is None and build.limits.of(CHANNELS[part][0])}
    if needed & {"motor", "rotor", "inverter", "coolant"}:
        needed |= {"motor", "inverter", "coolant"}
    marched = march(columns, load, start, has_coolant=model.has_coolant, parts=frozenset(needed))
    found = []
    for part in CHANNELS:
        limit = upper_limit(build, part)
        if limit is None or limit.red is None:
            continue
        rise_k = marched.of(part) - ambient_degc
        if part == "cells":
            # No load outlasts the pack: the cells are as hot as they are when it is empty.
            lasts = np.minimum(3600.0 / _STEP_S * build.pack.usable_energy_wh.value / pack_w, steps - 1.0)
            at = np.minimum(np.arange(steps)[:, np.newaxis, np.newaxis], lasts.astype(np.int64))
            rise_k = np.take_along_axis(rise_k, at, axis=0)
        rise_k = rise_k.reshape(steps, speeds_m_per_s.size, _FORCES, k)
        found.append(_held(part, model, rise_k, limit.red - ambient_degc, force_n, rng))
    return tuple(found)


def _held(
    part: str, model: HeatModel, rise_k: FloatArray, room_k: float, force_n: FloatArray, rng: np.random.Generator
) -> HeldForces:
    fit = model.parts[part]
    ratio = room_k / max(fit.rise_k, 1.0)
    refusal = fit.refusal
    if refusal is None and ratio > MOST_BAND_RATIO:
        reason = f"its limit lies {ratio:.1f} times as far above the outside air as it was ever seen"
        refusal = Refusal(reason, "Drive ten minutes of steady hard pull, where it is legal and safe")
    if refusal is not None:
        return HeldForces(part=part, refusal=refusal, extrapolation_ratio=ratio)
    speeds, k = rise_k.shape[1], rise_k.shape[3]
    beyond = np.maximum(1.0 + discrepancy_ratio(part, ratio) * rng.standard_normal(k), 0.5)
    goal = (room_k - fit.offset_k + READING_SIGMA_K * rng.standard_normal(k)) / beyond

    def forces(at: int) -> FloatArray:
        return np.array(
            [
                [np.interp(goal[j], np.maximum.accumulate(rise_k[at, s, :, j]), force_n) for j in range(k)]
                for s in range(speeds)
            ]
        )

    lasting, short = forces(-1), forces(round(HALF_HOUR_S / _STEP_S) - 1)
    return HeldForces(
        part=part,
        median_n=np.median(lasting, axis=1),
        low_n=np.percentile(lasting, 10.0, axis=1),
        half_hour_n=np.percentile(short, 10.0, axis=1),
        extrapolation_ratio=ratio,
    )
