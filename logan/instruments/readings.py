"""What the user compared with the sensors, as linear statements: clamp meter, multimeter, wall meter, tape measure."""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.instrument_settings import InstrumentReading, ReadingKind
from logan.instruments.evidence import (
    CURRENT_GAIN,
    CURRENT_ZERO,
    SPEED_GAIN,
    TEMPERATURE_OFFSET,
    VOLTAGE_GAIN,
    InstrumentEvidence,
)

_READING_SHARE: Final = 0.2
"""Share of a meter's stated error that is new with each reading; the rest is the meter's own (common practice)."""

_GAINS: Final = {
    ReadingKind.VOLTAGE: ("multimeter", VOLTAGE_GAIN),
    ReadingKind.SPEED: ("known speed", SPEED_GAIN),
    ReadingKind.DISTANCE: ("known distance", SPEED_GAIN),
    ReadingKind.TIRE: ("tire rolled out", SPEED_GAIN),
}


def reading_evidence(reading: InstrumentReading) -> InstrumentEvidence:
    """Turn a comparison into a linear statement on the sensors.

    Parameters
    ----------
    reading : InstrumentReading
        Of the user's measurements.

    Returns
    -------
    InstrumentEvidence
        Readings of one meter share its error.
    """
    value, sigma, shown = reading.value, reading.sigma, reading.shown
    if reading.kind is ReadingKind.CURRENT:
        weights = {CURRENT_GAIN: value, CURRENT_ZERO: 1.0} if value else {CURRENT_ZERO: 1.0}
        return _by_meter(reading, "clamp meter", weights, shown - value, sigma)
    if reading.kind is ReadingKind.CURRENT_ZERO:
        return _by_itself(reading, "current with the contactors open", 1.0)
    if reading.kind is ReadingKind.CHARGE_CLOSURE:
        return _by_itself(reading, "charge counted round", reading.duration_s / 3600.0)
    if reading.kind is ReadingKind.TEMPERATURE:
        return _by_meter(reading, "thermometer", {TEMPERATURE_OFFSET: 1.0}, shown - value, sigma)
    if reading.kind is ReadingKind.WALL_ENERGY:
        relative = float(np.hypot(sigma / value, reading.charger_sigma / reading.charger_efficiency))
        both = {CURRENT_GAIN: 1.0, VOLTAGE_GAIN: 1.0}
        gain = float(np.log(shown / (value * reading.charger_efficiency)))
        return _by_meter(reading, "wall meter", both, gain, relative)
    name, unknown = _GAINS[reading.kind]
    return _by_meter(reading, name, {unknown: 1.0}, float(np.log(shown / value)), sigma / value)


def _by_meter(
    reading: InstrumentReading, name: str, weights: dict[str, float], value: float, sigma: float
) -> InstrumentEvidence:
    """A reading whose stated error is mostly the meter's own, alike in all its readings."""
    return InstrumentEvidence(
        name=name,
        source=reading.source,
        weights=weights,
        value=value,
        sigma=_READING_SHARE * sigma,
        shared_sigma=float(np.sqrt(1.0 - _READING_SHARE**2)) * sigma,
        shared_by=f"{reading.kind.value}: {reading.source}",
    )


def _by_itself(reading: InstrumentReading, name: str, share: float) -> InstrumentEvidence:
    """What the log showed where nothing flowed, or nothing was left; over so many hours. [A]"""
    return InstrumentEvidence(
        name=name,
        source=reading.source,
        weights={CURRENT_ZERO: 1.0},
        value=reading.value / share,
        sigma=reading.sigma / share,
    )
