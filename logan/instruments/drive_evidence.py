"""What a drive, and what the user compared, say about the build's sensors, as linear statements."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.instrument_settings import InstrumentReading, ReadingKind
from logan.metrics.calibration import GNSS_SIGMA_RATIO, current_zero, speed_error
from logan.physics.battery import REFERENCE_TEMPERATURE_DEGC
from logan.results import Estimate, result
from logan.settings import BuildSettings
from logan.units import FloatArray

SATELLITE_SPEED_SIGMA_RATIO: Final = 0.003
"""Speed gain that is left where the drive's speed is the satellites' own (common practice)."""

_DRIVE_SIGMA_RATIO: Final = 0.001
"""Of one drive's ratio of distances: slip, and time between both speeds (common practice)."""

_ZERO_DRIFT_A: Final = 0.1
"""How far the current's zero wanders from one drive to another (common practice)."""


def drive_evidence(drive: Drive, source: str) -> tuple[InstrumentEvidence, ...]:
    """What one drive says about the sensors, before anything was corrected.

    Parameters
    ----------
    drive : Drive
        As stored.
    source : str
        How the drive is called.

    Returns
    -------
    tuple of InstrumentEvidence
        Nothing where the channels are missing.
    """
    found = []

    def say(name: str, sensor: str, value: float, sigma: float, satellites: float = 0.0) -> None:
        found.append(_said(source, name, {sensor: 1.0}, value, sigma, satellites, "satellites" if satellites else ""))

    speed, error, zero = drive.get("speed"), speed_error(drive), current_zero(drive)
    if speed is not None and speed.source != "gnss_speed":
        if isinstance(error, Estimate) and error.value > -1.0:
            seen = float(np.log1p(error.value))
            say("speed over satellite speed", Sensor.SPEED_GAIN, seen, _DRIVE_SIGMA_RATIO, GNSS_SIGMA_RATIO)
    elif speed is not None or "gnss_speed" in drive:
        say("speed is the satellites'", Sensor.SPEED_GAIN, 0.0, _DRIVE_SIGMA_RATIO, SATELLITE_SPEED_SIGMA_RATIO)
    if isinstance(zero, Estimate):
        sigma = float(np.hypot(zero.spread, _ZERO_DRIFT_A))
        say("current with the contactors open", Sensor.CURRENT_ZERO, zero.value, sigma)
    return tuple(found)


class Sensor:
    """Names of what is unknown.

    ln(shown / true) of current, voltage and speed; shown less true of the current with nothing flowing [A] and of
    temperatures [K]; ln(true / planned) of the usable energy.
    """

    CURRENT_GAIN: Final = "current_gain"
    VOLTAGE_GAIN: Final = "voltage_gain"
    SPEED_GAIN: Final = "speed_gain"
    CURRENT_ZERO: Final = "current_zero"
    TEMPERATURE_OFFSET: Final = "temperature_offset"
    USABLE: Final = "usable_energy"


UNKNOWNS: Final = (
    Sensor.CURRENT_GAIN, Sensor.VOLTAGE_GAIN, Sensor.SPEED_GAIN, Sensor.CURRENT_ZERO, Sensor.TEMPERATURE_OFFSET,
    Sensor.USABLE,
)  # fmt: skip
"""Order of every vector here."""

UNITS: Final = ("ratio", "ratio", "ratio", "A", "K", "ratio")


@result("instrument-evidence/1")
class InstrumentEvidence:
    """One linear statement on the sensors.

    Parameters
    ----------
    name : str
        What was compared, in plain words.
    source : str
        Drive, or the user's own measurement.
    weights : mapping of str to float
        Unknowns (of ``UNKNOWNS``) that it weighs up, and by how much.
    value, sigma : float
        Result, and the standard uncertainty that is its own.
    shared_sigma : float
        Standard uncertainty that it has alike with all evidence of the same ``shared_by``.
    shared_by : str
        Such as one clamp meter, or the satellites.
    """

    name: str
    source: str
    weights: Mapping[str, float]
    value: float
    sigma: float
    shared_sigma: float = 0.0
    shared_by: str = ""

    @property
    def row(self) -> FloatArray:
        """Weights in the order of ``UNKNOWNS``, shape (6,)."""
        return np.array([self.weights.get(name, 0.0) for name in UNKNOWNS])


LOAD_SIGMA_RATIO: Final = 0.01
"""What a load unlike the moderate one may move a figure of usable energy (common practice)."""

_READING_SHARE: Final = 0.2
"""Share of a meter's stated error that is new with each reading; the rest is the meter's own (common practice)."""

_GAINS: Final = {
    ReadingKind.VOLTAGE: ("multimeter", Sensor.VOLTAGE_GAIN),
    ReadingKind.SPEED: ("known speed", Sensor.SPEED_GAIN),
    ReadingKind.DISTANCE: ("known distance", Sensor.SPEED_GAIN),
    ReadingKind.TIRE: ("tire rolled out", Sensor.SPEED_GAIN),
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
        weights = {Sensor.CURRENT_GAIN: value, Sensor.CURRENT_ZERO: 1.0} if value else {Sensor.CURRENT_ZERO: 1.0}
        return _by_meter(reading, "clamp meter", weights, shown - value, sigma)
    if reading.kind is ReadingKind.CURRENT_ZERO:
        return _by_itself(reading, "current with the contactors open", 1.0)
    if reading.kind is ReadingKind.CHARGE_CLOSURE:
        return _by_itself(reading, "charge counted round", reading.duration_s / 3600.0)
    if reading.kind is ReadingKind.TEMPERATURE:
        return _by_meter(reading, "thermometer", {Sensor.TEMPERATURE_OFFSET: 1.0}, shown - value, sigma)
    if reading.kind is ReadingKind.WALL_ENERGY:
        relative = float(np.hypot(sigma / value, reading.charger_sigma / reading.charger_efficiency))
        both = {Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0}
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
    shared, by = float(np.sqrt(1.0 - _READING_SHARE**2)) * sigma, f"{reading.kind.value}: {reading.source}"
    return _said(reading.source, name, weights, value, _READING_SHARE * sigma, shared, by)


def _by_itself(reading: InstrumentReading, name: str, share: float) -> InstrumentEvidence:
    """What the log showed where nothing flowed, or nothing was left; over so many hours. [A]"""
    weights = {Sensor.CURRENT_ZERO: 1.0}
    return _said(reading.source, name, weights, reading.value / share, reading.sigma / share)


def _said(
    source: str, name: str, weights: Mapping[str, float], value: float, sigma: float, shared: float = 0.0, by: str = ""
) -> InstrumentEvidence:
    return InstrumentEvidence(
        name=name, source=source, weights=weights, value=value, sigma=sigma, shared_sigma=shared, shared_by=by
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
    weights = {Sensor.USABLE: 1.0}
    if reading.is_counted_by_log:
        zero = pack.cells_in_series * pack.cell_nominal_voltage_v * reading.duration_s / 3600.0 / reading.value
        weights |= {Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0, Sensor.CURRENT_ZERO: zero}
    value = float(np.log(whole_wh / pack.usable_energy_wh.value))
    return _said(reading.source, "energy of a full run", weights, value, float(own))


CURRENT_SENSOR_SIGMAS: Final[Mapping[str, tuple[float, float]]] = {
    "shunt": (0.005, 0.15),
    "open_loop_hall": (0.012, 0.8),
    "closed_loop_hall": (0.006, 0.3),
    "fluxgate": (0.001, 0.05),
}
"""Gain, and zero in ampere, of a sensor for some 500 A over temperature and age (common practice)."""

SPEED_SENSOR_SIGMA_RATIO: Final[Mapping[str, float]] = {"wheel": 0.01, "motor": 0.01, "satellite": 0.003}
"""Gain of speed; of wheels and motor it is the tire: size, wear, pressure, load (common practice)."""
