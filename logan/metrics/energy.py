"""Energy through the pack terminals over one drive, and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from logan.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPart:
    """One part of the error budget of the net energy.

    Parameters
    ----------
    name : str
        gain, offset, quantisation, sample rate, skew or gaps.
    sigma_wh : float
        One standard uncertainty. [Wh]
    how : str
        How it was estimated.
    """

    schema: ClassVar[str] = "error-part/1"

    name: str
    sigma_wh: float
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergySummary:
    """Energy through the pack terminals, charging left out.

    Parameters
    ----------
    net_wh, gross_wh, regenerated_wh : Figure
        Taken out less put back; taken out; put back (positive). [Wh]
    distance_m : Figure
        Distance driven. [m]
    net_wh_per_km, gross_wh_per_km : Figure
        Per distance. [Wh/km]
    mean_power_w : Figure
        Net energy over covered time. [W]
    budget : tuple of ErrorPart
        Parts of the net figure's uncertainty; they add in squares.
    coverage_ratio : float
        Share of the driving time that was integrated, 0 to 1.
    duration_s, moving_s, charging_s : float
        Whole drive, time in motion, and time plugged in (left out). [s]
    power_source : str
        ``voltage x current``, ``pack_power`` or empty.
    distance_source : str
        Channel that the distance comes from.
    """

    schema: ClassVar[str] = "energy-summary/1"

    net_wh: Figure
    gross_wh: Figure
    regenerated_wh: Figure
    distance_m: Figure
    net_wh_per_km: Figure
    gross_wh_per_km: Figure
    mean_power_w: Figure
    budget: tuple[ErrorPart, ...]
    coverage_ratio: float
    duration_s: float
    moving_s: float
    charging_s: float
    power_source: str
    distance_source: str
