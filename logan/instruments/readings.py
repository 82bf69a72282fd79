"""What the user compared with the sensors, as linear statements: clamp meter, multimeter, wall meter, tape measure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.instrument_settings import InstrumentReading, ReadingKind
from logan.instruments.drive_evidence import (
    CURRENT_GAIN,
    CURRENT_ZERO,
    SPEED_GAIN,
    TEMPERATURE_OFFSET,
    USABLE,
    VOLTAGE_GAIN,
    InstrumentEvidence,
)
from logan.physics.battery import REFERENCE_TEMPERATURE_DEGC
from logan.settings import BuildSettings

LOAD_SIGMA_RATIO: Final = 0.01
"""What a load unlike the moderate one may move a figure of usable energy (common practice)."""

_READING_SHARE: Final = 0.2
"""Share of a meter's stated error that is new with each reading; the rest is the meter's own (common practice)."""

_GAINS: Final = {
    ReadingKind.VOLTAGE: ("multimeter", VOLTAGE_GAIN),
    ReadingKind.SPEED: ("known speed", SPEED_GAIN),
    ReadingKind.DISTANCE: ("known distance", SPEED_GAIN),
    ReadingKind.TIRE: ("tire rolled out", SPEED_GAIN),
}


def reading_evidence(reading: InstrumentReading, build: BuildSettings) -> InstrumentEvidence:
    """Turn a comparison into a linear statement on the sensors.

    Parameters
    ----------
    reading : InstrumentReading
        Of the user's measurements.
    build : BuildSettings
        Planned usable energy and window, and its loss in the cold.

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
    if reading.kind is ReadingKind.USABLE:
        return _usable(reading, build)
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


def _usable(reading: InstrumentReading, build: BuildSettings) -> InstrumentEvidence:
    """Energy over a span of state of charge, brought to the whole window at 25 degC: of the pack and who counted."""
    pack = build.pack
    window = pack.usable_high_ratio - pack.usable_low_ratio
    span = reading.span_ratio or window
    cold_k = max(0.0, REFERENCE_TEMPERATURE_DEGC - reading.cell_temperature_degc)
    share = max(1.0 - pack.usable_loss_per_k.value * cold_k, 0.2)
    whole_wh = reading.value * window / span / share
    cold = pack.usable_loss_per_k.sigma * cold_k / share
    own = np.hypot.reduce([reading.sigma / reading.value, reading.span_sigma_ratio / span, cold, LOAD_SIGMA_RATIO])
    weights = {USABLE: 1.0}
    if reading.is_counted_by_log:
        zero = pack.cells_in_series * pack.cell_nominal_voltage_v * reading.duration_s / 3600.0 / reading.value
        weights |= {CURRENT_GAIN: 1.0, VOLTAGE_GAIN: 1.0, CURRENT_ZERO: zero}
    return InstrumentEvidence(
        name="energy of a full run",
        source=reading.source,
        weights=weights,
        value=float(np.log(whole_wh / pack.usable_energy_wh.value)),
        sigma=float(own),
    )


CURRENT_SENSOR_SIGMAS: Final[Mapping[str, tuple[float, float]]] = {
    "shunt": (0.005, 0.15),
    "open_loop_hall": (0.012, 0.8),
    "closed_loop_hall": (0.006, 0.3),
    "fluxgate": (0.001, 0.05),
}
"""Gain, and zero in ampere, of a sensor for some 500 A over temperature and age (common practice)."""

SPEED_SENSOR_SIGMA_RATIO: Final[Mapping[str, float]] = {"wheel": 0.01, "motor": 0.01, "satellite": 0.003}
"""Gain of speed; of wheels and motor it is the tire: size, wear, pressure, load (common practice)."""
