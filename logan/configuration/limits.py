"""The limit sheet of a build: which value of which channel is amber, and which is red."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import ValidationError

from logan.channels.vocabulary import channel_kind
from logan.configuration.quantities import parse_quantity
from logan.configuration.schema import LimitsTable, LimitTable
from logan.configuration.typical_limits import TYPICAL_LIMITS
from logan.settings import Conductor, DurationCurve, Limit, LimitSheet, LimitSide
from logan.units.quantities import wire_gauge

_BELOW_BY_NATURE = (
    "cell_voltage_min",
    "isolation_resistance",
    "auxiliary_voltage",
    "state_of_charge",
    "cell_temperature_min",
)


def limit_problems(raw: object) -> tuple[str, ...]:
    """Return one line per limit whose values cannot be read or contradict each other.

    Parameters
    ----------
    raw : object
        The ``[limits]`` table as written; what breaks its form is told elsewhere.
    """
    try:
        table = LimitsTable.model_validate(raw)
    except ValidationError:
        return ()
    problems = []
    for channel, entry in _entries(table):
        values: dict[str, float] = {}
        for key in ("amber", "red", "derate"):
            try:
                values |= {key: value} if (value := _limit_value(getattr(entry, key), channel)) is not None else {}
            except ValueError as error:
                problems.append(f"limits.{channel}.{key}: {error}")
        if entry.amber is None and entry.red is None:
            problems.append(f"limits.{channel}: give amber, red or both")
        elif {"amber", "red"} <= values.keys() and (values["red"] - values["amber"]) * (
            1 if _side(channel, entry) == "above" else -1
        ) < 0:
            problems.append(f"limits.{channel}: red must lie beyond amber")
    return tuple(problems)


def _entries(table: LimitsTable) -> Iterator[tuple[str, LimitTable]]:
    for channel, entry in (table.model_extra or {}).items():
        if isinstance(entry, LimitTable):
            yield channel, entry


def _side(channel: str, entry: LimitTable) -> str:
    return entry.side or ("below" if channel.rstrip("_0123456789") in _BELOW_BY_NATURE else "above")


def _limit_value(raw: str | float | None, channel: str) -> float | None:
    if raw is None:
        return None
    kind = channel_kind(channel)
    unit = kind.unit if kind else ""
    pint_unit = {"ratio": "", "ohm": "ohm"}.get(unit, unit)
    return parse_quantity(raw, pint_unit, f"120 {unit}" if pint_unit else "0.2").value


def limit_sheet(table: LimitsTable) -> LimitSheet:
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
            amber=_limit_value(entry.amber, channel),
            red=_limit_value(entry.red, channel),
            source=entry.source,
            derate=_limit_value(entry.derate, channel),
        )
        for channel, entry in _entries(table)
    ]
    if table.use_typical:
        given = LimitSheet(limits=tuple(limits))
        spoken = {limit.channel: {one.side for one in given.of(limit.channel)} for limit in TYPICAL_LIMITS}
        limits.extend(limit for limit in TYPICAL_LIMITS if limit.side not in spoken[limit.channel])
    return LimitSheet(
        limits=tuple(limits),
        curves=tuple(
            DurationCurve(
                component=curve.component,
                duration_s=tuple(duration.value for duration, _ in curve.points),
                current_a=tuple(current.value for _, current in curve.points),
                direction=curve.direction,
                quantity=curve.quantity,
                source=curve.source,
                channel=curve.channel,
            )
            for curve in table.curve
        ),
        conductors=tuple(
            Conductor(
                name=_with_gauge(conductor.name, conductor.area.value),
                material=conductor.material,
                area_mm2=conductor.area.value,
                start_degc=conductor.start.value,
                limit_degc=conductor.limit.value,
            )
            for conductor in table.conductor
        ),
        design_ambient_degc=table.design_ambient.value,
        ac_side=table.ac_side,
    )


def _with_gauge(name: str, area_mm2: float) -> str:
    gauge = wire_gauge(area_mm2)
    return f"{name}, {area_mm2:.3g} mm²{f' (about {gauge})' if gauge else ''}"
