"""Temperatures over a road that was not driven yet, with bands, and what may not be said (method/heat.md, 5)."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.heat.fit import HeatModel
from logan.heat.network import HeatLoad, march
from logan.heat.series import BLOCK_S, CHANNELS, RoadVehicle
from logan.physics.battery import max_discharge_power_w, open_circuit_voltage_v, pack_current_a, resistance_at_ohm
from logan.physics.powertrain import force_loss_w, regen_limit_ratio, terminal_power_w
from logan.results import Estimate, Figure, Refusal, result
from logan.settings import BuildSettings, Limit, LimitSide
from logan.units import BoolArray, FloatArray

LOAD_SIGMA_RATIO: Final = 0.02
TOW_SIGMA_RATIO: Final = 0.03
WIND_SIGMA_M_PER_S: Final = 2.5
"""What a road asks is known to these, besides the vehicle's own parameters (method/heat.md, 5)."""

READING_SIGMA_K: Final = 0.6
"""Steps of a sensor, and how well it was levelled at a cold start. [K]"""

DISCREPANCY_RATIO: Final = {"motor": 0.03, "rotor": 0.07, "inverter": 0.03, "coolant": 0.08, "cells": 0.07, "oil": 0.10}
"""What the network does not describe, as a share of the rise: a pump and a fan that switch, the cells' core."""

MOST_DISCREPANCY_RATIO: Final = 0.15

TOW_SHARE_RATIO: Final = 0.3
MOST_POINT_RATIO: Final = 3.0
MOST_BAND_RATIO: Final = 4.0
MOST_COPPER_RATIO: Final = 6.0
"""Torque squared beyond the hardest two minutes seen, in a taller gear: a guess without a pull before."""

_SECONDS: Final = int(BLOCK_S)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatRoad:
    """A road to be driven, once a second, and its surroundings.

    Parameters
    ----------
    speed_m_per_s, grade_ratio : ndarray, shape (m,)
        Road speed and slope. [m/s, ratio]
    ambient_degc, density_kg_per_m3, headwind_m_per_s : float
        Air.
    payload_kg, drag_factor, rolling_factor : float
        Beyond the vehicle as weighed; a trailer is a payload with its drag.
    start_degc : float or None
        All parts at the start; None takes the outside air.
    start_charge_ratio : float
        State of charge at the start.
    is_all_out : bool
        All that motor and pack give is asked for, as in launches: that it is at times less than that is no failure.
    """

    speed_m_per_s: FloatArray
    grade_ratio: FloatArray
    ambient_degc: float
    density_kg_per_m3: float = 1.2
    headwind_m_per_s: float = 0.0
    payload_kg: float = 0.0
    drag_factor: float = 1.0
    rolling_factor: float = 1.0
    start_degc: float | None = None
    start_charge_ratio: float = 0.9
    is_all_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadSamples:
    """Torque, speed and pack over a road for each sample, blocks by samples.

    Parameters
    ----------
    load : HeatLoad
        Drives the network; arrays of shape (n, 1, k).
    charge_ratio : ndarray, shape (n, k)
        State of charge.
    short_ratio : ndarray, shape (k,)
        Share of the time in which motor or pack cannot give what the road asks.
    regenerated_wh, regen_lost_wh : ndarray, shape (k,)
        Put back, and braked away because pack, power or charge limit took no more. [Wh]
    """

    load: HeatLoad
    charge_ratio: FloatArray
    short_ratio: FloatArray
    regenerated_wh: FloatArray
    regen_lost_wh: FloatArray


def road_samples(
    road: HeatRoad, vehicle: RoadVehicle, build: BuildSettings, parameters: FloatArray, rng: np.random.Generator
) -> RoadSamples:
    """What a road asks of motor and pack, for each sample of the vehicle's parameters and of the day's load.

    Parameters
    ----------
    road : HeatRoad
        The road.
    vehicle : RoadVehicle
        Gear and tire; its mass and drag are replaced by the samples'.
    build : BuildSettings
        Motor and pack limits.
    parameters : ndarray, shape (k, 6)
        In the order of the plan: mass, drag area, rolling, drive and regen efficiency, auxiliary power.
    rng : numpy.random.Generator
        Of load and wind.

    Returns
    -------
    RoadSamples
        Beyond what motor and pack give, the torque is cut there.
    """
    mass, drag, rolling, drive, regen, auxiliary = (column[np.newaxis, :] for column in parameters.T)
    k, motor = parameters.shape[0], build.powertrain.motor
    is_tow = road.payload_kg > TOW_SHARE_RATIO * float(np.median(mass))
    factor = np.exp((TOW_SIGMA_RATIO if is_tow else LOAD_SIGMA_RATIO) * rng.standard_normal(k))
    wind = road.headwind_m_per_s + WIND_SIGMA_M_PER_S * rng.standard_normal(k)
    size = road.speed_m_per_s.size // _SECONDS * _SECONDS
    ends = np.append(road.speed_m_per_s[:size], road.speed_m_per_s[size - 1])[:, np.newaxis]
    v, grade = 0.5 * (ends[1:] + ends[:-1]), road.grade_ratio[:size, np.newaxis]
    driven = replace(vehicle, mass_kg=mass, drag_area_m2=drag, rolling_coefficient=rolling).as_driven(
        ambient_degc=road.ambient_degc,
        payload_kg=road.payload_kg,
        drag_factor=road.drag_factor,
        rolling_factor=road.rolling_factor,
    )
    force = driven.load_n(v, road.density_kg_per_m3, wind, grade)
    force = force + (driven.mass_kg + vehicle.rotating_kg) * np.diff(ends, axis=0)
    force = np.where(v > 0.1, force * factor, 0.0)
    shaft = v * vehicle.radians_per_metre
    torque = vehicle.torque_nm(force)
    top = np.minimum(motor.max_torque_nm, motor.max_power_w / np.maximum(shaft, 1e-9)) * motor.count
    is_short = torque > top
    torque = np.clip(torque, -top, top)
    pulled = np.clip(force, -top * vehicle.radians_per_metre, top * vehicle.radians_per_metre)
    lost = force_loss_w(pulled, vehicle.constant_loss_w, vehicle.copper_loss_w_per_n2)
    wanted = terminal_power_w(pulled * v, drive, regen) + np.where(v > 0.1, lost, 0.0) + auxiliary
    watts, current, charge, is_weak = _through_pack(wanted, road, build)
    kept = np.minimum(1.0, np.maximum(watts - auxiliary, 0.0) / np.maximum(wanted - auxiliary, 1.0))
    back = np.minimum(1.0, np.minimum(watts - auxiliary, 0.0) / np.minimum(wanted - auxiliary, -1.0))
    torque = torque * np.where(torque > 0.0, kept, back)
    moved = np.broadcast_to(v, torque.shape)
    load = HeatLoad(
        square=_mean(torque**2),
        magnitude=_mean(np.abs(torque)),
        shaft_rad_per_s=_mean(np.broadcast_to(shaft, torque.shape)),
        shaft_square=_mean(np.broadcast_to(shaft**2, torque.shape)),
        road_m_per_s=_mean(moved),
        current_a2=_mean(current**2),
        ambient_degc=np.full((size // _SECONDS, 1, 1), road.ambient_degc),
        step_s=BLOCK_S,
        activation_j_per_mol=build.pack.resistance_activation_j_per_mol,
    )
    return RoadSamples(
        load=load,
        charge_ratio=_mean(charge)[:, 0],
        short_ratio=np.mean(is_short | is_weak, axis=0),
        regenerated_wh=np.sum(np.maximum(-watts, 0.0), axis=0) / 3600.0,
        regen_lost_wh=np.sum(np.maximum(watts - wanted, 0.0) * (wanted < 0.0), axis=0) / 3600.0,
    )


def _through_pack(
    wanted_w: FloatArray, road: HeatRoad, build: BuildSettings
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Power that the pack gives and takes, second by second, its current and charge, and where it cannot.

    The less charge and the colder the cells, the deeper it sags, and the sooner its floor ends the power.
    """
    pack, chain = build.pack, build.powertrain
    full_wh = pack.usable_energy_wh.value / max(pack.usable_high_ratio - pack.usable_low_ratio, 0.05)
    cells_degc = road.start_degc if road.start_degc is not None else road.ambient_degc
    ohm = resistance_at_ohm(pack.resistance_ohm.value, cells_degc, pack.resistance_activation_j_per_mol)
    floor_v = pack.cells_in_series * (pack.cell_voltage_floor_v or 0.0)
    cold = regen_limit_ratio(cells_degc, None)
    charge = np.full(wanted_w.shape[1], road.start_charge_ratio)
    watts, amperes, states = np.empty_like(wanted_w), np.empty_like(wanted_w), np.empty_like(wanted_w)
    for i, asked in enumerate(wanted_w):
        volts = _volts(charge, build)
        room = np.clip((1.0 - charge) / 0.10, 0.0, 1.0) * cold
        most = volts * (np.inf if pack.charge_current_limit_a is None else pack.charge_current_limit_a)
        least = -np.minimum(most, chain.regen_power_limit_w or np.inf) * room
        top = max_discharge_power_w(volts, ohm, floor_v=floor_v, current_limit_a=pack.discharge_current_limit_a)
        watts[i] = np.clip(asked, np.where(np.isfinite(least), least, -1e9 * room), top)
        amperes[i] = pack_current_a(watts[i], volts, ohm)
        charge = charge - watts[i] / 3600.0 / full_wh
        states[i] = charge
    return watts, amperes, states, wanted_w > watts + 1.0


def _volts(charge_ratio: FloatArray, build: BuildSettings) -> FloatArray:
    """Open-circuit voltage, at the state of charge where its curve is given."""
    pack = build.pack
    if not pack.state_of_charge_points:
        return np.full(charge_ratio.shape, pack.cells_in_series * pack.cell_nominal_voltage_v)
    cell_v = open_circuit_voltage_v(charge_ratio, pack.state_of_charge_points, pack.open_circuit_voltage_points_v)
    return pack.cells_in_series * cell_v


def _mean(value: FloatArray) -> FloatArray:
    """Means over blocks, shape (n, 1, k)."""
    return np.asarray(value.reshape(-1, _SECONDS, value.shape[-1]).mean(axis=1)[:, np.newaxis, :])


@result("part-forecast/1")
class PartForecast:
    """One part over the road.

    Parameters
    ----------
    part, channel : str
        Motor, inverter, coolant, cells or oil, and the channel that shows it.
    low_degc, middle_degc, high_degc : ndarray, shape (n,)
        5, 50 and 95 % of what its sensor will show, by block. [degC]
    peak_degc : Figure
        Highest value; refused where it would be a guess. [degC]
    extrapolation_ratio : float
        Forecast rise over the highest rise seen.
    amber_degc, derate_degc, red_degc : float or None
        Limits.
    to_amber_s, to_derate_s, to_red_s : Figure
        When it is reached; refused with the reason where it is not. [s]
    hidden_k : float or None
        Winding above its sensor at the peak. [K]
    """

    part: str
    channel: str
    low_degc: FloatArray
    middle_degc: FloatArray
    high_degc: FloatArray
    peak_degc: Figure
    extrapolation_ratio: float
    amber_degc: float | None
    derate_degc: float | None
    red_degc: float | None
    to_amber_s: Figure
    to_derate_s: Figure
    to_red_s: Figure
    hidden_k: float | None = None

    @property
    def may_reach_red(self) -> bool:
        """Whether the upper edge of its band comes to a red limit that was given."""
        return self.red_degc is not None and float(self.high_degc.max()) >= self.red_degc


@result("heat-forecast/1", eq=False)
class HeatForecast:
    """Temperatures over a road.

    Parameters
    ----------
    parts : tuple of PartForecast
        Hottest, against its limits, first.
    refused : mapping of str to Refusal
        Parts of which nothing may be said.
    over_ratio : float or None
        Chance of getting over with no part beyond red, the road held, and charge left; None where no red limit
        is given, or one is whose part is refused.
    short_ratio : float
        Share of the time in which motor or pack cannot give what the road asks.
    """

    parts: tuple[PartForecast, ...]
    refused: Mapping[str, Refusal]
    over_ratio: float | None
    short_ratio: float


def forecast_heat(
    model: HeatModel,
    samples: RoadSamples,
    road: HeatRoad,
    vehicle: RoadVehicle,
    build: BuildSettings,
    rng: np.random.Generator,
) -> HeatForecast:
    """Forecast every part over a road.

    Parameters
    ----------
    model : HeatModel
        What the drives taught.
    samples : RoadSamples
        What the road asks.
    road, vehicle, build
        As in ``road_samples``.
    rng : numpy.random.Generator
        Of the network's parameters and of what it does not describe.

    Returns
    -------
    HeatForecast
        Bands for all parts that were fitted; points where they are no guess.
    """
    k = samples.load.square.shape[-1]
    level = road.ambient_degc if road.start_degc is None else road.start_degc
    start = {part: np.full((1, 1), level) for part in CHANNELS}
    off = np.exp(model.scale_sigma_ratio * rng.standard_normal(k))
    load = replace(samples.load, square=samples.load.square * off**2, magnitude=samples.load.magnitude * off)
    marched = march(model.sample(k, rng), load, start, has_coolant=model.has_coolant)
    guess = _is_guess(model, samples, vehicle)
    parts, refused, held = [], {}, np.ones(k, dtype=bool)
    is_limited, is_blind = False, False
    for part in CHANNELS:
        fit = model.parts[part]
        if fit.refusal is not None:
            refused[part] = fit.refusal
            limit = upper_limit(build, part)
            is_blind |= limit is not None and limit.red is not None
            continue
        true = marched.of(part)[:, 0, :]
        peak_k = float(np.median(true.max(axis=0))) - road.ambient_degc
        ratio = peak_k / max(fit.rise_k, 1.0)
        beyond = 1.0 + discrepancy_ratio(part, ratio) * rng.standard_normal(k)
        seen = level + (true - level) * beyond + fit.offset_k + READING_SIGMA_K * rng.standard_normal(k)
        hidden = marched.winding[:, 0, :] - marched.motor[:, 0, :] if part == "motor" else None
        found = _part(part, seen, ratio, hidden, build, guess if part == "motor" else None)
        if found.red_degc is not None:
            is_limited = True
            held &= seen.max(axis=0) < found.red_degc
        parts.append(found)
    held &= (road.is_all_out | (samples.short_ratio < 0.02)) & (
        samples.charge_ratio.min(axis=0) > build.pack.usable_low_ratio
    )
    parts.sort(key=lambda one: -_closeness(one))
    return HeatForecast(
        parts=tuple(parts),
        refused=refused,
        over_ratio=float(held.mean()) if is_limited and not is_blind and guess is None else None,
        short_ratio=float(np.median(samples.short_ratio)),
    )


def discrepancy_ratio(part: str, extrapolation_ratio: float) -> float:
    """One standard uncertainty of a forecast rise beyond that of the parameters.

    Parameters
    ----------
    part : str
        Of ``CHANNELS``.
    extrapolation_ratio : float
        Forecast rise over the highest rise seen. [ratio]
    """
    return min(MOST_DISCREPANCY_RATIO, DISCREPANCY_RATIO[part] + 0.03 * max(0.0, extrapolation_ratio - 1.0))


def _is_guess(model: HeatModel, samples: RoadSamples, vehicle: RoadVehicle) -> Refusal | None:
    hardest = float(np.median(samples.load.square.mean(axis=(0, 1))))
    if vehicle.total_ratio < 0.97 * model.total_ratio and hardest > MOST_COPPER_RATIO * model.mean_copper_nm2:
        return Refusal(
            "this gear asks for torque that no drive has shown",
            "Drive ten minutes of steady hard pull first, where it is legal and safe",
        )
    return None


def upper_limit(build: BuildSettings, part: str) -> Limit | None:
    """What the limit sheet says of a part's temperature from above.

    Parameters
    ----------
    build : BuildSettings
        With the limit sheet.
    part : str
        Of ``CHANNELS``.
    """
    return next((one for one in build.limits.of(CHANNELS[part][0]) if one.side is LimitSide.ABOVE), None)


def _closeness(one: PartForecast) -> float:
    limit = one.red_degc if one.red_degc is not None else one.amber_degc
    peak = float(one.middle_degc.max())
    return -1e3 + peak if limit is None else peak - limit


def _part(
    part: str, seen: FloatArray, ratio: float, hidden: FloatArray | None, build: BuildSettings, guess: Refusal | None
) -> PartForecast:
    low, middle, high = np.percentile(seen, [5.0, 50.0, 95.0], axis=1)
    limit = upper_limit(build, part)
    amber, derate, red = (limit.amber, limit.derate, limit.red) if limit else (None, None, None)
    peaks = seen.max(axis=0)
    peak: Figure = Estimate(float(np.median(peaks)), "degC", float(peaks.std()), "forecast")
    if guess is not None:
        peak = guess
    elif ratio > MOST_POINT_RATIO:
        may = "it may pass the limit; " if red is not None and ratio > MOST_BAND_RATIO and high.max() > red else ""
        reason = f"{may}the rise is {ratio:.1f} times the highest that was seen"
        peak = Refusal(reason, "Drive ten minutes of steady hard pull first, where it is legal and safe")
    index = int(np.argmax(middle))
    return PartForecast(
        part=part,
        channel=CHANNELS[part][0],
        low_degc=low,
        middle_degc=middle,
        high_degc=high,
        peak_degc=peak,
        extrapolation_ratio=ratio,
        amber_degc=amber,
        derate_degc=derate,
        red_degc=red,
        to_amber_s=_reached(seen, amber, guess),
        to_derate_s=_reached(seen, derate, guess),
        to_red_s=_reached(seen, red, guess),
        hidden_k=None if hidden is None else float(np.median(hidden[index])),
    )


def _reached(seen_degc: FloatArray, level_degc: float | None, guess: Refusal | None) -> Figure:
    """When half of the samples have reached a limit, with their spread."""
    if level_degc is None:
        return Refusal("no limit given", "Enter the limit from the datasheet in the limit sheet")
    if guess is not None:
        return guess
    above = seen_degc >= level_degc
    does = above.any(axis=0)
    chance = float(does.mean())
    if chance < 0.5:
        return Refusal(f"not reached on this road in {100.0 * (1.0 - chance):.0f} % of the samples", "")
    at_s = BLOCK_S * (np.argmax(above, axis=0)[does] + 0.5)
    return Estimate(float(np.median(at_s)), "s", float(at_s.std()), f"forecast; reached in {100.0 * chance:.0f} %")
