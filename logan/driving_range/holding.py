"""What a gearing holds for ever: the least of its parts by the thermal network, and of the motor's rating."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logan.heat.fit import HeatModel
from logan.heat.network import losses_of, priors_of
from logan.heat.series import RoadVehicle
from logan.heat.steady import held_forces
from logan.model.parameters import ParameterDistribution
from logan.physics.machine import MachineLosses
from logan.settings import BuildSettings
from logan.units import RADIANS_PER_SECOND_PER_RPM, FloatArray

GEAR_EFFICIENCY_RATIO: Final = 0.97
"""Motor shaft to wheels (common practice)."""

SAMPLES: Final = 24
NO_LIMIT: Final = "no limit given"
DATASHEET: Final = "motor datasheet"
_SEED: Final = 20_191


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Holding:
    """Forces at the wheels that one gearing holds, by road speed.

    Parameters
    ----------
    speeds_m_per_s : ndarray, shape (s,)
        Rising. [m/s]
    continuous_n, median_n, half_hour_n : ndarray, shape (s,)
        Held for ever, nine times in ten at least; its median; for half an hour from cold. Infinite where
        nothing limits, by the words of ``source``. [N]
    source : str
        What sets the limit at 55 mph, or "no limit given".
    notes : tuple of str
        What may not be said, and why.
    """

    speeds_m_per_s: FloatArray
    continuous_n: FloatArray
    median_n: FloatArray
    half_hour_n: FloatArray
    source: str
    notes: tuple[str, ...] = field(default=())

    @property
    def is_given(self) -> bool:
        """Whether anything says what is held."""
        return self.source != NO_LIMIT

    def at(self, speed_m_per_s: FloatArray, of: str = "continuous") -> FloatArray:
        """Force held at other speeds: ``continuous``, ``median`` or ``half_hour``. [N]"""
        # As power: straight both where torque is held and where power is.
        power_w = np.interp(speed_m_per_s, self.speeds_m_per_s, getattr(self, f"{of}_n") * self.speeds_m_per_s)
        return np.asarray(power_w / np.maximum(speed_m_per_s, 1e-3))


PLAUSIBLE_LOSS_RATIO: Final = 5.0
"""How many times what the datasheet's size lets one expect losses may be (common practice)."""


def losses_of_build(build: BuildSettings, model: HeatModel | None) -> MachineLosses:
    """Losses as the drives taught them, or as the datasheet's size lets one expect.

    Few and gentle drives teach losses that run away at speeds they never saw: those are not taken.
    """
    expected = losses_of({name: np.array([prior.median]) for name, prior in priors_of(build).items()})
    if model is None:
        return expected
    motor = build.powertrain.motor
    torque = motor.max_torque_nm * np.array([0.1, 0.1, 0.4])
    speed = motor.max_speed_rpm * RADIANS_PER_SECOND_PER_RPM * np.array([0.4, 0.8, 0.4])
    ratio = model.losses.loss_w(torque, speed) / expected.loss_w(torque, speed)
    return model.losses if np.all((ratio > 1.0 / PLAUSIBLE_LOSS_RATIO) & (ratio < PLAUSIBLE_LOSS_RATIO)) else expected


def holding_of(
    build: BuildSettings,
    distribution: ParameterDistribution,
    total_ratio: float,
    speeds_m_per_s: FloatArray,
    model: HeatModel | None,
    *,
    at_m_per_s: float,
) -> Holding:
    """Forces that a gearing holds at the design ambient.

    Parameters
    ----------
    build, distribution : BuildSettings, ParameterDistribution
        Settings; plan or fit.
    total_ratio : float
        Of the gearing. [ratio]
    speeds_m_per_s : ndarray, shape (s,)
        Rising. [m/s]
    model : HeatModel or None
        What the drives taught.
    at_m_per_s : float
        Speed whose limiting part gives the source. [m/s]

    Returns
    -------
    Holding
        The least of motor, inverter, coolant, cells and oil by their lower bounds; never above the datasheet's
        rating, unless drives have shown the motor as hot as its limit.
    """
    vehicle = RoadVehicle.of(build, distribution.median, total_ratio)
    rated_n = _rated_n(build, vehicle, speeds_m_per_s)
    lows: dict[str, FloatArray] = {}
    medians, halves, notes = list[FloatArray](), list[FloatArray](), list[str]()
    is_shown = False
    if model is not None:
        rng = np.random.default_rng(_SEED)
        parts = held_forces(
            model,
            vehicle,
            build,
            speeds_m_per_s,
            distribution.sample(SAMPLES, rng),
            rng,
            ambient_degc=build.limits.design_ambient_degc,
        )
        for part in parts:
            if part.refusal is not None:
                notes.append(f"{part.part}: refused, {part.refusal.reason}")
                continue
            lows[f"{part.part}, by the thermal network"] = part.low_n
            medians.append(part.median_n)
            halves.append(part.half_hour_n)
            is_shown |= part.part == "motor" and part.extrapolation_ratio <= 1.0
    if rated_n is not None:
        if is_shown and np.interp(at_m_per_s, speeds_m_per_s, np.min(list(lows.values()), axis=0) - rated_n) > 0.0:
            notes.append(
                "the drives showed the motor at its limit's temperature: more than the datasheet's rating holds"
            )
        else:
            lows[DATASHEET] = rated_n
            medians.append(rated_n)
    if not lows:
        endless = np.full(speeds_m_per_s.shape, np.inf)
        return Holding(
            speeds_m_per_s=speeds_m_per_s, continuous_n=endless, median_n=endless, half_hour_n=endless,
            source=NO_LIMIT, notes=tuple(notes),
        )  # fmt: skip
    source = min(lows, key=lambda name: float(np.interp(at_m_per_s, speeds_m_per_s, lows[name])))
    least = np.min(list(lows.values()), axis=0)
    return Holding(
        speeds_m_per_s=speeds_m_per_s,
        continuous_n=least,
        median_n=np.min(medians, axis=0),
        half_hour_n=np.maximum(np.min(halves, axis=0), least) if halves else np.full(speeds_m_per_s.shape, np.nan),
        source=source,
        notes=tuple(notes),
    )


def _rated_n(build: BuildSettings, vehicle: RoadVehicle, speeds_m_per_s: FloatArray) -> FloatArray | None:
    """Force of the datasheet's continuous power; below base speed, of the torque that it has there."""
    motor = build.powertrain.motor
    if motor.continuous_power_w is None:
        return None
    base = motor.max_power_w / motor.max_torque_nm
    shaft = np.maximum(speeds_m_per_s * vehicle.radians_per_metre, base)
    torque = motor.continuous_power_w / shaft * motor.count
    return np.asarray(torque * vehicle.radians_per_metre * vehicle.gear_efficiency_ratio)
