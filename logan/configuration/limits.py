"""The limit sheet of a build: which value of which channel is amber, and which is red."""

from __future__ import annotations

from collections.abc import Iterator

from logan.channels.vocabulary import channel_kind
from logan.configuration.declared import Given
from logan.configuration.typical_limits import TYPICAL_LIMITS
from logan.settings import Conductor, DurationCurve, Limit, LimitSheet, LimitSide
from logan.units.quantities import parse_quantity, wire_gauge

_BELOW_BY_NATURE = (
    "cell_voltage_min",
    "isolation_resistance",
    "auxiliary_voltage",
    "state_of_charge",
    "cell_temperature_min",
)


def limit_problems(given: Given) -> tuple[str, ...]:
    """Return one line per limit whose values cannot be read or contradict each other.

    Parameters
    ----------
    given : Given
        The ``[limits]`` table; what breaks its form is told elsewhere.
    """
    problems = []
    for channel, entry in _entries(given):
        values: dict[str, float] = {}
        for key in ("amber", "red", "derate"):
            try:
                values |= {key: value} if (value := _limit_value(entry[key], channel)) is not None else {}
            except ValueError as error:
                problems.append(f"limits.{channel}.{key}: {error}")
        if entry["amber"] is None and entry["red"] is None:
            problems.append(f"limits.{channel}: give amber, red or both")
        elif {"amber", "red"} <= values.keys() and (values["red"] - values["amber"]) * (
            1 if _side(channel, entry) == "above" else -1
        ) < 0:
            problems.append(f"limits.{channel}: red must lie beyond amber")
    return tuple(problems)


def _entries(given: Given) -> Iterator[tuple[str, Given]]:
    for channel, entry in given.values.items():
        if given.table.key(channel) is None:
            yield channel, entry


def _side(channel: str, entry: Given) -> str:
    return entry["side"] or ("below" if channel.rstrip("_0123456789") in _BELOW_BY_NATURE else "above")


def _limit_value(raw: str | float | None, channel: str) -> float | None:
    if raw is None:
        return None
    kind = channel_kind(channel)
    unit = kind.unit if kind else ""
    read_in = {"ratio": "", "ohm": "ohm"}.get(unit, unit)
    return parse_quantity(raw, read_in, f"120 {unit}" if read_in else "0.2").value


def limit_sheet(given: Given) -> LimitSheet:
    """Return the limit sheet of a build.

    Raises
    ------
    ValueError
        If a value cannot be read; ``limit_problems`` tells all of them.
    """
    limits = [
        Limit(
            channel=channel,
            side=LimitSide(_side(channel, entry)),
            amber=_limit_value(entry["amber"], channel),
            red=_limit_value(entry["red"], channel),
            source=entry["source"],
            derate=_limit_value(entry["derate"], channel),
        )
        for channel, entry in _entries(given)
    ]
    if given["use_typical"]:
        own = LimitSheet(limits=tuple(limits))
        spoken = {limit.channel: {one.side for one in own.of(limit.channel)} for limit in TYPICAL_LIMITS}
        limits.extend(limit for limit in TYPICAL_LIMITS if limit.side not in spoken[limit.channel])
    return LimitSheet(
        **given.typed(LimitSheet),
        limits=tuple(limits),
        curves=tuple(_curve(curve) for curve in given["curve"]),
        conductors=tuple(_conductor(conductor) for conductor in given["conductor"]),
    )


def _curve(given: Given) -> DurationCurve:
    duration_s, current_a = zip(*given["points"], strict=True)
    return DurationCurve(**given.typed(DurationCurve), duration_s=duration_s, current_a=current_a)


def _conductor(given: Given) -> Conductor:
    area_mm2 = given["area"].value
    gauge = wire_gauge(area_mm2)
    name = f"{given['name']}, {area_mm2:.3g} mm²{f' (about {gauge})' if gauge else ''}"
    return Conductor(**given.typed(Conductor) | {"name": name})
