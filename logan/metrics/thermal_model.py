"""Where each temperature would settle: time constant, plateau, time to limit, continuous power."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Final

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.drive.pack_power import pack_power
from logan.metrics.thermal_chain import COOLANT, MOST_PLATEAU_SIGMA_K, ThermalChain, fit_chains, is_cooled
from logan.metrics.thermal_fit import BLOCK_S
from logan.numerics import cumulative
from logan.results import Estimate, Figure, Refusal
from logan.settings import BuildSettings, LimitSide
from logan.units import FloatArray

RECENT_S: Final = 600.0
"""The plateau is given for the mean load of this last stretch, or of the last half of a shorter drive. [s]"""

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
        Where it would settle at the mean load of the last ten minutes (of the last half of a
        shorter drive), at the drive's and at the design ambient. [degC]
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
    def recent_count(self) -> int:
        """Blocks of the last stretch."""
        return max(1, min(self.time_s.size // 2, round(RECENT_S / BLOCK_S)))

    @property
    def recent(self) -> FloatArray:
        """Means over the last stretch."""
        return np.asarray(self.value[-self.recent_count :].mean(axis=0))


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
    base_degc = 0.0 if ambient is None else float(np.mean(ambient[-load.recent_count :]))
    chains = fit_chains(values, ambient, load.value, base_degc)
    return tuple(_model(name, chain, values, build, load, ambient) for name, chain in chains.items())


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
    chain: ThermalChain | Refusal,
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
        sink=COOLANT if is_cooled(name) and COOLANT in values else outside,
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
        return _without_plateau(replace(blank, time_constant_s=chain), chain)
    node, recent = chain.node, load.recent
    plateau, sigma = chain.plateau(recent)
    source = f"fit, at {recent[0] / 1000:.1f} kW out and {recent[1] / 1000:.1f} kW in"
    timed = replace(
        blank,
        time_constant_s=Estimate(node.time_constant_s, "s", node.time_constant_sigma_s, "fit"),
        residual_k=node.residual_k,
    )
    if sigma > MOST_PLATEAU_SIGMA_K:
        reason = f"what it settles at is known to {sigma:.0f} K only: it, or what cools it, still warms"
        return _without_plateau(timed, Refusal(reason, "Hold the load longer"))
    known = replace(
        timed,
        plateau_degc=Estimate(plateau, "degC", sigma, source),
        time_to_limit_s=_time_to_limit(red, plateau, sigma, chain, recent),
        continuous_power_w=_continuous_power(red, chain, 0.0, recent),
    )
    if not chain.follows_ambient:
        return known
    shift_k = build.limits.design_ambient_degc - chain.base_degc
    return replace(
        known,
        plateau_design_degc=Estimate(plateau + shift_k, "degC", sigma, f"{source}; 1 K per K of ambient"),
        continuous_power_design_w=_continuous_power(red, chain, shift_k, recent),
    )


def _without_plateau(model: ThermalModel, refusal: Refusal) -> ThermalModel:
    return replace(
        model,
        plateau_degc=refusal,
        plateau_design_degc=refusal,
        time_to_limit_s=refusal,
        continuous_power_w=refusal,
        continuous_power_design_w=refusal,
    )


def _time_to_limit(red: float | None, plateau: float, sigma: float, chain: ThermalChain, load: FloatArray) -> Figure:
    if red is None:
        return NO_LIMIT
    if plateau <= red:
        return Refusal(f"at this load it settles at {plateau:.0f} °C, below the limit of {red:.0f} °C", "")
    seconds = chain.time_to(red, load)
    if not np.isfinite(seconds):
        return Refusal("at this load it would take more than six hours", "")
    # A plateau warmer by one sigma reaches the limit as if the limit were lower by as much of the way.
    sooner = chain.time_to(red - sigma * seconds / (seconds + chain.node.time_constant_s), load)
    return Estimate(seconds, "s", max(seconds - sooner, 0.5 * BLOCK_S), "fit, at the load of the last minutes")


def _continuous_power(red: float | None, chain: ThermalChain, shift_k: float, recent: FloatArray) -> Figure:
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
    sigma_w = chain.plateau(np.array([watts, 0.0, watts**2]), shift_k)[1] / float(root)
    source = "fit, steady power out of the pack"
    seen_w = float(recent[0])
    if watts > 1.5 * seen_w > 0.0:
        # Losses may grow with power or with its square: beyond the load seen, the truth lies between the two.
        rise_k = linear * seen_w + square * seen_w**2
        as_power, as_square = seen_w * room_k / rise_k, seen_w * float(np.sqrt(room_k / rise_k))
        sigma_w = float(np.hypot(sigma_w, 0.5 * abs(as_power - as_square)))
        source = f"extrapolated from {seen_w / 1000.0:.0f} kW, steady power out of the pack"
    return Estimate(watts, "W", sigma_w, source)
