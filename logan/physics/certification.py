"""Arithmetic of certification: multi-cycle range, petroleum equivalence, MPGe and the label's adjustment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logan.constants import METRES_PER_MILE
from logan.units import WATT_HOURS_PER_US_GALLON_EQUIVALENT

CITY_SHARE_RATIO: Final = 0.55
"""Weight of the urban schedule in a combined figure (40 CFR 600; 10 CFR 474 Appendix)."""

LABEL_ADJUSTMENT_RATIO: Final = 0.7
"""Default from unadjusted range to label range (40 CFR 600.210)."""

PETROLEUM_EQUIVALENCE_WH_PER_GALLON: Final = 82_049.0
PETROLEUM_EQUIVALENCE_WITH_FUEL_HEATER_WH_PER_GALLON: Final = 73_844.0
"""Petroleum-equivalency factors of the worked example in 10 CFR 474 Appendix; not those of the label."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MultiCycleResult:
    """Result of a multi-cycle test.

    Parameters
    ----------
    urban_wh_per_m, highway_wh_per_m : float
        Consumption at the pack terminals. [Wh/m]
    urban_ac_wh_per_m, highway_ac_wh_per_m : float
        Consumption from the wall. [Wh/m]
    urban_range_m, highway_range_m, combined_range_m, label_range_m : float
        Unadjusted, and combined times the label's default adjustment. [m]
    recharge_ratio : float
        Energy from the wall over energy from the pack. [ratio]
    """

    urban_wh_per_m: float
    highway_wh_per_m: float
    urban_ac_wh_per_m: float
    highway_ac_wh_per_m: float
    urban_range_m: float
    highway_range_m: float
    combined_range_m: float
    label_range_m: float
    recharge_ratio: float


def multi_cycle_result(
    *,
    usable_energy_wh: float,
    recharge_energy_wh: float,
    urban_energies_wh: Sequence[float],
    urban_distances_m: Sequence[float],
    highway_energies_wh: Sequence[float],
    highway_distances_m: Sequence[float],
) -> MultiCycleResult:
    """Consumption and range from a multi-cycle test of four urban and two highway schedules.

    Parameters
    ----------
    usable_energy_wh, recharge_energy_wh : float
        From full to empty at the pack terminals, and from the wall to fill it again. [Wh]
    urban_energies_wh, urban_distances_m : sequence of float
        Of each urban schedule in the order driven, the cold start first. [Wh, m]
    highway_energies_wh, highway_distances_m : sequence of float
        Of each highway schedule. [Wh, m]

    Returns
    -------
    MultiCycleResult
        The first urban schedule counts by its share of the usable energy, the others equally.

    Raises
    ------
    ValueError
        If there are fewer than two urban or no highway schedules, or counts differ.

    References
    ----------
    .. [1] SAE J1634, multi-cycle test (formulas from memory); sequence: 40 CFR 600.116-12.
    """
    if len(urban_energies_wh) < 2 or not highway_energies_wh:
        raise ValueError("a multi-cycle test has at least two urban schedules and one highway schedule")
    first = urban_energies_wh[0] / usable_energy_wh
    weights = [first, *[(1.0 - first) / (len(urban_energies_wh) - 1)] * (len(urban_energies_wh) - 1)]
    urban = sum(
        weight * energy / distance
        for weight, energy, distance in zip(weights, urban_energies_wh, urban_distances_m, strict=True)
    )
    per_metre = [energy / distance for energy, distance in zip(highway_energies_wh, highway_distances_m, strict=True)]
    highway = sum(per_metre) / len(per_metre)
    recharge = recharge_energy_wh / usable_energy_wh
    urban_range, highway_range = usable_energy_wh / urban, usable_energy_wh / highway
    combined = CITY_SHARE_RATIO * urban_range + (1.0 - CITY_SHARE_RATIO) * highway_range
    return MultiCycleResult(
        urban_wh_per_m=urban,
        highway_wh_per_m=highway,
        urban_ac_wh_per_m=urban * recharge,
        highway_ac_wh_per_m=highway * recharge,
        urban_range_m=urban_range,
        highway_range_m=highway_range,
        combined_range_m=combined,
        label_range_m=LABEL_ADJUSTMENT_RATIO * combined,
        recharge_ratio=recharge,
    )


def miles_per_gallon_equivalent(ac_wh_per_m: float) -> float:
    """Miles per US gallon equivalent from consumption at the wall [mi/gal]; 33 705 Wh a gallon (EPA)."""
    return WATT_HOURS_PER_US_GALLON_EQUIVALENT / (ac_wh_per_m * METRES_PER_MILE)


def petroleum_equivalent_miles_per_gallon(
    urban_wh_per_m: float,
    highway_wh_per_m: float,
    factor_wh_per_gallon: float = PETROLEUM_EQUIVALENCE_WH_PER_GALLON,
) -> float:
    """Petroleum-equivalent fuel economy for fleet averages, not for the label.

    Parameters
    ----------
    urban_wh_per_m, highway_wh_per_m : float
        Consumption at the wall. [Wh/m]
    factor_wh_per_gallon : float
        Petroleum-equivalency factor. [Wh/gal]

    Returns
    -------
    float
        Miles per gallon.

    References
    ----------
    .. [1] 10 CFR 474 Appendix.
    """
    combined = CITY_SHARE_RATIO * urban_wh_per_m + (1.0 - CITY_SHARE_RATIO) * highway_wh_per_m
    return factor_wh_per_gallon / (combined * METRES_PER_MILE)
