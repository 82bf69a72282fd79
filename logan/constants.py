"""Constants, each with its source; SI."""

from __future__ import annotations

from typing import Final

STANDARD_GRAVITY_M_PER_S2: Final = 9.80665
"""Standard acceleration of free fall (exact; NIST SP 811, Appendix B)."""

METRES_PER_MILE: Final = 1609.344
"""International mile (exact; NIST SP 811, Appendix B)."""

SECONDS_PER_HOUR: Final = 3600.0
JOULES_PER_WATT_HOUR: Final = 3600.0

ZERO_CELSIUS_K: Final = 273.15
"""Kelvin at 0 degrees Celsius (exact; NIST SP 811)."""

GAS_CONSTANT_J_PER_MOL_K: Final = 8.314462618
"""Molar gas constant (CODATA 2018)."""

DRY_AIR_GAS_CONSTANT_J_PER_KG_K: Final = 287.058
"""Specific gas constant of dry air (40 CFR 1037.528(h)(10))."""

STANDARD_PRESSURE_PA: Final = 101_325.0
"""Standard atmosphere (exact; ISO 2533)."""

US_ROAD_LOAD_TEMPERATURE_DEGC: Final = 20.0
US_ROAD_LOAD_PRESSURE_PA: Final = 98_210.0
"""Reference conditions of a US road load (40 CFR 1066.805(c))."""
