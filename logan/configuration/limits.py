"""The limit sheet of a build: which value of which channel is amber, and which is red."""

from __future__ import annotations

from logan.channels.vocabulary import channel_kind
from logan.configuration.quantities import parse_quantity
from logan.configuration.schema import LimitsTable, LimitTable
from logan.configuration.typical_limits import TYPICAL_LIMITS
from logan.settings import Conductor, DurationCurve, Limit, LimitSheet, LimitSide

_BELOW_BY_NATURE = (
    "cell_voltage_min",
    "isolation_resistance",
    "auxiliary_voltage",
    "state_of_charge",
    "cell_temperature_min",
)


def _limit_value(raw: str | float | None, channel: str, key: str, problems: list[str]) -> float | None:
    if raw is None:
        return None
    kind = channel_kind(channel)
    unit = kind.unit if kind else ""
    pint_unit = {"ratio": "", "ohm": "ohm"}.get(unit, unit)
    try:
        return parse_quantity(raw, pint_unit, f"120 {unit}" if pint_unit else "0.2").value
    except ValueError as error:
        problems.append(f"limits.{channel}.{key}: {error}")
        return None


def limit_sheet(table: LimitsTable, problems: list[str]) -> LimitSheet:
    """Return the limit sheet of a build; faults are added to ``problems``."""
    limits: list[Limit] = []
    for channel, entry in (table.model_extra or {}).items():
        if not isinstance(entry, LimitTable):
            continue
        side = entry.side or ("below" if channel.rstrip("_0123456789") in _BELOW_BY_NATURE else "above")
        amber = _limit_value(entry.amber, channel, "amber", problems)
        red = _limit_value(entry.red, channel, "red", problems)
        if amber is None and red is None:
            problems.append(f"limits.{channel}: give amber, red or both")
        elif amber is not None and red is not None and (red < amber if side == "above" else red > amber):
            problems.append(f"limits.{channel}: red must lie beyond amber")
        limits.append(Limit(channel=channel, side=LimitSide(side), amber=amber, red=red, source=entry.source))
    if table.use_typical:
        given = {(limit.channel, limit.side) for limit in limits}
        limits.extend(limit for limit in TYPICAL_LIMITS if (limit.channel, limit.side) not in given)
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
                name=conductor.name,
                material=conductor.material,
                area_mm2=conductor.area.value,
                start_degc=conductor.start.value,
                limit_degc=conductor.limit.value,
            )
            for conductor in table.conductor
        ),
        design_ambient_degc=table.design_ambient.value,
    )
