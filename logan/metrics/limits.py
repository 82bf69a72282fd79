"""Every limit of the build against one drive: closest approach with its margin, and events."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from logan.admission.admission import KeptOut
from logan.channels.vocabulary import channel_kind
from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel, Drive
from logan.metrics.cautions import CAUTION_ALWAYS, advice_for
from logan.metrics.current import AMBER_USED_RATIO, CurrentSummary, CurveApproach
from logan.metrics.exceedance import BOUND_SIGMAS, limit_rule
from logan.metrics.limit_events import HELD_REMARK, Flows, LimitEvent, Reading, announced_events, limit_events
from logan.metrics.metric import Metric
from logan.metrics.thermal import SENSOR_SIGMA_K, TEMPERATURE_KINDS
from logan.physics.battery import required_isolation_ohm
from logan.results import Estimate, Figure, Refusal, Severity, result
from logan.settings import BuildSettings, Limit, LimitSide

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

BEYOND_RED: Final = "beyond red"
MAY_BE_RED: Final = "may be beyond red"
BEYOND_AMBER: Final = "beyond amber"
HELD: Final = "held at its limit"
BRIEFLY: Final = "beyond for an instant"
WITHIN: Final = "within the limit given"
NOT_LOGGED: Final = "not logged"
REFUSED: Final = "data refused"
VERDICTS: Final = (BEYOND_RED, MAY_BE_RED, BEYOND_AMBER, HELD, BRIEFLY, WITHIN, REFUSED, NO_LIMIT_GIVEN, NOT_LOGGED)
"""Gravest first."""

CARRIED_SOURCE: Final = "pack and motor of the build"
_BOTH: Final = ("pack_current", "pack_voltage", "cell_temperature")
_LOWEST: Final = ("cell_voltage_min", "cell_temperature_min", "isolation_resistance", "auxiliary_voltage")


@result("limit-check/4")
class LimitCheck:
    """One channel against its limit, or a component against its curve.

    Parameters
    ----------
    channel, unit : str
        Canonical name and the unit of its values; of a curve "component: channel, direction".
    side : LimitSide
        Which side is looked at; the wrong one where a limit is given.
    amber, red : float or None
        Limits.
    worst_value : float or None
        Extreme on that side; None where the channel is not logged.
    margin, margin_bound : float or None
        To red, or to amber where there is no red; negative is beyond. The truth lies within the bound of it.
    severity : Severity or None
        Red, amber, or None (neither passed, or no limit given).
    verdict : str
        One of ``VERDICTS``.
    source : str
        Where the limit comes from.
    context : Context or None
        Moment of the closest approach.
    over : str
        Window of a curve where it was approached most, such as "5 s RMS".
    used_ratio, amber_ratio : float or None
        Way gone to the limit, and where amber lies on it: from the design ambient for a temperature, from the nominal
        voltage for a cell, from nothing for all else; None where that has no meaning. [ratio]
    """

    channel: str
    unit: str
    side: LimitSide
    amber: float | None
    red: float | None
    worst_value: float | None = None
    margin: float | None = None
    margin_bound: float | None = None
    severity: Severity | None = None
    verdict: str = NOT_LOGGED
    source: str = ""
    context: Context | None = None
    over: str = ""
    used_ratio: float | None = None
    amber_ratio: float | None = None

    @property
    def rank(self) -> tuple[int, float]:
        """Gravest first, then by the way gone to the limit."""
        return VERDICTS.index(self.verdict), -np.inf if self.used_ratio is None else -self.used_ratio

    @property
    def met(self) -> float | None:
        """The limit that matters: red, or amber where only that was passed or given."""
        return self.amber if self.red is None or self.severity is Severity.AMBER else self.red

    def to(self, level: float | None) -> Figure:
        """Distance from a level of this side, amber or red; refused where none is given or nothing is known.

        Method: measured (29).
        """
        if level is None or self.worst_value is None:
            return Refusal(NO_LIMIT_GIVEN, "Enter the limit from the datasheet in the limit sheet")
        margin = (level - self.worst_value) * (1.0 if self.side is LimitSide.ABOVE else -1.0)
        sigma = None if self.margin_bound is None else self.margin_bound / BOUND_SIGMAS
        return Estimate(margin, "K" if self.unit == "degC" else self.unit, sigma, "limit less closest value", 1.0)


@result("limit-summary/1")
class LimitSummary:
    """All limits of a build against one drive; red first. Notes say which were left out."""

    checks: tuple[LimitCheck, ...]
    events: tuple[LimitEvent, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def temperatures(self) -> tuple[LimitCheck, ...]:
        """Every temperature that was logged, from above."""
        return tuple(
            check
            for check in self.checks
            if check.unit == "degC" and check.side is LimitSide.ABOVE and check.worst_value is not None
        )


def limit_summary(
    drive: Drive,
    build: BuildSettings,
    currents: CurrentSummary | None = None,
    *,
    notes: tuple[str, ...] = (),
    unfit: Mapping[str, KeptOut] | None = None,
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
    unfit : mapping of str to KeptOut, optional
        Channels whose data are refused, by name: neither verdict nor event is taken from them.

    Returns
    -------
    LimitSummary
        Checks, worst first; events, by time; cautions.
    """
    unfit = unfit or {}
    lookup, flows = ContextLookup(drive), Flows(drive)
    checks: list[LimitCheck] = []
    events: list[LimitEvent] = []
    found = [*_given(drive, build), *_isolation(drive, build)]
    answered = {(channel.name if channel else limit.channel, limit.side) for channel, limit in found}
    found += [
        (channel, Limit(channel=channel.name, side=side, amber=None, red=None, source=""))
        for kind in WATCHED_KINDS
        for channel in drive.of_kind(kind)
        for side in _sides(channel.name)
        if (channel.name, side) not in answered and np.isfinite(channel.value).any()
    ]
    for channel, limit in found:
        if channel is None:
            checks.append(_blank(limit.channel, limit, NOT_LOGGED))
            continue
        told = Reading.of(channel, unfit.get(channel.name))
        if told is None:
            checks.append(_blank(channel.name, limit, REFUSED))
            continue
        check, own = _check(told, limit, build, lookup, flows)
        checks.append(check)
        events += own
    wholly = {name for name, one in unfit.items() if not one.spans}
    if not {"pack_current", "pack_voltage"} & wholly:
        events += announced_events(drive, lookup, flows)
    if currents is not None and "pack_current" not in wholly:
        checks += map(_curve_check, currents.approaches)
        events += _curve_events(currents)
    checks.sort(key=lambda check: (check.rank, check.channel, check.side))
    gravity = (Severity.RED, Severity.AMBER, Severity.NOTE)
    events.sort(key=lambda event: (gravity.index(event.severity), event.start_s))
    cautions = tuple(dict.fromkeys(event.caution for event in events if event.caution))
    refused = tuple(
        f"{name} is not held against its limit: {one.reason}"
        for name, one in unfit.items()
        if not one.spans and any(check.channel == name and check.verdict == REFUSED for check in checks)
    )
    return LimitSummary(
        checks=tuple(checks),
        events=tuple(events),
        cautions=(*cautions, CAUTION_ALWAYS),
        notes=(*notes, *refused, *_asked(drive, build)),
    )


def _asked(drive: Drive, build: BuildSettings) -> tuple[str, ...]:
    """The one question that decides between amber and red of the isolation."""
    if "isolation_resistance" not in drive or build.limits.ac_side:
        return ()
    return (
        'isolation: say once in [limits] whether the AC side is ac_side = "combined" with the DC side (then 500 ohm/V '
        'are needed) or "double-insulated" (then 100 ohm/V); until then below 500 is amber and below 100 red',
    )


def _given(drive: Drive, build: BuildSettings) -> Iterable[tuple[Channel | None, Limit]]:
    """Limits of the sheet, and of pack and motor where the sheet does not speak of that side, with their channels."""
    sheet, pack = build.limits, build.pack
    met: set[tuple[str, LimitSide]] = set()
    for channel in drive.channels.values():
        if not np.isfinite(channel.value).any():
            continue
        for limit in sheet.of(channel.name):
            met.add((limit.channel, limit.side))
            yield channel, limit
    top_rad_per_s = build.powertrain.motor.max_speed_rpm * 2.0 * np.pi / 60.0
    charge_a = pack.charge_current_limit_a
    carried = (
        ("pack_current", LimitSide.ABOVE, pack.discharge_current_limit_a),
        ("pack_current", LimitSide.BELOW, None if charge_a is None else -charge_a),
        ("cell_voltage_min", LimitSide.BELOW, pack.cell_voltage_floor_v),
        ("cell_voltage_max", LimitSide.ABOVE, pack.cell_voltage_ceiling_v),
        ("motor_speed", LimitSide.ABOVE, top_rad_per_s),
    )
    for limit in sheet.limits:
        if (limit.channel, limit.side) not in met:
            yield None, limit
    for name, side, red in carried:
        if red is not None and side not in {limit.side for limit in sheet.of(name)}:
            known = drive.get(name)
            is_known = known is not None and bool(np.isfinite(known.value).any())
            limit = Limit(channel=name, side=side, amber=None, red=red, source=CARRIED_SOURCE)
            yield known if is_known else None, limit


def _isolation(drive: Drive, build: BuildSettings) -> Iterable[tuple[Channel | None, Limit]]:
    channel, voltage = drive.get("isolation_resistance"), drive.get("pack_voltage")
    if channel is None or voltage is None or not np.isfinite(voltage.value).any() or build.limits.of(channel.name):
        return
    working_v, ac_side = float(np.nanmax(voltage.value)), build.limits.ac_side
    dc_ohm, combined_ohm = (required_isolation_ohm(working_v, is_combined=one) for one in (False, True))
    yield (
        channel,
        Limit(
            channel=channel.name,
            side=LimitSide.BELOW,
            amber=None if ac_side == "combined" else combined_ohm,
            red=combined_ohm if ac_side == "combined" else dc_ohm,
            source="UN R100, 5.1.3: 100 ohm/V (DC bus), 500 ohm/V (AC and DC buses connected)"
            + (f"; AC side {ac_side}" if ac_side else ""),
        ),
    )


def _way(limit: Limit, worst_value: float, build: BuildSettings) -> tuple[float | None, float | None]:
    """Way gone to the limit, and where amber lies on it. [ratio]"""
    nearest = limit.red if limit.red is not None else limit.amber
    kind, start = channel_kind(limit.channel), 0.0
    if nearest is None:
        return None, None
    if kind is not None and kind.unit == "degC":
        start = build.limits.design_ambient_degc
    elif limit.channel.startswith("cell_voltage"):
        start = build.pack.cell_nominal_voltage_v
    elif limit.side is LimitSide.BELOW and nearest > 0.0 < worst_value:
        # What must not fall: the share of what is there that must be left.
        return nearest / worst_value, None if not limit.amber or limit.red is None else limit.red / limit.amber
    if nearest == start:
        return None, None
    amber = None if limit.amber is None or limit.red is None else (limit.amber - start) / (limit.red - start)
    return (worst_value - start) / (nearest - start), amber


def _check(
    reading: Reading, limit: Limit, build: BuildSettings, lookup: ContextLookup, flows: Flows
) -> tuple[LimitCheck, list[LimitEvent]]:
    channel, time_s, value = reading.channel, reading.time_s, reading.value
    sign = 1.0 if limit.side is LimitSide.ABOVE else -1.0
    worst = int(np.argmax(sign * value))
    worst_value = float(value[worst])
    nearest = limit.red if limit.red is not None else limit.amber
    bound = None if nearest is None else limit_rule(channel.name).bound(channel, nearest)
    events = limit_events(reading, limit, lookup, flows)

    severities = {event.severity for event in events}
    if Severity.RED in severities:
        is_sure = limit.red is not None and sign * (worst_value - limit.red) > 0.0
        severity, verdict = Severity.RED, BEYOND_RED if is_sure else MAY_BE_RED
    elif Severity.AMBER in severities:
        severity, verdict = Severity.AMBER, BEYOND_AMBER
    else:
        severity, verdict = None, NO_LIMIT_GIVEN if nearest is None else WITHIN
        if severities:
            verdict = HELD if HELD_REMARK in {event.remark for event in events} else BRIEFLY
    used, amber = _way(limit, worst_value, build)
    check = replace(
        _blank(channel.name, limit, verdict),
        worst_value=worst_value,
        margin=None if nearest is None else sign * (nearest - worst_value),
        margin_bound=bound,
        severity=severity,
        context=lookup.at(float(time_s[worst])),
        used_ratio=used,
        amber_ratio=amber,
    )
    return check, events


def _sides(channel: str) -> tuple[LimitSide, ...]:
    """Sides on which a channel's extreme is worth a row."""
    if channel.startswith(_LOWEST):
        return (LimitSide.BELOW,)
    return (LimitSide.ABOVE, LimitSide.BELOW) if channel in _BOTH else (LimitSide.ABOVE,)


def _blank(channel: str, limit: Limit, verdict: str) -> LimitCheck:
    kind = channel_kind(channel)
    return LimitCheck(
        channel=channel,
        unit=kind.unit if kind else "",
        side=limit.side,
        amber=limit.amber,
        red=limit.red,
        verdict=verdict,
        source=limit.source,
    )


def _curve_check(approach: CurveApproach) -> LimitCheck:
    """How close a current came to a component's curve, as a limit like any other; charging counts negative."""
    sign = -1.0 if approach.direction == "charge" else 1.0
    return LimitCheck(
        channel=f"{approach.component}: {approach.channel}, {approach.direction}",
        unit="A",
        side=LimitSide.BELOW if sign < 0.0 else LimitSide.ABOVE,
        amber=sign * AMBER_USED_RATIO * approach.allowed_a,
        red=sign * approach.allowed_a,
        worst_value=sign * approach.current_a,
        margin=approach.allowed_a - approach.current_a,
        severity=approach.severity,
        verdict=_CURVE_VERDICTS[approach.severity],
        source=approach.source,
        context=approach.context,
        over=f"{approach.window_s:g} s{' RMS' if approach.quantity == 'rms' else ''}" if approach.window_s else "peak",
        used_ratio=approach.used_ratio,
        amber_ratio=AMBER_USED_RATIO,
    )


_CURVE_VERDICTS: Final = {Severity.RED: BEYOND_RED, Severity.AMBER: BEYOND_AMBER, None: WITHIN}


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
                source="limit given; heating by IEC 60949 (second-hand) without heat loss",
                context=heating.context,
                caution=advice_for("cable_temperature", LimitSide.ABOVE).past
                if heating.severity is Severity.RED
                else "",
            )


METRIC: Final = Metric(
    "limits",
    LimitSummary,
    lambda asked: limit_summary(
        asked.logged, asked.build, asked.results["current"], notes=asked.notes, unfit=asked.admission.channels_out
    ),
    lambda found: {
        f"{check.channel}_max_degc": Estimate(check.worst_value or 0.0, "degC", SENSOR_SIGMA_K, "highest value")
        for check in found.temperatures
    },
)
