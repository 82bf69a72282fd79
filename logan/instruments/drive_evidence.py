"""What a drive says about the build's sensors: satellites against wheels, current with the contactors open."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.metrics.calibration import GNSS_SIGMA_RATIO, current_zero, speed_error
from logan.results import Estimate, result
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
    speed = drive.get("speed")
    if speed is None or speed.source == "gnss_speed":
        if speed is not None or "gnss_speed" in drive:
            found.append(
                InstrumentEvidence(
                    name="speed is the satellites'",
                    source=source,
                    weights={SPEED_GAIN: 1.0},
                    value=0.0,
                    sigma=_DRIVE_SIGMA_RATIO,
                    shared_sigma=SATELLITE_SPEED_SIGMA_RATIO,
                    shared_by="satellites",
                )
            )
    else:
        error = speed_error(drive)
        if isinstance(error, Estimate) and error.value > -1.0:
            found.append(
                InstrumentEvidence(
                    name="speed over satellite speed",
                    source=source,
                    weights={SPEED_GAIN: 1.0},
                    value=float(np.log1p(error.value)),
                    sigma=_DRIVE_SIGMA_RATIO,
                    shared_sigma=GNSS_SIGMA_RATIO,
                    shared_by="satellites",
                )
            )
    zero = current_zero(drive)
    if isinstance(zero, Estimate):
        sigma = float(np.hypot(zero.sigma or 0.0, _ZERO_DRIFT_A))
        found.append(
            InstrumentEvidence(
                name="current with the contactors open",
                source=source,
                weights={CURRENT_ZERO: 1.0},
                value=zero.value,
                sigma=sigma,
            )
        )
    return tuple(found)


CURRENT_GAIN: Final = "current_gain"
VOLTAGE_GAIN: Final = "voltage_gain"
SPEED_GAIN: Final = "speed_gain"
CURRENT_ZERO: Final = "current_zero"
TEMPERATURE_OFFSET: Final = "temperature_offset"
USABLE: Final = "usable_energy"

UNKNOWNS: Final = (CURRENT_GAIN, VOLTAGE_GAIN, SPEED_GAIN, CURRENT_ZERO, TEMPERATURE_OFFSET, USABLE)
"""Order of every vector here: ln(shown / true) of current, voltage and speed; shown less true of the
current with nothing flowing [A] and of temperatures [K]; ln(true / planned) of the usable energy."""

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
