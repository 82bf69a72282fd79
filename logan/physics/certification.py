"""Arithmetic of certification: multi-cycle range, MPGe, both schedules combined and the label's adjustment."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Generic

from logan.units import METRES_PER_MILE, WATT_HOURS_PER_US_GALLON_EQUIVALENT, Number

CITY_SHARE_RATIO: Final = 0.55
"""Weight of the urban schedule in a combined figure (40 CFR 600; 10 CFR 474 Appendix)."""

LABEL_ADJUSTMENT_RATIO: Final = 0.7
"""Default from unadjusted range to label range (40 CFR 600.210, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MultiCycleResult(Generic[Number]):
    """Result of a multi-cycle test.

    Parameters
    ----------
    urban_wh_per_m, highway_wh_per_m : float or ndarray, shape (n,)
        Consumption at the pack terminals. [Wh/m]
    urban_ac_wh_per_m, highway_ac_wh_per_m : float or ndarray, shape (n,)
        Consumption from the wall. [Wh/m]
    urban_range_m, highway_range_m, combined_range_m, label_range_m : float or ndarray, shape (n,)
        Unadjusted, and combined times the label's default adjustment. [m]
    recharge_ratio : float or ndarray, shape (n,)
        Energy from the wall over energy from the pack. [ratio]
    """

    urban_wh_per_m: Number
    highway_wh_per_m: Number
    urban_ac_wh_per_m: Number
    highway_ac_wh_per_m: Number
    urban_range_m: Number
    highway_range_m: Number
    combined_range_m: Number
    label_range_m: Number
    recharge_ratio: Number


def multi_cycle_result(
    *,
    usable_energy_wh: Number,
    recharge_energy_wh: Number,
    urban_energies_wh: Sequence[Number],
    urban_distances_m: Sequence[float],
    highway_energies_wh: Sequence[Number],
    highway_distances_m: Sequence[float],
) -> MultiCycleResult[Number]:
    """Consumption and range from a multi-cycle test of four urban and two highway schedules. Method: plan (13).

    Parameters
    ----------
    usable_energy_wh, recharge_energy_wh : float or ndarray, shape (n,)
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
    rest = (1.0 - first) / (len(urban_energies_wh) - 1)
    urban, highway = 0.0 * usable_energy_wh, 0.0 * usable_energy_wh
    for index, (energy, distance) in enumerate(zip(urban_energies_wh, urban_distances_m, strict=True)):
        urban = urban + (rest if index else first) * energy / distance
    for energy, distance in zip(highway_energies_wh, highway_distances_m, strict=True):
        highway = highway + energy / distance / len(highway_energies_wh)
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


def miles_per_gallon_equivalent(ac_wh_per_m: Number) -> Number:
    """Miles per US gallon equivalent from consumption at the wall [mi/gal]; 33 705 Wh a gallon (EPA)."""
    return WATT_HOURS_PER_US_GALLON_EQUIVALENT / (ac_wh_per_m * METRES_PER_MILE)


def combined_consumption(urban: Number, highway: Number) -> Number:
    """Consumption of both schedules weighed 55/45 by distance (40 CFR 600; 10 CFR 474 Appendix), in their unit."""
    return CITY_SHARE_RATIO * urban + (1.0 - CITY_SHARE_RATIO) * highway
