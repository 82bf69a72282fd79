"""Force at the wheels that is held for ever, or for half an hour, until the first part is at its limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.heat.fit import HeatModel
from logan.heat.forecast import LOAD_SIGMA_RATIO, MOST_BAND_RATIO, READING_SIGMA_K, discrepancy_ratio, upper_limit
from logan.heat.network import HeatLoad, march
from logan.heat.series import CHANNELS, RoadVehicle
from logan.physics.powertrain import force_loss_w
from logan.results import Refusal
from logan.settings import BuildSettings
from logan.units import BoolArray, FloatArray

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
    refusal: Refusal | None
    median_n: FloatArray
    low_n: FloatArray
    half_hour_n: FloatArray
    extrapolation_ratio: float

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
    if needed & {"motor", "inverter", "coolant"}:
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
    fit, empty = model.parts[part], np.zeros(0)
    ratio = room_k / max(fit.rise_k, 1.0)
    refusal = fit.refusal
    if refusal is None and ratio > MOST_BAND_RATIO:
        reason = f"its limit lies {ratio:.1f} times as far above the outside air as it was ever seen"
        refusal = Refusal(reason, "Drive ten minutes of steady hard pull, where it is legal and safe")
    if refusal is not None:
        return HeldForces(
            part=part, refusal=refusal, median_n=empty, low_n=empty, half_hour_n=empty, extrapolation_ratio=ratio
        )
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
        refusal=None,
        median_n=np.median(lasting, axis=1),
        low_n=np.percentile(lasting, 10.0, axis=1),
        half_hour_n=np.percentile(short, 10.0, axis=1),
        extrapolation_ratio=ratio,
    )
