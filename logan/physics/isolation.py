"""Isolation resistance of a high-voltage bus (UN R100)."""

from __future__ import annotations

from typing import Final

DC_BUS_OHM_PER_V: Final = 100.0
"""Least isolation of a DC bus, per volt of working voltage (UN R100, 5.1.3)."""

COMBINED_BUS_OHM_PER_V: Final = 500.0
"""Least isolation of an AC bus, and of AC and DC buses connected together (UN R100, 5.1.3).

Connected buses need only 100 ohm/V where the AC side is doubly insulated or in a robust housing.
"""


def required_isolation_ohm(working_voltage_v: float, *, is_combined: bool) -> float:
    """Least isolation resistance of a bus.

    Parameters
    ----------
    working_voltage_v : float
        Highest working voltage. [V]
    is_combined : bool
        True for AC and DC buses that are connected together, without special protection of the AC side.

    Returns
    -------
    float
        Resistance to the chassis. [ohm]

    References
    ----------
    .. [1] UN R100, 5.1.3.
    """
    return working_voltage_v * (COMBINED_BUS_OHM_PER_V if is_combined else DC_BUS_OHM_PER_V)
