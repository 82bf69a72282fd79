"""What the pilot signal of an AC charging point allows (SAE J1772, IEC 61851-1)."""

from __future__ import annotations


def pilot_current_limit_a(duty_ratio: float) -> float | None:
    """Current that a control pilot's duty cycle allows.

    Parameters
    ----------
    duty_ratio : float
        Duty cycle, 0 to 1. [ratio]

    Returns
    -------
    float or None
        Current per phase; None where the duty cycle carries no current limit
        (digital communication around 5 %, or outside 10 to 96 %). [A]

    References
    ----------
    .. [1] SAE J1772 and IEC 61851-1, Annex A: 0.6 A per percent from 10 to 85 %,
       2.5 A per percent above 64 % from there to 96 %.
    """
    percent = 100.0 * duty_ratio
    if 10.0 <= percent <= 85.0:
        return 0.6 * percent
    if 85.0 < percent <= 96.0:
        return 2.5 * (percent - 64.0)
    return None
