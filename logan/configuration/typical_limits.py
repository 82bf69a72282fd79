"""Limits that are common practice for salvaged parts: taken over only by the user's word.

All from memory of the trade, none from a datasheet; every figure that rests on them says
"typical, not your datasheet".
"""

from typing import Final

from logan.settings import TYPICAL_SOURCE, Limit, LimitSide


def _above(channel: str, amber: float, red: float) -> Limit:
    return Limit(channel=channel, side=LimitSide.ABOVE, amber=amber, red=red, source=TYPICAL_SOURCE)


def _below(channel: str, amber: float, red: float) -> Limit:
    return Limit(channel=channel, side=LimitSide.BELOW, amber=amber, red=red, source=TYPICAL_SOURCE)


TYPICAL_LIMITS: Final = (
    _above("motor_temperature", 120.0, 150.0),
    _above("inverter_temperature", 75.0, 85.0),
    _above("coolant_temperature", 60.0, 65.0),
    _above("gearbox_oil_temperature", 110.0, 120.0),
    _above("cell_temperature_max", 45.0, 55.0),
    _above("pack_temperature", 45.0, 55.0),
    _below("cell_temperature_min", 0.0, -20.0),
    _above("cable_temperature", 70.0, 90.0),
    _above("cell_voltage_max", 4.15, 4.20),
    _below("cell_voltage_min", 3.0, 2.8),
    _below("auxiliary_voltage", 13.2, 12.0),
)
"""Amber and red in degrees Celsius and volts; cell voltages are those of NMC cells."""
