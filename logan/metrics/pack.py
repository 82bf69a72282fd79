"""The pack: usable energy, energy per percent, cell spread, isolation and charging."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.flags import Severity
from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class UsableEnergy:
    """Energy and charge of the full scale, from the part of it that was driven.

    Parameters
    ----------
    energy_wh, charge_ah : Figure
        Per full span of state of charge, 0 to 1. [Wh, Ah]
    window_energy_wh : Figure
        Between the ends of the build's usable window. [Wh]
    start_ratio, end_ratio : float or None
        State of charge at both ends.
    is_circular : bool
        True where state of charge is a count of the same current, so that it cannot check it.
    note : str
        What the figure rests on.
    """

    schema: ClassVar[str] = "usable-energy/1"

    energy_wh: Figure
    charge_ah: Figure
    window_energy_wh: Figure
    start_ratio: float | None
    end_ratio: float | None
    is_circular: bool
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyPerPercent:
    """Energy per percent of state of charge in one band of it."""

    schema: ClassVar[str] = "energy-per-percent/1"

    low_ratio: float
    high_ratio: float
    wh_per_percent: float
    sigma_wh_per_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CellSpread:
    """Highest less lowest cell.

    Parameters
    ----------
    rest_v, load_v : Figure
        Median at rest, and 95 % point under load. [V]
    severity : Severity or None
        Amber above 20 mV at rest or 100 mV under load (common practice).
    temperature_k : Figure
        Hottest less coldest cell, maximum. [K]
    note : str
        In plain words.
    """

    schema: ClassVar[str] = "cell-spread/1"

    rest_v: Figure
    load_v: Figure
    severity: Severity | None
    temperature_k: Figure
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class IsolationCheck:
    """Isolation resistance per volt against UN R100.

    Parameters
    ----------
    lowest_ohm_per_v : Figure
        Lowest resistance over the highest pack voltage. [ohm/V]
    severity : Severity or None
        Red below 100 ohm/V, amber below 500 ohm/V.
    note : str
        Which requirement applies, and a sign of a sensor that is off.
    """

    schema: ClassVar[str] = "isolation-check/1"

    lowest_ohm_per_v: Figure
    severity: Severity | None
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargingSession:
    """One charge.

    Parameters
    ----------
    start_s, end_s : float
        When. [s]
    wall_wh, pack_wh, efficiency_ratio : Figure
        Energy from the wall, into the pack, and the latter over the former.
    state_of_charge_start_ratio, state_of_charge_end_ratio : float or None
        At both ends.
    peak_power_w : float
        Into the pack. [W]
    taper_start_ratio : float or None
        State of charge at which power fell for good below 80 % of its peak.
    temperature_start_degc, temperature_max_degc : float or None
        Pack or hottest cell.
    pilot_limit_a : float or None
        Current that the pilot signal allows, where its duty cycle is known.
    """

    schema: ClassVar[str] = "charging-session/1"

    start_s: float
    end_s: float
    wall_wh: Figure
    pack_wh: Figure
    efficiency_ratio: Figure
    state_of_charge_start_ratio: float | None
    state_of_charge_end_ratio: float | None
    peak_power_w: float
    taper_start_ratio: float | None
    temperature_start_degc: float | None
    temperature_max_degc: float | None
    pilot_limit_a: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PackSummary:
    """The pack over one drive or charge."""

    schema: ClassVar[str] = "pack-summary/1"

    usable: UsableEnergy
    per_percent: tuple[EnergyPerPercent, ...]
    spread: CellSpread
    isolation: IsolationCheck
    charging: tuple[ChargingSession, ...]
