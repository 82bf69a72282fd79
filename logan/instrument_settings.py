"""What the user says about the sensors: how far each may be off, and what it was compared with."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class ReadingKind(StrEnum):
    """What was compared with the log."""

    CURRENT = "current_check"
    """Clamp meter on the pack cable, the log beside it. [A]"""
    CURRENT_ZERO = "current_zero"
    """What the log shows with the contactors open. [A]"""
    VOLTAGE = "voltage_check"
    """Multimeter at the pack, the log beside it. [V]"""
    SPEED = "speed_check"
    """True speed, the log's beside it. [m/s]"""
    DISTANCE = "distance_check"
    """True distance, such as by mile markers, the log's beside it. [m]"""
    TIRE = "tire_rollout"
    """Tire rolled out on the floor; the settings' own circumference beside it. [m]"""
    TEMPERATURE = "temperature_check"
    """Thermometer, the log beside it. [degC]"""
    WALL_ENERGY = "wall_energy"
    """Wall meter over a charge; what the log counted into the pack beside it. [Wh]"""
    CHARGE_CLOSURE = "charge_closure"
    """Net charge that the log counted from one rested state back to the same one. [Ah]"""
    USABLE = "usable_energy"
    """Energy drawn from full, or a rested state of charge, to empty or another one, charges between taken off. [Wh]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentReading:
    """One comparison of a sensor with something else.

    Parameters
    ----------
    kind : ReadingKind
        What was compared.
    value, sigma : float
        The other meter's reading and its standard uncertainty, in the unit of the kind.
    shown : float
        What the log showed at that moment, same unit.
    source : str
        The meter; readings of one source share its error.
    duration_s : float
        For a charge closure: the time that was counted over. [s]
    span_ratio, span_sigma_ratio : float or None, float
        For usable energy: state of charge gone through, and its uncertainty; None is the whole usable window.
    cell_temperature_degc : float
        For usable energy: of the cells. [degC]
    is_counted_by_log : bool
        For usable energy: False where a meter of its own counted, so that the log's sensors have no say.
    charger_efficiency, charger_sigma : float
        For a wall meter: pack over wall energy (common practice: 0.85 to 0.95). [ratio]
    """

    kind: ReadingKind
    value: float
    sigma: float
    shown: float
    source: str
    duration_s: float = 0.0
    span_ratio: float | None = None
    span_sigma_ratio: float = 0.0
    cell_temperature_degc: float = 25.0
    is_counted_by_log: bool = True
    charger_efficiency: float = 0.90
    charger_sigma: float = 0.03


@dataclass(frozen=True, slots=True)
class SensorError:
    """How far a sensor may be off: one standard uncertainty about zero, and where it comes from."""

    sigma: float
    source: str = "common practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentSettings:
    """How far each sensor may be off: one standard uncertainty each, with its source.

    Parameters
    ----------
    current_gain_ratio, voltage_gain_ratio, speed_gain_ratio : SensorError
        Natural logarithm of shown over true.
    current_zero_a : SensorError
        Shown with nothing flowing. [A]
    temperature_offset_k : SensorError
        Shown less true, of all temperatures alike. [K]
    is_corrected : bool
        True takes off what is known to better than it is large.
    readings : tuple of InstrumentReading
        What the user compared with the sensors.
    applied : mapping of str to float or None
        What is taken off the drives, by unknown of ``logan.instruments``; None until a library was asked.
    """

    current_gain_ratio: SensorError = SensorError(0.01)
    voltage_gain_ratio: SensorError = SensorError(0.01)
    speed_gain_ratio: SensorError = SensorError(0.01)
    current_zero_a: SensorError = SensorError(0.3)
    temperature_offset_k: SensorError = SensorError(1.0)
    is_corrected: bool = True
    readings: tuple[InstrumentReading, ...] = ()
    applied: Mapping[str, float] | None = None

    @property
    def power_gain_sigma_ratio(self) -> float:
        """Standard uncertainty of pack power's gain: current and voltage together. [ratio]"""
        return math.hypot(self.current_gain_ratio.sigma, self.voltage_gain_ratio.sigma)
