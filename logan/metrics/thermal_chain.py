"""A temperature with what it stands on: coolant, and outside air, each still on its way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.metrics.thermal_fit import BLOCK_S, ThermalNode, TimeConstantPrior, fit_node
from logan.results import Refusal
from logan.units import FloatArray

COOLED_BY_COOLANT: Final = ("motor_temperature", "inverter_temperature", "gearbox_oil_temperature", "dcdc_temperature")
COOLANT: Final = "coolant_temperature"
LONGEST_FORECAST_S: Final = 6.0 * 3600.0
COOLANT_PRIOR: Final = TimeConstantPrior(median_s=520.0, sigma_ratio=0.8)
"""Coolant takes 5 to 15 minutes (common practice), taken half as wide again."""

MOST_PLATEAU_SIGMA_K: Final = 10.0
"""A plateau that is less sure says nothing. [K]"""

STAY_S: Final = 600.0
"""A coolant that cannot be fitted is judged by this last stretch. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heated:
    """A fitted node and its temperature at the end of the drive."""

    node: ThermalNode
    now_degc: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThermalChain:
    """What one temperature follows.

    Parameters
    ----------
    part : Heated or None
        The temperature itself; None where it is the coolant's own.
    coolant : Heated or None
        The coolant, where that is what cools.
    heaters : tuple of Heated
        What heats the coolant, where its inputs are the rises of these; empty where it is the load.
    base_degc, base_sigma_k : float
        Temperature of the last sink, and how sure it is to stay there. [degC, K]
    follows_ambient : bool
        True where that is the outside air.
    """

    part: Heated | None
    coolant: Heated | None = None
    heaters: tuple[Heated, ...] = ()
    base_degc: float = 0.0
    base_sigma_k: float = 0.0
    follows_ambient: bool = False

    @property
    def node(self) -> ThermalNode:
        """The node of the temperature itself."""
        subject = self.part or self.coolant
        if subject is None:
            raise ValueError("a chain needs a part or a coolant")
        return subject.node

    def plateau(self, load: FloatArray, shift_k: float = 0.0) -> tuple[float, float]:
        """Settled temperature at a steady load, and its standard uncertainty. [degC, K]"""
        rise, sigma = 0.0, self.base_sigma_k
        if self.part is not None:
            rise, sigma = self.part.node.rise_k(load), float(np.hypot(sigma, self.part.node.rise_sigma_k(load)))
        if self.coolant is not None:
            inputs, input_sigma = load, None
            if self.heaters:
                inputs = np.array([one.node.rise_k(load) for one in self.heaters])
                input_sigma = np.array([one.node.rise_sigma_k(load) for one in self.heaters])
            rise += self.coolant.node.rise_k(inputs)
            sigma = float(np.hypot(sigma, self.coolant.node.rise_sigma_k(inputs, input_sigma)))
        return self.base_degc + shift_k + rise, sigma

    def time_to(self, limit_degc: float, load: FloatArray) -> float:
        """Time from the end of the drive until a steady load reaches a limit; infinity if it never does. [s]

        Every node goes towards its own moving goal, five seconds at a time.
        """
        warm = np.array([one.now_degc for one in self.heaters])
        rises = np.array([one.node.rise_k(load) for one in self.heaters])
        lags_s = np.array([one.node.time_constant_s for one in self.heaters])
        coolant_degc = self.base_degc if self.coolant is None else self.coolant.now_degc
        subject = self.part or self.coolant
        degc = coolant_degc if subject is None else subject.now_degc
        steps = int(LONGEST_FORECAST_S / BLOCK_S)
        for step in range(steps):
            if (degc if self.part is not None else coolant_degc) >= limit_degc:
                return step * BLOCK_S
            if self.coolant is not None:
                node = self.coolant.node
                goal = self.base_degc + node.rise_k(warm - coolant_degc if self.heaters else load)
                settled = coolant_degc + rises
                warm = settled + (warm - settled) * np.exp(-BLOCK_S / lags_s)
                coolant_degc = _towards(coolant_degc, goal, node.time_constant_s)
            if self.part is not None:
                goal = coolant_degc + self.part.node.rise_k(load)
                degc = _towards(degc, goal, self.part.node.time_constant_s)
        return float("inf")


def _towards(now: float, goal: float, time_constant_s: float) -> float:
    return goal + (now - goal) * float(np.exp(-BLOCK_S / time_constant_s))


def is_cooled(name: str) -> bool:
    """Whether a temperature is one that the coolant cools."""
    kind = channel_kind(name)
    return kind is not None and kind.name in COOLED_BY_COOLANT


def fit_chains(
    values: Mapping[str, FloatArray], ambient: FloatArray | None, load: FloatArray, base_degc: float
) -> dict[str, ThermalChain | Refusal]:
    """Fit every temperature, and the coolant once for all that it cools.

    Parameters
    ----------
    values : mapping of str to ndarray, shape (n,)
        Block means by channel. [degC]
    ambient : ndarray, shape (n,), or None
        Outside air. [degC]
    load : ndarray, shape (n, m)
        What heats. [W]
    base_degc : float
        Outside air at the end of the drive; zero where it is not known. [degC]

    Returns
    -------
    dict of str to ThermalChain or Refusal
        By channel.
    """
    outside = ambient is not None
    cooling = values.get(COOLANT)
    nodes = {
        name: _heated(value, fit_node(value, cooling, load))
        for name, value in values.items()
        if cooling is not None and is_cooled(name)
    }
    coolant: Heated | Refusal = Refusal("the coolant is not logged")
    heaters: tuple[Heated, ...] = ()
    if cooling is not None:
        coolant, heaters = _fit_coolant(cooling, values, nodes, ambient, load)
    chains: dict[str, ThermalChain | Refusal] = {}
    for name, value in values.items():
        subject: Heated | Refusal
        if name == COOLANT:
            subject = coolant
        else:
            subject = nodes[name] if name in nodes else _heated(value, fit_node(value, ambient, load))
        refusal = subject if isinstance(subject, Refusal) else subject.node.refusal
        if isinstance(subject, Refusal) or refusal is not None:
            chains[name] = refusal or Refusal("")
        elif name not in nodes and name != COOLANT:
            chains[name] = ThermalChain(part=subject, base_degc=base_degc, follows_ambient=outside)
        elif isinstance(coolant, Heated):
            chains[name] = ThermalChain(
                part=None if name == COOLANT else subject,
                coolant=coolant,
                heaters=heaters,
                base_degc=base_degc,
                follows_ambient=outside,
            )
        else:
            stays_degc, sigma_k = _staying(values[COOLANT])
            chains[name] = ThermalChain(part=subject, base_degc=stays_degc, base_sigma_k=sigma_k)
    return chains


def _fit_coolant(
    cooling: FloatArray,
    values: Mapping[str, FloatArray],
    nodes: Mapping[str, Heated | Refusal],
    ambient: FloatArray | None,
    load: FloatArray,
) -> tuple[Heated | Refusal, tuple[Heated, ...]]:
    """The coolant is heated by how much warmer the parts are than it; by the load where no part was fitted."""
    fitted = {name: node for name, node in nodes.items() if isinstance(node, Heated)}
    if fitted:
        warmer = np.column_stack([values[name] - cooling for name in fitted])
        coolant = _heated(cooling, fit_node(cooling, ambient, warmer, COOLANT_PRIOR))
        if isinstance(coolant, Heated):
            return coolant, tuple(fitted.values())
    return _heated(cooling, fit_node(cooling, ambient, load, COOLANT_PRIOR)), ()


def _staying(cooling: FloatArray) -> tuple[float, float]:
    """Where a coolant that no law fits stands lately, and how far it may still go. [degC, K]

    A thermostat lets it swing about a mean; what still drifts may drift as far again, and once more.
    """
    recent = cooling[np.isfinite(cooling)][-round(STAY_S / BLOCK_S) :]
    half = recent.size // 2
    drift_k = float(recent[half:].mean() - recent[:half].mean()) if half else 0.0
    return float(recent.mean()) + drift_k / 2.0, float(np.hypot(recent.std(), 2.0 * drift_k))


def _heated(value: FloatArray, node: ThermalNode | Refusal) -> Heated | Refusal:
    return node if isinstance(node, Refusal) else Heated(node=node, now_degc=_last(value))


def _last(value: FloatArray) -> float:
    return float(value[np.isfinite(value)][-1])
