"""Every limit of the build against one drive: closest approach, time beyond, and events."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel, Drive
from logan.flags import Severity
from logan.metrics.announced_limits import announced_excesses
from logan.metrics.cautions import CAUTION_ALWAYS, caution_for
from logan.metrics.current import CurrentSummary
from logan.metrics.exceedance import stretches_beyond, time_beyond_s
from logan.metrics.thermal import TEMPERATURE_KINDS, without_spikes
from logan.physics.isolation import required_isolation_ohm
from logan.settings import BuildSettings, Limit, LimitSide
from logan.units import FloatArray

NO_LIMIT_GIVEN: Final = "no limit given"

WATCHED_KINDS: Final = (
    *TEMPERATURE_KINDS,
    "pack_current",
    "pack_voltage",
    "cell_voltage_min",
    "cell_voltage_max",
    "isolation_resistance",
    "motor_speed",
    "motor_current",
    "auxiliary_voltage",
)
"""Kinds that have a limit on every build; one that is not entered is shown as not given."""

_ORDER: Final = {"beyond red": 0, "beyond amber": 1, "within the limit given": 2, NO_LIMIT_GIVEN: 3, "not logged": 4}


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitCheck:
    """One channel against its limit.

    Parameters
    ----------
    channel, unit : str
        Canonical name and the unit of its values.
    side : LimitSide or None
        Which side is wrong; None where no limit is given.
    amber, red : float or None
        Limits.
    worst_value : float or None
        Closest approach; None where the channel is not logged.
    margin : float or None
        To red, or to amber where there is no red; negative is beyond.
    severity : Severity or None
        Red, amber, or None (neither passed, or no limit given).
    verdict : str
        "beyond red", "beyond amber", "within the limit given", "no limit given" or "not logged".
    beyond_amber_s, beyond_red_s : float or None
        Time beyond. [s]
    source : str
        Where the limit comes from.
    context : Context or None
        Moment of the closest approach.
    """

    schema: ClassVar[str] = "limit-check/1"

    channel: str
    unit: str
    side: LimitSide | None
    amber: float | None
    red: float | None
    worst_value: float | None
    margin: float | None
    severity: Severity | None
    verdict: str
    beyond_amber_s: float | None
    beyond_red_s: float | None
    source: str
    context: Context | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitEvent:
    """One stretch beyond a limit: the same type for every channel, curve and drive.

    Parameters
    ----------
    what : str
        Channel, or "component: channel" for a curve.
    severity : Severity
        Amber or red.
    start_s, duration_s : float
        When, and for how long. [s]
    worst_value, limit_value : float
        In ``unit``.
    unit : str
        Unit of both.
    source : str
        Where the limit comes from.
    context : Context
        Moment of the worst value: speed, power, grade, state of charge, ambient.
    caution : str
        What to do, beside a red one.
    """

    schema: ClassVar[str] = "limit-event/1"

    what: str
    severity: Severity
    start_s: float
    duration_s: float
    worst_value: float
    limit_value: float
    unit: str
    source: str
    context: Context
    caution: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSummary:
    """All limits of a build against one drive; red first. Notes say which were left out."""

    schema: ClassVar[str] = "limit-summary/1"

    checks: tuple[LimitCheck, ...]
    events: tuple[LimitEvent, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = ()


def limit_summary(
    drive: Drive, build: BuildSettings, currents: CurrentSummary | None = None, *, notes: tuple[str, ...] = ()
) -> LimitSummary:
    """Every limit of a build against one drive.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Limit sheet, and the limits that its pack and motor carry.
    currents : CurrentSummary, optional
        Approaches to the component curves; they become events of the same type.
    notes : tuple of str
        What was left out of the sheet before, and why.

    Returns
    -------
    LimitSummary
        Checks, worst first; events, by time; cautions.
    """
    lookup = ContextLookup(drive)
    checks: list[LimitCheck] = []
    events: list[LimitEvent] = []
    seen: set[str] = set()
    for limit in (*_given(drive, build), *_isolation(drive)):
        channels = _channels_of(drive, limit)
        seen.update(channel.name for channel in channels)
        if not channels:
            checks.append(_not_logged(limit))
        for channel in channels:
            check, found = _check(channel, limit, lookup)
            checks.append(check)
            events += found
    for kind in WATCHED_KINDS:
        checks += [_without_limit(channel, lookup) for channel in drive.of_kind(kind) if channel.name not in seen]
    events += _announced(drive, lookup)
    if currents is not None:
        events += _curve_events(currents)
    checks.sort(key=lambda check: (_ORDER[check.verdict], check.channel))
    events.sort(key=lambda event: (event.severity is not Severity.RED, event.start_s))
    cautions = tuple(dict.fromkeys(event.caution for event in events if event.caution))
    return LimitSummary(checks=tuple(checks), events=tuple(events), cautions=(*cautions, CAUTION_ALWAYS), notes=notes)


def _given(drive: Drive, build: BuildSettings) -> Iterable[Limit]:
    """Limits of the sheet; of pack and motor too, where the sheet does not speak of that side."""
    sheet, pack = build.limits, build.pack
    for limit in sheet.limits:
        numbered = [channel for channel in drive.of_kind(limit.channel) if channel.name != limit.channel]
        own = {one.channel for one in sheet.limits if one.side is limit.side}
        if limit.channel in drive or not numbered:
            yield limit
        for channel in numbered:
            if channel.name not in own:
                yield Limit(
                    channel=channel.name, side=limit.side, amber=limit.amber, red=limit.red, source=limit.source
                )
    top_rad_per_s = build.powertrain.motor.max_speed_rpm * 2.0 * np.pi / 60.0
    charge_a = pack.charge_current_limit_a
    carried = (
        ("pack_current", LimitSide.ABOVE, pack.discharge_current_limit_a),
        ("pack_current", LimitSide.BELOW, None if charge_a is None else -charge_a),
        ("cell_voltage_min", LimitSide.BELOW, pack.cell_voltage_floor_v),
        ("cell_voltage_max", LimitSide.ABOVE, pack.cell_voltage_ceiling_v),
        ("motor_speed", LimitSide.ABOVE, top_rad_per_s),
    )
    spoken = {(limit.channel, limit.side) for limit in sheet.limits}
    for channel_name, side, red in carried:
        if red is not None and (channel_name, side) not in spoken:
            yield Limit(channel=channel_name, side=side, amber=None, red=red, source="pack and motor of the build")


def _isolation(drive: Drive) -> Iterable[Limit]:
    voltage = drive.get("pack_voltage")
    if "isolation_resistance" not in drive or voltage is None or not np.isfinite(voltage.value).any():
        return
    working_v = float(np.nanmax(voltage.value))
    yield Limit(
        channel="isolation_resistance",
        side=LimitSide.BELOW,
        amber=required_isolation_ohm(working_v, is_combined=True),
        red=required_isolation_ohm(working_v, is_combined=False),
        source="UN R100, 5.1.3: 100 ohm/V (DC bus), 500 ohm/V (AC and DC buses connected)",
    )


def _channels_of(drive: Drive, limit: Limit) -> list[Channel]:
    channel = drive.get(limit.channel)
    if channel is None or not np.isfinite(channel.value).any():
        return []
    return [channel]


def _unit(channel: str) -> str:
    kind = channel_kind(channel)
    return kind.unit if kind else ""


def _cleaned(channel: Channel) -> tuple[FloatArray, FloatArray]:
    if _unit(channel.name) == "degC":
        channel, _ = without_spikes(channel)
    known = np.isfinite(channel.value)
    return channel.time_s[known], channel.value[known]


def _check(channel: Channel, limit: Limit, lookup: ContextLookup) -> tuple[LimitCheck, list[LimitEvent]]:
    time_s, value = _cleaned(channel)
    sign = 1.0 if limit.side is LimitSide.ABOVE else -1.0
    worst = int(np.argmax(sign * value))
    worst_value = float(value[worst])

    def beyond(level: float | None) -> float | None:
        return None if level is None else time_beyond_s(time_s, value, level, limit.side, channel.max_gap_s)

    def is_beyond(level: float | None) -> bool:
        return level is not None and sign * (worst_value - level) > 0.0

    severity = Severity.RED if is_beyond(limit.red) else Severity.AMBER if is_beyond(limit.amber) else None
    verdict = f"beyond {severity}" if severity else "within the limit given"
    nearest = limit.red if limit.red is not None else limit.amber
    check = LimitCheck(
        channel=channel.name,
        unit=_unit(channel.name),
        side=limit.side,
        amber=limit.amber,
        red=limit.red,
        worst_value=worst_value,
        margin=None if nearest is None else sign * (nearest - worst_value),
        severity=severity,
        verdict=verdict if nearest is not None else NO_LIMIT_GIVEN,
        beyond_amber_s=beyond(limit.amber),
        beyond_red_s=beyond(limit.red),
        source=limit.source,
        context=lookup.at(float(time_s[worst])),
    )
    return check, _events(channel.name, time_s, value, limit, lookup)


def _events(name: str, time_s: FloatArray, value: FloatArray, limit: Limit, lookup: ContextLookup) -> list[LimitEvent]:
    outer = limit.amber if limit.amber is not None else limit.red
    if outer is None:
        return []
    sign = 1.0 if limit.side is LimitSide.ABOVE else -1.0
    found = []
    for stretch in stretches_beyond(time_s, value, outer, limit.side):
        is_red = limit.red is not None and sign * (stretch.worst_value - limit.red) > 0.0
        level = limit.red if is_red and limit.red is not None else outer
        found.append(
            LimitEvent(
                what=name,
                severity=Severity.RED if is_red else Severity.AMBER,
                start_s=stretch.start_s,
                duration_s=stretch.end_s - stretch.start_s,
                worst_value=stretch.worst_value,
                limit_value=level,
                unit=_unit(name),
                source=limit.source,
                context=lookup.at(stretch.worst_at_s),
                caution=caution_for(name) if is_red else "",
            )
        )
    return found


def watches_lowest(channel: str) -> bool:
    """Whether the lowest value of a channel is its worst, where no limit says which side is."""
    return channel.startswith(("cell_voltage_min", "cell_temperature_min", "isolation", "auxiliary_voltage"))


def _without_limit(channel: Channel, lookup: ContextLookup) -> LimitCheck:
    time_s, value = _cleaned(channel)
    worst = int(np.argmax(np.abs(value))) if value.size else None
    if watches_lowest(channel.name) and value.size:
        worst = int(np.argmin(value))
    return LimitCheck(
        channel=channel.name,
        unit=_unit(channel.name),
        side=None,
        amber=None,
        red=None,
        worst_value=None if worst is None else float(value[worst]),
        margin=None,
        severity=None,
        verdict=NO_LIMIT_GIVEN,
        beyond_amber_s=None,
        beyond_red_s=None,
        source="",
        context=None if worst is None else lookup.at(float(time_s[worst])),
    )


def _not_logged(limit: Limit) -> LimitCheck:
    return LimitCheck(
        channel=limit.channel,
        unit=_unit(limit.channel),
        side=limit.side,
        amber=limit.amber,
        red=limit.red,
        worst_value=None,
        margin=None,
        severity=None,
        verdict="not logged",
        beyond_amber_s=None,
        beyond_red_s=None,
        source=limit.source,
        context=None,
    )


def _announced(drive: Drive, lookup: ContextLookup) -> Iterable[LimitEvent]:
    """Current, power or torque beyond what battery management or inverter allowed at that moment."""
    for excess in announced_excesses(drive):
        yield LimitEvent(
            what=f"{excess.limit}: {excess.channel}",
            severity=Severity.RED,
            start_s=excess.start_s,
            duration_s=excess.end_s - excess.start_s,
            worst_value=excess.value,
            limit_value=excess.allowed,
            unit=excess.unit,
            source="announced by battery management or inverter at that moment",
            context=lookup.at(excess.worst_at_s),
            caution=caution_for(excess.channel),
        )


def _curve_events(currents: CurrentSummary) -> Iterable[LimitEvent]:
    for approach in currents.approaches:
        if approach.severity is not None:
            yield LimitEvent(
                what=f"{approach.component}: {approach.channel}",
                severity=approach.severity,
                start_s=approach.context.at_s - approach.window_s,
                duration_s=approach.window_s,
                worst_value=approach.current_a,
                limit_value=approach.allowed_a,
                unit="A",
                source=approach.source,
                context=approach.context,
                caution=approach.caution,
            )
    for heating in currents.conductors:
        if heating.severity is not None:
            yield LimitEvent(
                what=f"{heating.name}: conductor temperature, estimated",
                severity=heating.severity,
                start_s=heating.context.at_s - heating.window_s,
                duration_s=heating.window_s,
                worst_value=heating.end_degc,
                limit_value=heating.limit_degc,
                unit="degC",
                source="limit given; heating by IEC 60949 without heat loss",
                context=heating.context,
                caution=caution_for("cable_temperature") if heating.severity is Severity.RED else "",
            )
