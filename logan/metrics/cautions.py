"""What to do, beside what is red."""

from __future__ import annotations

from typing import Final

CAUTION_CURRENT: Final = (
    "Stop testing at this load. Check fuse, contactor, lugs and cable against their datasheets before driving on. "
    "Do not open contactors under load except in an emergency."
)
CAUTION_HEAT: Final = (
    "Stop at once; do not go on to get data. Let it cool for at least 10 minutes and watch for a further rise after "
    "the stop. Motor, inverter and coolant burn; the coolant is under pressure."
)
CAUTION_CELLS: Final = (
    "Stop at once. On smell, hiss or smoke leave the vehicle, keep 30 m away and call the fire brigade; do not open "
    "the pack. It can catch fire again hours to days later: park it outdoors, 15 m from anything."
)
CAUTION_VOLTAGE: Final = (
    "More than 60 V DC can kill. Do not drive or touch before the fault is found: service disconnect, lock, wait at "
    "least 5 minutes, prove dead on both poles and to the chassis with a rated tester."
)
CAUTION_CELL_VOLTAGE: Final = (
    "Lift at once. Never defeat the battery management to get data; a cell beyond its limits may be damaged for good."
)
CAUTION_OTHER: Final = "Stop this kind of driving until the cause is understood."

CAUTION_ALWAYS: Final = (
    "These are estimates for the recorded vehicle and conditions: no certification, and no substitute for datasheets "
    "or a professional inspection."
)


def caution_for(channel: str) -> str:
    """Return the caution that belongs to a red limit of a channel."""
    if channel.startswith(("cell_voltage",)):
        return CAUTION_CELL_VOLTAGE
    if channel.startswith(("cell_temperature", "pack_temperature")):
        return CAUTION_CELLS
    if channel.startswith("isolation"):
        return CAUTION_VOLTAGE
    if "temperature" in channel:
        return CAUTION_HEAT
    if "current" in channel or "power" in channel:
        return CAUTION_CURRENT
    return CAUTION_OTHER
