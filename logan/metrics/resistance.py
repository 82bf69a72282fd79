"""Pulse resistance and sag of the pack and of its lowest cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from logan.drive.context import Context
from logan.results import Figure

PULSE_DURATIONS_S: Final = (2.0, 10.0, 18.0)
"""Pulse lengths of ISO 12405-type profiles that a road log can show. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """One current step and what the voltage did ``duration_s`` later.

    Parameters
    ----------
    at_s, duration_s : float
        Start of the step and time after it. [s]
    current_step_a, voltage_step_v : float
        Change of current (positive: more discharge) and of voltage.
    resistance_ohm : float
        Of the subject. [ohm]
    state_of_charge_ratio, temperature_degc : float or None
        At the step.
    """

    schema: ClassVar[str] = "pulse/1"

    at_s: float
    duration_s: float
    current_step_a: float
    voltage_step_v: float
    resistance_ohm: float
    state_of_charge_ratio: float | None
    temperature_degc: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceBand:
    """Median resistance in one band of state of charge and temperature.

    Parameters
    ----------
    subject : str
        "pack" or "lowest cell".
    duration_s : float
        Pulse length. [s]
    state_of_charge_low_ratio, state_of_charge_high_ratio : float or None
        Band; None where state of charge is not logged.
    temperature_low_degc, temperature_high_degc : float or None
        Band; None where temperature is not logged.
    count : int
        Pulses in it.
    resistance_ohm : Figure
        Median with its standard uncertainty. [ohm]
    """

    schema: ClassVar[str] = "resistance-band/1"

    subject: str
    duration_s: float
    state_of_charge_low_ratio: float | None
    state_of_charge_high_ratio: float | None
    temperature_low_degc: float | None
    temperature_high_degc: float | None
    count: int
    resistance_ohm: Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowedCurrent:
    """Discharge current at which the lowest cell would reach its floor.

    Parameters
    ----------
    state_of_charge_ratio, temperature_degc : float or None
        For which state.
    current_a : Figure
        From the rest voltage, the floor and the 10 s resistance. [A]
    is_extrapolated : bool
        True where the temperature lies outside those seen.
    """

    schema: ClassVar[str] = "allowed-current/1"

    state_of_charge_ratio: float | None
    temperature_degc: float | None
    current_a: Figure
    is_extrapolated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdResistance:
    """Resistance carried to another temperature by an Arrhenius law."""

    schema: ClassVar[str] = "cold-resistance/1"

    temperature_degc: float
    resistance_ohm: Figure
    is_extrapolated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sag:
    """Deepest voltage under load.

    Parameters
    ----------
    channel : str
        ``pack_voltage`` or ``cell_voltage_min``.
    lowest_v, sag_v : float
        Lowest voltage, and how far below the rest voltage before it.
    current_a : float or None
        Current at that moment.
    context : Context
        When and under what load.
    """

    schema: ClassVar[str] = "sag/1"

    channel: str
    lowest_v: float
    sag_v: float
    current_a: float | None
    context: Context


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceSummary:
    """Resistance and sag over one drive.

    Parameters
    ----------
    whole_drive : tuple of ResistanceBand
        One per subject and pulse length, over all states (median), or the reason why not.
    bands : tuple of ResistanceBand
        By state of charge and temperature.
    pulses : tuple of Pulse
        The pack's pulses.
    sags : tuple of Sag
        Pack and lowest cell.
    allowed : tuple of AllowedCurrent
        Current that the lowest cell allows.
    cold : tuple of ColdResistance
        10 s pack resistance at other temperatures.
    notes : tuple of str
        What limits these figures.
    """

    schema: ClassVar[str] = "resistance-summary/1"

    whole_drive: tuple[ResistanceBand, ...]
    bands: tuple[ResistanceBand, ...]
    pulses: tuple[Pulse, ...]
    sags: tuple[Sag, ...]
    allowed: tuple[AllowedCurrent, ...]
    cold: tuple[ColdResistance, ...]
    notes: tuple[str, ...]
