"""Regeneration in the eight definitions in use, stop by stop, and what limits it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class RegenFigure:
    """Regeneration by one named definition.

    Parameters
    ----------
    number : int
        1 to 8.
    name, meaning : str
        What it is called, and what is divided by what.
    value : Figure
        The figure, or why it is not given.
    """

    schema: ClassVar[str] = "regen-figure/1"

    number: int
    name: str
    meaning: str
    value: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class RegenStop:
    """One braking from a speed down to a lower one.

    Parameters
    ----------
    start_s, end_s : float
        When. [s]
    start_speed_m_per_s, end_speed_m_per_s : float
        From which speed to which.
    kinetic_wh, potential_wh : float
        Kinetic and height energy given up. [Wh]
    braking_wh : float or None
        Of it, what rolling and air did not take: braking work at the wheels. [Wh]
    recovered_wh : float
        Put into the pack. [Wh]
    friction_wh, capped_wh : float or None
        Braking work that the motor did not take; of it, while a regen limit was reached. [Wh]
    recovery_ratio : float or None
        Recovered over braking work.
    state_of_charge_ratio, cell_temperature_degc : float or None
        At the start.
    limited_by : str
        Channel of the limit that was reached; empty where none was seen.
    """

    schema: ClassVar[str] = "regen-stop/1"

    start_s: float
    end_s: float
    start_speed_m_per_s: float
    end_speed_m_per_s: float
    kinetic_wh: float
    potential_wh: float
    braking_wh: float | None
    recovered_wh: float
    friction_wh: float | None
    capped_wh: float | None
    recovery_ratio: float | None
    state_of_charge_ratio: float | None
    cell_temperature_degc: float | None
    limited_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RegenBin:
    """Recovery of braking energy in one band of a quantity."""

    schema: ClassVar[str] = "regen-bin/1"

    low: float
    high: float
    stop_count: int
    braking_wh: float
    recovered_wh: float
    recovery_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RegenSummary:
    """Regeneration over one drive.

    Parameters
    ----------
    figures : tuple of RegenFigure
        All eight definitions, in order.
    printed : int
        Number of the one that is printed where only one is.
    stops : tuple of RegenStop
        Every braking found.
    friction_wh, capped_wh : Figure
        Lost to friction brakes in all; of it, while a regen limit was reached. [Wh]
    by_state_of_charge, by_cell_temperature : tuple of RegenBin
        Recovery against state of charge [ratio] and cell temperature [degC].
    """

    schema: ClassVar[str] = "regen-summary/1"

    figures: tuple[RegenFigure, ...]
    printed: int
    stops: tuple[RegenStop, ...]
    friction_wh: Figure
    capped_wh: Figure
    by_state_of_charge: tuple[RegenBin, ...]
    by_cell_temperature: tuple[RegenBin, ...]
