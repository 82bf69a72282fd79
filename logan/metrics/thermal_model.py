"""Where each temperature would settle: time constant, plateau, time to limit, continuous power."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import Channel, Drive
from logan.drive.pack_power import pack_power
from logan.metrics.thermal_fit import BLOCK_S, ThermalNode, fit_node
from logan.numerics import cumulative
from logan.physics.thermal import time_to_limit_s
from logan.results import Estimate, Figure, Refusal
from logan.settings import BuildSettings, LimitSide
from logan.units import FloatArray

RECENT_S: Final = 600.0
"""The load that the plateau is given for is the mean of this last stretch. [s]"""

COOLED_BY_COOLANT: Final = ("motor_temperature", "inverter_temperature", "gearbox_oil_temperature", "dcdc_temperature")

NO_LIMIT: Final = Refusal("no limit given", "Enter the limit from the datasheet in the limit sheet")


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalModel:
    """First-order model of one temperature: heated by a load, cooled towards a sink.

    Parameters
    ----------
    channel, load, sink : str
        The temperature, what heats it, and what cools it (a channel, or "fitted constant").
    time_constant_s : Figure
        [s]
    plateau_degc, plateau_design_degc : Figure
        Where it would settle at the mean load of the last ten minutes, at the drive's and at the
        design ambient. [degC]
    limit_degc : float or None
        The red limit that the next three refer to.
    time_to_limit_s : Figure
        From the last sample, at that load; refused where the plateau stays below. [s]
    continuous_power_w, continuous_power_design_w : Figure
        Load that settles just at the limit, at the drive's and at the design ambient. [W]
    residual_k : float
        RMS of what the model leaves. [K]
    observed_s : float
        Length of data behind it. [s]
    """

    schema: ClassVar[str] = "thermal-model/1"

    channel: str
    load: str
    sink: str
    time_constant_s: Figure
    plateau_degc: Figure
    plateau_design_degc: Figure
    limit_degc: float | None
    time_to_limit_s: Figure
    continuous_power_w: Figure
    continuous_power_design_w: Figure
    residual_k: float
    observed_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Load:
    """Load in blocks: power out, power in, and power squared, columns of ``value``. [W, W, W2]"""

    time_s: FloatArray
    value: FloatArray

    @property
    def recent(self) -> FloatArray:
        """Means over the last stretch."""
        count = max(1, min(self.time_s.size, round(RECENT_S / BLOCK_S)))
        return np.asarray(self.value[-count:].mean(axis=0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chain:
    """A node with what it stands on: the outside air, a coolant that still warms, or a fixed sink.

    Parameters
    ----------
    node : ThermalNode
        The temperature itself, heated by the load.
    coolant : ThermalNode or None
        The coolant's node, where that is what cools.
    heaters : tuple of ThermalNode
        What heats the coolant, where its inputs are the rises of these; empty where it is the load.
    base_degc : float
        Temperature of the last sink.
    follows_ambient : bool
        True where that is the outside air.
    """

    node: ThermalNode
    coolant: ThermalNode | None = None
    heaters: tuple[ThermalNode, ...] = ()
    base_degc: float = 0.0
    follows_ambient: bool = False

    def plateau(self, load: FloatArray, shift_k: float = 0.0) -> tuple[float, float]:
        """Settled temperature and its standard uncertainty. [degC, K]"""
        rise, sigma = self.node.rise_k(load), self.node.rise_sigma_k(load)
        if self.coolant is not None:
            inputs, input_sigma = load, None
            if self.heaters:
                inputs = np.array([node.rise_k(load) for node in self.heaters])
                input_sigma = np.array([node.rise_sigma_k(load) for node in self.heaters])
            rise += self.coolant.rise_k(inputs)
            sigma = float(np.hypot(sigma, self.coolant.rise_sigma_k(inputs, input_sigma)))
        return self.base_degc + shift_k + rise, sigma

    @property
    def slowest_s(self) -> float:
        """Longest time constant of the chain. [s]"""
        nodes = (self.node, *self.heaters) if self.coolant is None else (self.node, self.coolant, *self.heaters)
        return max(node.time_constant_s for node in nodes)


def thermal_models(drive: Drive, build: BuildSettings, temperatures: Mapping[str, Channel]) -> tuple[ThermalModel, ...]:
    """First-order model of every temperature that the drive's load heats.

    The rise over the sink follows power out of the pack, power into it, and its square,
    heater and air conditioning left out. Motor, inverter, gearbox and DC-DC are cooled by
    the coolant where that is logged, the rest by the outside air. A coolant that still
    warms is carried on to its own plateau; it is heated by the parts that it cools.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Red limits and design ambient.
    temperatures : mapping of str to Channel
        By name, spikes masked.

    Returns
    -------
    tuple of ThermalModel
        Figures, or the reason why there is none.

    References
    ----------
    .. [1] First-order thermal network: settled at sink + gains x load, late by one time constant.
    """
    load = _load(drive)
    if load is None:
        return ()
    values = {name: _block_means(channel, load.time_s) for name, channel in temperatures.items()}
    ambient = _ambient(drive, load)
    chains = _fit_chains(values, ambient, load)
    return tuple(_model(name, chain, values, build, load, ambient) for name, chain in chains.items())


def _fit_chains(
    values: Mapping[str, FloatArray], ambient: FloatArray | None, load: _Load
) -> dict[str, _Chain | Refusal]:
    coolant_value = values.get("coolant_temperature")
    chains: dict[str, _Chain | Refusal] = {}
    base_degc = 0.0 if ambient is None else float(np.mean(ambient[-round(RECENT_S / BLOCK_S) :]))
    outside = {"base_degc": base_degc, "follows_ambient": ambient is not None}
    cooled = {name: value for name, value in values.items() if coolant_value is not None and _is_cooled(name)}
    nodes = {name: fit_node(value, coolant_value, load.value) for name, value in cooled.items()}
    coolant: ThermalNode | Refusal | None = None
    heaters: tuple[ThermalNode, ...] = ()
    if coolant_value is not None:
        heaters = tuple(node for node in nodes.values() if isinstance(node, ThermalNode))
        warmer = [cooled[name] - coolant_value for name, node in nodes.items() if isinstance(node, ThermalNode)]
        coolant = fit_node(coolant_value, ambient, np.column_stack(warmer)) if warmer else None
        if not isinstance(coolant, ThermalNode):
            heaters, coolant = (), fit_node(coolant_value, ambient, load.value)
    for name, value in values.items():
        if name == "coolant_temperature" and coolant is not None:
            chains[name] = coolant if isinstance(coolant, Refusal) else _coolant_chain(coolant, heaters, outside)
            continue
        node = nodes.get(name) or fit_node(value, ambient, load.value)
        if isinstance(node, Refusal):
            chains[name] = node
        elif name not in nodes:
            chains[name] = _Chain(node=node, base_degc=base_degc, follows_ambient=ambient is not None)
        elif isinstance(coolant, ThermalNode):
            chains[name] = _Chain(
                node=node, coolant=coolant, heaters=heaters, base_degc=base_degc, follows_ambient=ambient is not None
            )
        else:
            known = values["coolant_temperature"][np.isfinite(values["coolant_temperature"])]
            chains[name] = _Chain(node=node, base_degc=float(known[-1]))
    return chains


def _coolant_chain(coolant: ThermalNode, heaters: tuple[ThermalNode, ...], outside: Mapping[str, float]) -> _Chain:
    # The coolant's own rise is that of the second link; the first link adds nothing.
    nothing = replace(
        coolant, gains=np.zeros(3), sink_degc=0.0, covariance=np.zeros((6, 6)), time_constant_s=coolant.time_constant_s
    )
    return _Chain(
        node=nothing,
        coolant=coolant,
        heaters=heaters,
        base_degc=outside["base_degc"],
        follows_ambient=bool(outside["follows_ambient"]),
    )


def _is_cooled(name: str) -> bool:
    kind = channel_kind(name)
    return kind is not None and kind.name in COOLED_BY_COOLANT


def _load(drive: Drive) -> _Load | None:
    power = pack_power(drive)
    if power is None:
        return None
    start_s, end_s = float(power.time_s[0]), float(power.time_s[-1])
    count = int((end_s - start_s) / BLOCK_S)
    if count < 12:
        return None
    watts = np.nan_to_num(power.power_w)
    for name in ("heater_power", "air_conditioning_power"):
        comfort = drive.get(name)
        if comfort is not None:
            watts = watts - np.nan_to_num(comfort.at(power.time_s, max_gap_s=30.0))
    edges_s = start_s + BLOCK_S * np.arange(count + 1)
    columns = []
    for signal in (np.maximum(watts, 0.0), np.maximum(-watts, 0.0), watts**2):
        running = cumulative(power.time_s, signal, max_gap_s=30.0)
        columns.append(np.diff(np.interp(edges_s, power.time_s, running)) / BLOCK_S)
    return _Load(time_s=np.asarray(edges_s[:-1] + 0.5 * BLOCK_S, dtype=np.float64), value=np.column_stack(columns))


def _block_means(channel: Channel, time_s: FloatArray) -> FloatArray:
    """Mean over each block; blocks without a sample are interpolated, the ends are NaN."""
    known = np.isfinite(channel.value)
    at_s, value = channel.time_s[known], channel.value[known]
    index = np.floor((at_s - (time_s[0] - 0.5 * BLOCK_S)) / BLOCK_S).astype(np.int64)
    inside = (index >= 0) & (index < time_s.size)
    count = np.bincount(index[inside], minlength=time_s.size)
    filled = count > 0
    if not filled.any():
        return np.full(time_s.shape, np.nan)
    total = np.bincount(index[inside], weights=value[inside], minlength=time_s.size)
    return np.interp(time_s, time_s[filled], total[filled] / count[filled], left=np.nan, right=np.nan)


def _ambient(drive: Drive, load: _Load) -> FloatArray | None:
    channel, noted = drive.get("ambient_temperature"), drive.conditions.ambient_temperature_degc
    if channel is not None and np.isfinite(channel.value).any():
        known = np.isfinite(channel.value)
        return np.interp(load.time_s, channel.time_s[known], channel.value[known])
    return np.full(load.time_s.shape, noted) if noted is not None else None


def _model(
    name: str,
    chain: _Chain | Refusal,
    values: Mapping[str, FloatArray],
    build: BuildSettings,
    load: _Load,
    ambient: FloatArray | None,
) -> ThermalModel:
    limit = next((one for one in build.limits.of(name) if one.side is LimitSide.ABOVE), None)
    red = limit.red if limit else None
    outside = "ambient_temperature" if ambient is not None else "fitted constant"
    blank = ThermalModel(
        channel=name,
        load="pack power",
        sink="coolant_temperature" if _is_cooled(name) and "coolant_temperature" in values else outside,
        time_constant_s=Refusal(""),
        plateau_degc=Refusal(""),
        plateau_design_degc=Refusal("the outside temperature is not known", "Log or note the outside temperature"),
        limit_degc=red,
        time_to_limit_s=Refusal(""),
        continuous_power_w=Refusal(""),
        continuous_power_design_w=Refusal("the outside temperature is not known", "Log or note it"),
        residual_k=float("nan"),
        observed_s=BLOCK_S * int(np.isfinite(values[name]).sum()),
    )
    if isinstance(chain, Refusal):
        return replace(
            blank,
            time_constant_s=chain,
            plateau_degc=chain,
            plateau_design_degc=chain,
            time_to_limit_s=chain,
            continuous_power_w=chain,
            continuous_power_design_w=chain,
        )
    node = chain.coolant if name == "coolant_temperature" and chain.coolant is not None else chain.node
    recent = load.recent
    plateau, sigma = chain.plateau(recent)
    now = float(values[name][np.isfinite(values[name])][-1])
    source = f"fit, at {recent[0] / 1000:.1f} kW out and {recent[1] / 1000:.1f} kW in"
    known = replace(
        blank,
        time_constant_s=Estimate(node.time_constant_s, "s", node.time_constant_sigma_s, "fit"),
        plateau_degc=Estimate(plateau, "degC", sigma, source),
        time_to_limit_s=_time_to_limit(red, now, plateau, sigma, chain),
        continuous_power_w=_continuous_power(red, chain, 0.0),
        residual_k=node.residual_k,
    )
    if not chain.follows_ambient:
        return known
    shift_k = build.limits.design_ambient_degc - chain.base_degc
    return replace(
        known,
        plateau_design_degc=Estimate(plateau + shift_k, "degC", sigma, f"{source}; 1 K per K of ambient"),
        continuous_power_design_w=_continuous_power(red, chain, shift_k),
    )


def _time_to_limit(red: float | None, now: float, plateau: float, sigma: float, chain: _Chain) -> Figure:
    if red is None:
        return NO_LIMIT
    if plateau <= red:
        return Refusal(f"at this load it settles at {plateau:.0f} °C, below the limit of {red:.0f} °C", "")
    # Between the node's own time constant and the slowest of its chain: the sooner one is the safe one.
    times = [
        time_to_limit_s(start_degc=now, plateau_degc=plateau + more, limit_degc=red, time_constant_s=constant)
        for constant in (chain.node.time_constant_s, chain.slowest_s)
        for more in (0.0, sigma)
    ]
    return Estimate(times[0], "s", max(times) - min(times), "fit, at the load of the last minutes")


def _continuous_power(red: float | None, chain: _Chain, shift_k: float) -> Figure:
    """Steady power out of the pack that settles just at the limit: the chain's rise is a quadratic in it."""
    if red is None:
        return NO_LIMIT

    def settled(watts: float) -> float:
        return chain.plateau(np.array([watts, 0.0, watts**2]), shift_k)[0]

    idle, one, two = (settled(watts) for watts in (0.0, 1e4, 2e4))
    square = (two - 2.0 * one + idle) / 2.0 / 1e8
    linear = (one - idle) / 1e4 - square * 1e4
    room_k = red - idle
    if room_k <= 0.0:
        return Refusal("what cools it is at the limit already", "")
    if linear <= 0.0 and square <= 0.0:
        return Refusal("it does not rise with power out of the pack", "")
    root = np.sqrt(linear**2 + 4.0 * square * room_k)
    watts = float(2.0 * room_k / (linear + root))
    sigma_k = chain.plateau(np.array([watts, 0.0, watts**2]), shift_k)[1]
    return Estimate(watts, "W", sigma_k / float(root), "fit, steady power out of the pack")
