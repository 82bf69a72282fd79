"""What certified electric vehicles say about efficiency, regen, auxiliaries and charging: the plan's sourced priors.

Fitted by ``tests/benchmarks/certified/priors.py`` to the test car lists of model years 2017 to 2023 ("Data on Cars
used for Testing Fuel Economy", US Environmental Protection Agency, public domain); the likelihood is
Method: plan (8).
"""

from typing import Final

import numpy as np

from logan.settings import PlanningValue
from logan.units import FloatArray

SOURCE: Final = "117 certified EVs (EPA test lists 2017-2023)"
"""How a planning value from the list is marked."""

COOL_TIRE_FACTOR: Final = 1.166
"""Coefficients A and B in town over those of the warm coastdown: tires and gear oil stay cooler. Fitted."""

SCHEDULE_LOG_SIGMA: Final = 0.0247
"""What each schedule has for itself beside the vehicle's three values. Fitted."""

DRIVE_TIMES_CHARGING: Final = (0.891 * 0.88, 0.044)
"""Median and spread (logarithm) of efficiency from the wall to the wheels: all that figures at the wall can tell."""

CHARGING_OWN_SIGMA: Final = 0.019
"""Spread of charging efficiency from vehicle to vehicle, in logarithms (common practice)."""

SPLIT_LOG_SIGMA: Final = 0.020
"""Doubt about what part of the product is charging: one certified recharge against its usable energy leaves 0.87 to
0.90 (read second-hand), recharge allocation factors run from 1.09 to 1.18 (common practice)."""

CHARGING: Final = PlanningValue(
    0.88,
    0.88 * float(np.hypot(CHARGING_OWN_SIGMA, SPLIT_LOG_SIGMA)),
    "common practice: recharge factor 1.09 to 1.18; the certified list holds it only times the efficiency",
)

_DRIVE_LOG_SIGMA: Final = float(np.sqrt(DRIVE_TIMES_CHARGING[1] ** 2 - CHARGING_OWN_SIGMA**2 + SPLIT_LOG_SIGMA**2))

DRIVE: Final = PlanningValue(
    DRIVE_TIMES_CHARGING[0] / CHARGING.value,
    DRIVE_TIMES_CHARGING[0] / CHARGING.value * _DRIVE_LOG_SIGMA,
    f"{SOURCE}, charging 0.88; new cars, not a conversion",
)
_BLENDED: Final = "blended as in a new car"
_FOUR: Final = PlanningValue(0.799, 0.799 * 0.11, f"{SOURCE}, all wheels driven; {_BLENDED}")
REGEN: Final = {
    "front": PlanningValue(0.850, 0.850 * 0.11, f"{SOURCE}, two driven wheels; {_BLENDED}"),
    "rear": PlanningValue(0.850, 0.850 * 0.11, f"{SOURCE}, two driven wheels; {_BLENDED}"),
    "four": _FOUR,
    "all": _FOUR,
    "": PlanningValue(0.825, 0.825 * 0.115, f"{SOURCE}, driven wheels not said; {_BLENDED}"),
}
"""Wheel to pack, by driven wheels. Power says no more where whole makers are left out."""
AUXILIARY_W: Final = PlanningValue(131.0, 131.0 * 0.383, f"{SOURCE}, heater and A/C off")


def charging_samples(charging: PlanningValue, drive: PlanningValue, drive_ratio: FloatArray) -> FloatArray:
    """Charging efficiency to go with samples of the drive efficiency. Method: plan (10), (11).

    Where both come from the list, only their product is known: a drive efficiency that is higher than the
    median goes with a charging efficiency that is lower.

    Parameters
    ----------
    charging, drive : PlanningValue
        Of the build.
    drive_ratio : ndarray, shape (n,)
        Samples of the drive efficiency. [ratio]

    Returns
    -------
    ndarray, shape (n,)
        Medians of the charging efficiency given each sample. [ratio]
    """
    if charging != CHARGING or not drive.source.startswith(SOURCE):
        return np.full(drive_ratio.shape, charging.value)
    slope = -(SPLIT_LOG_SIGMA**2) / _DRIVE_LOG_SIGMA**2
    return np.asarray(charging.value * (drive_ratio / drive.value) ** slope)


def charging_log_sigma(charging: PlanningValue, drive: PlanningValue) -> float:
    """Spread of the charging efficiency about ``charging_samples``, in logarithms. [ratio] Method: plan (12)."""
    relative = charging.sigma / charging.value
    if charging != CHARGING or not drive.source.startswith(SOURCE):
        return relative
    return float(np.sqrt(relative**2 - (SPLIT_LOG_SIGMA**2 / _DRIVE_LOG_SIGMA) ** 2))
