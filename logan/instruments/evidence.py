"""The unknowns that all drives of a build share, and one linear statement on them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.results import result
from logan.units import FloatArray

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
