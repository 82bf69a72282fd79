"""Every temperature: how hot, how far from its limits, and where it would settle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.drive.context import Context
from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureMargin:
    """One temperature over one drive.

    Parameters
    ----------
    channel : str
        Canonical name.
    maximum_degc, start_degc, end_degc : float
        Highest, first and last value.
    amber_margin_k, red_margin_k : Figure
        Limit less maximum; refused with "no limit given" where there is none. [K]
    rate_k_per_min : float
        Steepest rise over one minute. [K/min]
    beyond_amber_s, beyond_red_s : float or None
        Time beyond; None where there is no limit. [s]
    limit_source : str
        Where the limits come from.
    context : Context
        Moment of the maximum.
    """

    schema: ClassVar[str] = "temperature-margin/1"

    channel: str
    maximum_degc: float
    start_degc: float
    end_degc: float
    amber_margin_k: Figure
    red_margin_k: Figure
    rate_k_per_min: float
    beyond_amber_s: float | None
    beyond_red_s: float | None
    limit_source: str
    context: Context


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
        From the last sample, at that load; infinite where the plateau stays below. [s]
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakBack:
    """Rise of a temperature after the vehicle stopped."""

    schema: ClassVar[str] = "soak-back/1"

    channel: str
    stopped_at_s: float
    at_stop_degc: float
    peak_degc: float
    rise_k: float
    peak_after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CoolantFlow:
    """What the coolant's temperature difference says about its flow.

    Parameters
    ----------
    difference_k : Figure
        Outlet less inlet under load, mean. [K]
    heat_w : Figure
        Carried away: needs the flow. [W]
    is_low : bool or None
        True where the difference is 3 K or more under load (common practice: a sign of low flow);
        None where it cannot be told.
    note : str
        In plain words.
    """

    schema: ClassVar[str] = "coolant-flow/1"

    difference_k: Figure
    heat_w: Figure
    is_low: bool | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalSummary:
    """All temperatures of one drive."""

    schema: ClassVar[str] = "thermal-summary/1"

    margins: tuple[TemperatureMargin, ...]
    models: tuple[ThermalModel, ...]
    soak_backs: tuple[SoakBack, ...]
    coolant: CoolantFlow
    design_ambient_degc: float
