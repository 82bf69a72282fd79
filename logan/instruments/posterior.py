"""One posterior of a build's sensors and usable energy; what it is sure of is taken off as a named step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.mask import correct
from logan.instrument_settings import SensorError
from logan.instruments.drive_evidence import UNITS, UNKNOWNS, InstrumentEvidence, Sensor, reading_evidence
from logan.results import Estimate, result
from logan.settings import BuildSettings
from logan.units import FloatArray

_IMPOSSIBLE_RATIO: Final = 0.15
"""A gain beyond this is a wrong unit, gear or scale, and not a sensor's error (common practice)."""

_CONTRADICTED: Final = 2.0


@result("instruments/1")
class Instruments:
    """What is known of a build's sensors, and of its usable energy, together.

    Parameters
    ----------
    mean : ndarray, shape (6,)
        Best values, in the order of ``UNKNOWNS``. [ratio, ratio, ratio, A, K, ratio]
    covariance : ndarray, shape (6, 6)
        Of those.
    sources : tuple of str
        Where each prior comes from.
    evidence : tuple of InstrumentEvidence
        What took part.
    applied : mapping of str to float
        What was taken off the drives already; the mean is what is left.
    notes : tuple of str
        In plain words.
    """

    mean: FloatArray
    covariance: FloatArray
    sources: tuple[str, ...]
    evidence: tuple[InstrumentEvidence, ...] = ()
    applied: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainty of each unknown, shape (6,)."""
        return np.asarray(np.sqrt(np.clip(np.diag(self.covariance), 0.0, None)))

    def of(self, name: str) -> Estimate:
        """One unknown with its uncertainty, and what it rests on."""
        index = UNKNOWNS.index(name)
        told = [found.name for found in self.evidence if found.weights.get(name)]
        source = "; ".join((self.sources[index], *dict.fromkeys(told)))
        return Estimate(float(self.mean[index]), UNITS[index], float(self.sigma[index]), source)

    @property
    def power_gain(self) -> Estimate:
        """ln(shown / true) of pack power and energy: current and voltage together. [ratio]"""
        weights = np.array([name in (Sensor.CURRENT_GAIN, Sensor.VOLTAGE_GAIN) for name in UNKNOWNS], dtype=np.float64)
        sigma = float(np.sqrt(weights @ self.covariance @ weights))
        return Estimate(float(weights @ self.mean), "ratio", sigma, "current and voltage together")

    def without(self, applied: Mapping[str, float]) -> Instruments:
        """What is left to know once ``applied`` has been taken off the drives."""
        taken = np.array([applied.get(name, 0.0) for name in UNKNOWNS])
        return replace(self, mean=self.mean - taken, applied=dict(applied))


def known_instruments(build: BuildSettings, evidence: Sequence[InstrumentEvidence] = ()) -> Instruments:
    """Join the priors of a build's sensors with all that narrows them down.

    Parameters
    ----------
    build : BuildSettings
        ``[instruments]``, and the planned usable energy.
    evidence : sequence of InstrumentEvidence
        From drives; what the user compared is added. A gain beyond 15 % is left out, and said.

    Returns
    -------
    Instruments
        The prior where there is no evidence.

    References
    ----------
    .. [1] Gelman et al. 2013, Bayesian Data Analysis, 14.8 (linear Gaussian model; from memory).
    """
    priors = _priors(build)
    evidence = (*evidence, *(reading_evidence(reading, build) for reading in build.instruments.readings))
    taken = [found for found in evidence if not _is_impossible(found)]
    notes = [
        f"{found.name} ({found.source}) says {100 * found.value:+.0f} %: a wrong unit, gear or scale, left out"
        for found in evidence
        if _is_impossible(found)
    ]
    prior_sigma = np.array([prior.sigma for prior in priors])
    widened = _widened(prior_sigma, taken)
    notes += [
        f"{UNKNOWNS[index].replace('_', ' ')}: further off than {priors[index].source} expects"
        for index in np.flatnonzero(widened > prior_sigma)
    ]
    mean, covariance = _joined(widened, taken)
    return Instruments(
        mean=mean,
        covariance=covariance,
        sources=tuple(prior.source for prior in priors),
        evidence=tuple(taken),
        notes=tuple(notes),
    )


def _priors(build: BuildSettings) -> tuple[SensorError, ...]:
    given, usable = build.instruments, build.pack.usable_energy_wh
    log_sigma = float(np.sqrt(np.log1p((usable.sigma / usable.value) ** 2)))
    return (
        given.current_gain_ratio,
        given.voltage_gain_ratio,
        given.speed_gain_ratio,
        given.current_zero_a,
        given.temperature_offset_k,
        SensorError(log_sigma, usable.source),
    )


def _is_impossible(found: InstrumentEvidence) -> bool:
    is_gain = set(found.weights) <= {Sensor.CURRENT_GAIN, Sensor.VOLTAGE_GAIN, Sensor.SPEED_GAIN}
    return not np.isfinite(found.value) or (is_gain and abs(found.value) > _IMPOSSIBLE_RATIO)


def _widened(prior_sigma: FloatArray, evidence: Sequence[InstrumentEvidence]) -> FloatArray:
    """Priors that evidence on them alone contradicts, widened to half of what was seen."""
    widened = prior_sigma.copy()
    for found in evidence:
        if len(found.weights) == 1:
            ((name, weight),) = found.weights.items()
            index, seen = UNKNOWNS.index(name), abs(found.value / weight)
            own = np.hypot(found.sigma, found.shared_sigma) / abs(weight)
            if seen > _CONTRADICTED * np.hypot(own, prior_sigma[index]):
                widened[index] = max(widened[index], seen / _CONTRADICTED)
    return widened


def _joined(prior_sigma: FloatArray, evidence: Sequence[InstrumentEvidence]) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance, in the gain form that also takes a prior of zero width. Method: sensors (1)."""
    prior = np.diag(prior_sigma**2)
    if not evidence:
        return np.zeros(len(UNKNOWNS)), prior
    rows = np.array([found.row for found in evidence])
    noise = np.diag([found.sigma**2 for found in evidence])
    for group in {found.shared_by for found in evidence if found.shared_by}:
        alike = np.array([found.shared_sigma if found.shared_by == group else 0.0 for found in evidence])
        noise += np.outer(alike, alike)
    gain = np.linalg.solve(rows @ prior @ rows.T + noise, rows @ prior).T
    keep = np.eye(len(UNKNOWNS)) - gain @ rows
    covariance = keep @ prior @ keep.T + gain @ noise @ gain.T
    return gain @ np.array([found.value for found in evidence]), covariance


APPLIED_FROM_SIGMAS: Final = 2.0
"""How many times its own uncertainty an error must be before it is taken off."""

_STEPS: Final = {
    Sensor.CURRENT_GAIN: 0.001,
    Sensor.VOLTAGE_GAIN: 0.001,
    Sensor.SPEED_GAIN: 0.001,
    Sensor.CURRENT_ZERO: 0.05,
}
"""Corrections come in these steps, so that one more drive does not change every figure by a hair."""


def corrections(instruments: Instruments) -> dict[str, float]:
    """Errors that are taken off the drives, by unknown; empty where none is known well enough.

    Parameters
    ----------
    instruments : Instruments
        Posterior of the build's sensors.

    Returns
    -------
    dict of str to float
        In the units of ``UNKNOWNS``.
    """
    found = {}
    for name, step in _STEPS.items():
        index = UNKNOWNS.index(name)
        error = round(float(instruments.mean[index]) / step) * step
        if error and abs(instruments.mean[index]) >= APPLIED_FROM_SIGMAS * instruments.sigma[index]:
            found[name] = round(error, 6)
    return found


def corrected(drive: Drive, applied: Mapping[str, float]) -> Drive:
    """Return the drive with its sensors' known errors taken off, each a step of its history.

    Parameters
    ----------
    drive : Drive
        As stored, with what was corrected by hand.
    applied : mapping of str to float
        Of ``corrections``.

    Returns
    -------
    Drive
        The same drive where nothing applies to it.
    """
    current, voltage = applied.get(Sensor.CURRENT_GAIN, 0.0), applied.get(Sensor.VOLTAGE_GAIN, 0.0)
    zero_a, speed = applied.get(Sensor.CURRENT_ZERO, 0.0), applied.get(Sensor.SPEED_GAIN, 0.0)
    gain = float(np.exp(-current))
    if "pack_current" in drive and (current or zero_a):
        why = _why("current", current, zero_a)
        drive = correct(drive, "pack_current", gain=gain, offset=-zero_a * gain, reason=why)
    if "pack_voltage" in drive and voltage:
        drive = correct(drive, "pack_voltage", gain=float(np.exp(-voltage)), reason=_why("voltage", voltage))
    if "pack_power" in drive and (current or voltage):
        both = float(np.exp(-current - voltage))
        drive = correct(drive, "pack_power", gain=both, reason=_why("power", current + voltage))
    if speed:
        for name in [name for name in drive if name == "speed" or name.startswith("wheel_speed")]:
            if drive[name].source != "gnss_speed":
                drive = correct(drive, name, gain=float(np.exp(-speed)), reason=_why("speed", speed))
    return drive


def _why(what: str, gain: float, zero_a: float = 0.0) -> str:
    parts = [f"reads {100 * float(np.expm1(gain)):+.1f} %"] if gain else []
    parts += [f"zero at {zero_a:+.2f} A"] if zero_a else []
    return f"known error of the sensor: {what} {', '.join(parts)} (turn off with correct = false in [instruments])"
