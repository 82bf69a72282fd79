"""How far a scenario lies outside what was driven, and how much less sure that makes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.model.fit_result import DrivenHull

SPEED_SIGMA_PER_M_PER_S: Final = 0.006
TEMPERATURE_SIGMA_PER_K: Final = 0.005
"""Relative uncertainty added per m/s and per kelvin beyond what was driven (common practice)."""

SPEED_TOLERANCE_M_PER_S: Final = 1.5
TEMPERATURE_TOLERANCE_K: Final = 3.0
"""How far beyond still counts as driven."""


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """Added uncertainty of a scenario outside the driven hull.

    Parameters
    ----------
    log_sigma : float
        Relative standard uncertainty added to the consumption. [ratio]
    speed_beyond_m_per_s, temperature_beyond_k : float
        Distance outside; positive above, negative below, zero inside. [m/s, K]
    """

    log_sigma: float
    speed_beyond_m_per_s: float
    temperature_beyond_k: float

    @property
    def is_extrapolated(self) -> bool:
        """True when speed or temperature lies beyond what was driven."""
        return self.log_sigma > 0


def extrapolation_of(
    driven: DrivenHull | None, speed_span_m_per_s: tuple[float, float], ambient_temperature_degc: float
) -> Extrapolation:
    """How far a scenario lies outside the driven hull.

    Parameters
    ----------
    driven : DrivenHull or None
        None before any drive: a plan carries its own uncertainty, nothing is added.
    speed_span_m_per_s : tuple of float
        Typical speed of the scenario's slowest part, and a speed that its fastest rarely passes. [m/s]
    ambient_temperature_degc : float
        Ambient of the scenario. [degC]

    Returns
    -------
    Extrapolation
        Zero inside.
    """
    if driven is None:
        return Extrapolation(0.0, 0.0, 0.0)
    low, high = speed_span_m_per_s
    speed = _beyond((low, high), driven.speed_low_m_per_s, driven.speed_high_m_per_s, SPEED_TOLERANCE_M_PER_S)
    temperature = _beyond(
        (ambient_temperature_degc, ambient_temperature_degc),
        driven.temperature_low_degc,
        driven.temperature_high_degc,
        TEMPERATURE_TOLERANCE_K,
    )
    sigma = float(np.hypot(SPEED_SIGMA_PER_M_PER_S * speed, TEMPERATURE_SIGMA_PER_K * temperature))
    return Extrapolation(sigma, speed, temperature)


def _beyond(span: tuple[float, float], low: float, high: float, tolerance: float) -> float:
    """Signed distance of a span outside [low, high]; the larger one where both ends stick out."""
    above, below = span[1] - high, low - span[0]
    if max(above, below) <= tolerance:
        return 0.0
    return above if above >= below else -below
