"""What helps where a limit was passed: by channel, side, and which way the current ran; for a report, and live."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logan.channels.vocabulary import channel_kind
from logan.settings import LimitSide


class Flow(StrEnum):
    """Which way the pack's current ran at the worst moment."""

    DRIVE = "drive"
    REGEN = "regen"
    CHARGE = "charge"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice: what happened and what follows (report), and what to do now (live)."""

    past: str
    live: str


_FIRE: Final = (
    "On smell, hiss or smoke leave the vehicle, keep 100 ft (30 m) away and call the fire department (911); do not "
    "open the pack. It "
    "can catch fire again hours to days later: park it outdoors, 50 ft (15 m) from anything."
)
_STRONG_REGEN: Final = Advice(
    "A cell rose above its limit on regen: regen was too strong for a pack this full or this cold. Lower the regen or "
    "charge limit, or start less full, and slow with the friction brakes; lifting the pedal makes regen stronger.",
    "Ease off regen, use the friction brakes. Do not just lift: that makes regen stronger.",
)
_OVERCHARGED: Final = Advice(
    "A cell rose above its limit on the charger. Lower the charge voltage or current, and have the balance and the "
    "sense wires checked before it is charged again.",
    "Stop the charge, and stay with the vehicle.",
)
_HIGH_WITHOUT_CHARGE: Final = Advice(
    "A cell read above its limit while nothing charged it: a sense wire, the balance, or the limit is wrong. Find out "
    "which before the next charge or strong regen.",
    "Neither charge nor use regen. Use the friction brakes, and stop to check where it is safe.",
)
_SAGGED: Final = Advice(
    "A cell sagged below its limit under load. Use less power when the pack is low or cold, and look for a weak cell "
    "or lug. Battery management is never to be defeated to get data.",
    "Back off now: less power. Drive gently to a charger.",
)
_EMPTY: Final = Advice(
    "A cell was below its limit without load: it is empty, or its sense wire is loose. Do not charge it fast before "
    "that is known; a cell this low may be damaged for good.",
    "Back off and stop where it is safe. Do not charge fast.",
)
_MUCH_OUT: Final = Advice(
    "More current flowed than the limit allows. Check fuse, contactor, lugs and cable against their datasheets before "
    "driving this hard again.",
    "Back off now: less power. Do not open contactors under load except in an emergency.",
)
_MUCH_IN: Final = Advice(
    "Regen put more current into the pack than its limit allows. Lower the regen limit, the more so with a full or a "
    "cold pack, and slow with the friction brakes.",
    "Ease off regen, use the friction brakes.",
)
_MUCH_CHARGE: Final = Advice(
    "The charger put more current into the pack than its limit allows. Lower the charge current before charging again.",
    "Stop the charge.",
)
_HEAT: Final = Advice(
    "It ran hotter than its limit. Find out why, and have it cool, before it is driven this hard again; it may rise "
    "further after a stop. Motor, inverter and coolant burn, and the coolant is under pressure.",
    "Back off now and stop where it is safe; let it cool for at least 10 minutes and watch for a further rise. Motor, "
    "inverter and coolant burn, and the coolant is under pressure.",
)
_CELLS_HOT: Final = Advice(
    f"The cells were hotter than their limit. Neither charge nor drive hard before they have cooled and the cause is "
    f"known. {_FIRE}",
    f"Stop now where it is safe and get out. {_FIRE}",
)
_COLD_REGEN: Final = Advice(
    "The cells were charged colder than their limit, which can plate lithium for good. Warm the pack first, or switch "
    "regen and charging off in the cold.",
    "Ease off regen, use the friction brakes, and do not charge before the pack is warm.",
)
_COLD: Final = Advice(
    "The cells were colder than their limit. Warm the pack before asking for full power, regen or a charge.",
    "Drive gently, with the friction brakes, until the pack is warm.",
)
_ISOLATION: Final = Advice(
    "The isolation was below its limit, and more than 60 V DC can kill. Neither drive nor touch before the fault is "
    "found: service disconnect, lock, wait at least 5 minutes, prove dead on both poles and to the chassis with a "
    "rated tester.",
    "Stop where it is safe, and touch no metal of vehicle and ground at once. More than 60 V DC can kill: service "
    "disconnect, lock, wait at least 5 minutes, prove dead before any work.",
)
_OVERSPEED: Final = Advice(
    "The motor turned faster than its limit. Keep the road speed that belongs to its limit, also downhill and with "
    "spinning wheels, or choose a taller gear.",
    "Slow down with the friction brakes.",
)
_LOW_12_V: Final = Advice(
    "The 12 V supply was low; contactors, lights and brake booster hang on it. Check DC-DC converter, battery and "
    "lugs before the next drive.",
    "Switch loads off and stop where it is safe: the contactors may open.",
)
_TORQUE: Final = Advice(
    "More torque came than the inverter announced as allowed. Have command, limit and scaling compared before the "
    "next drive.",
    "Back off now.",
)
_OTHER: Final = Advice(
    "It passed its limit. Leave this kind of driving until the cause is understood.",
    "Back off now, and find the cause.",
)

CAUTION_ALWAYS: Final = (
    "These are estimates for the recorded vehicle and conditions: no certification, and no substitute for datasheets "
    "or a professional inspection."
)
CAUTION_ROAD_TEST: Final = (
    "Test on a road only where it is legal, dry and empty, within tire and axle ratings, with friction brakes that "
    "hold alone and 20 % of charge in reserve; a passenger works the logger."
)
CAUTION_HIGH_VOLTAGE: Final = (
    "More than 60 V DC can kill. Work on the pack with its service disconnect out and proven dead, or have someone "
    "measure who is trained for the voltage."
)

_ABOVE, _BELOW = LimitSide.ABOVE, LimitSide.BELOW
_VOLTAGES: Final = ("cell_voltage", "cell_voltage_min", "cell_voltage_max", "pack_voltage")
_CELLS: Final = ("cell_temperature", "cell_temperature_min", "cell_temperature_max", "pack_temperature")
_POWERS: Final = ("pack_current", "pack_power", "inverter_current")

_TABLE: Final[tuple[tuple[tuple[str, ...], LimitSide | None, tuple[Flow, ...], Advice], ...]] = (
    (_VOLTAGES, _ABOVE, (Flow.REGEN,), _STRONG_REGEN),
    (_VOLTAGES, _ABOVE, (Flow.CHARGE,), _OVERCHARGED),
    (_VOLTAGES, _ABOVE, (), _HIGH_WITHOUT_CHARGE),
    (_VOLTAGES, _BELOW, (Flow.DRIVE,), _SAGGED),
    (_VOLTAGES, _BELOW, (), _EMPTY),
    (_CELLS, _ABOVE, (), _CELLS_HOT),
    (_CELLS, _BELOW, (Flow.REGEN, Flow.CHARGE), _COLD_REGEN),
    (_CELLS, _BELOW, (), _COLD),
    (_POWERS, None, (Flow.CHARGE,), _MUCH_CHARGE),
    (_POWERS, None, (Flow.REGEN,), _MUCH_IN),
    (_POWERS, _BELOW, (), _MUCH_IN),
    ((*_POWERS, "motor_current"), None, (), _MUCH_OUT),
    (("isolation_resistance",), None, (), _ISOLATION),
    (("motor_speed",), None, (), _OVERSPEED),
    (("auxiliary_voltage",), _BELOW, (), _LOW_12_V),
    (("motor_torque",), None, (), _TORQUE),
)
"""Channels, side (None for either), flows (none for any other) and advice; the first row that fits counts."""


def advice_for(channel: str, side: LimitSide, flow: Flow = Flow.UNKNOWN) -> Advice:
    """Return what helps where a channel passed its limit.

    Parameters
    ----------
    channel : str
        Canonical name, numbered or not.
    side : LimitSide
        On which side it passed.
    flow : Flow
        Which way the pack's current ran then.
    """
    kind = channel_kind(channel)
    name = kind.name if kind else channel
    for names, its_side, flows, advice in _TABLE:
        if name in names and its_side in (None, side) and (not flows or flow in flows):
            return advice
    return _HEAT if "temperature" in name and side is _ABOVE else _OTHER
