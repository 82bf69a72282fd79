"""What sensors of a class usually hold, as one standard uncertainty; datasheets mostly give about 1.7 times that."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

CURRENT_SENSOR_SIGMAS: Final[Mapping[str, tuple[float, float]]] = {
    "shunt": (0.005, 0.15),
    "open_loop_hall": (0.012, 0.8),
    "closed_loop_hall": (0.006, 0.3),
    "fluxgate": (0.001, 0.05),
}
"""Gain, and zero in ampere, of a sensor for some 500 A over temperature and age (common practice)."""

SPEED_SENSOR_SIGMA_RATIO: Final[Mapping[str, float]] = {"wheel": 0.01, "motor": 0.01, "satellite": 0.003}
"""Gain of speed; of wheels and motor it is the tire: size, wear, pressure, load (common practice)."""
