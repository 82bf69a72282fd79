"""Torque or current that was asked for and not delivered."""

from typing import Final

import numpy as np

from logan.drive.context import Context, ContextLookup
from logan.drive.drive import Channel, Drive, pack_power, road_speed
from logan.metrics.limit_events import ANNOUNCED, series_of
from logan.metrics.metric import Metric
from logan.metrics.thermal import TEMPERATURE_KINDS
from logan.numerics import cumulative, joined_spans, spans_where
from logan.results import Estimate, Figure, Refusal, result
from logan.settings import BuildSettings, LimitSide
from logan.units import BoolArray, FloatArray
from logan.units.sentences import measure
from logan.wording import percent

SHORTFALL_RATIO: Final = 0.10
"""Share of the command that must be missing."""

SHORTFALL_OF_MAXIMUM_RATIO: Final = 0.04
"""Share of the largest command that must be missing, so that noise at low torque does not count."""

LEAST_SHORTFALL_S: Final = 0.7
"""An inverter needs a few tenths of a second to follow; shorter shortfalls are that. [s]"""

FULL_PEDAL_RATIO: Final = 0.9
PEDAL_SPEED_BAND_M_PER_S: Final = 5.0
LESS_THAN_BEST_RATIO: Final = 0.75
"""At full pedal and like speed, less than this share of the best seen is a shortfall."""

LEAST_PEDAL_S: Final = 2.0
PEDAL_SETTLING_S: Final = 1.5
"""After the pedal is down the torque still rises. [s]"""

TOP_SPEED_RATIO: Final = 0.95
TOP_SPEED_FROM_M_PER_S: Final = 25.0
UNSEEN_CAUSE: Final = "not seen in the channels logged"

AT_LIMIT_RATIO: Final = 0.97
LOWERED_RATIO: Final = 0.8
LEAST_LOWERED_S: Final = 3.0

_COMMANDS: Final = (
    ("motor_torque_command", "motor_torque", "torque not delivered", 2.0),
    ("motor_current_command", "motor_current", "current not delivered", 5.0),
)
"""Command, what answers it, the event's kind, and the least shortfall in that unit."""


@result("derating-event/1")
class DeratingEvent:
    """One stretch in which less came than was asked, or in which a limit was announced.

    Parameters
    ----------
    kind : str
        "torque not delivered", "current not delivered", "full pedal, less power", "limit reached"
        or "limit lowered".
    channel : str
        The command or limit concerned.
    start_s, duration_s : float
        When. [s]
    shortfall : float
        Largest difference between asked and delivered, or fall of the limit, in ``unit``.
    unit : str
        Unit of the shortfall.
    probable_cause : str
        What stood nearest to its own limit as it began.
    energy_not_delivered_wh : float or None
        Shaft energy asked for and not delivered (pack energy, where only the pedal tells). [Wh]
    speed_lost_m_per_s : float or None
        Fall of speed while it lasted. [m/s]
    context : Context
        Where it began.
    """

    kind: str
    channel: str
    start_s: float
    duration_s: float
    shortfall: float
    unit: str
    probable_cause: str
    energy_not_delivered_wh: float | None
    speed_lost_m_per_s: float | None
    context: Context


@result("derating-summary/1")
class DeratingSummary:
    """Derating over one drive.

    Parameters
    ----------
    events : tuple of DeratingEvent
        In order of time.
    time_derated : Figure
        Total. [s]
    notes : tuple of str
        What could not be looked for, and why.
    """

    events: tuple[DeratingEvent, ...]
    time_derated: Figure
    notes: tuple[str, ...]


def derating_summary(drive: Drive, build: BuildSettings) -> DeratingSummary:
    """Derating that the data show: commands not delivered, limits reached, limits lowered. Method: measured (20).

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Limits, which tell the probable cause.

    Returns
    -------
    DeratingSummary
        Events, time, and what could not be looked for.
    """
    search = _Search(drive, build)
    events: list[DeratingEvent] = []
    notes: list[str] = []
    commands = [command for name, *_ in _COMMANDS for command in drive.of_kind(name)]
    for name, answer, kind, least in _COMMANDS:
        for command in drive.of_kind(name):
            actual = drive.get(command.name.replace(name, answer))
            if actual is None:
                notes.append(f"{command.name} has no {answer} to compare with")
            else:
                events += search.not_delivered(kind, command, actual, least)
    if not commands:
        notes.append("neither torque nor current command is logged: a shortfall shows only at full pedal")
        events += search.less_at_full_pedal()
    logged = [(drive[name], channel, sign) for name, channel, sign, _ in ANNOUNCED if name in drive]
    if not logged:
        notes.append("no limit of BMS or inverter is logged")
    for limit, channel, sign in logged:
        if (series := series_of(drive, channel)) is not None:
            events += search.reached(limit, *series, sign)
        events += search.lowered(limit)
    events.sort(key=lambda event: event.start_s)
    felt = [event for event in events if event.kind != "limit lowered"]
    time_derated: Figure = Refusal("neither a command, nor the pedal with power, nor any limit is logged", "Log one")
    if commands or logged or search.can_see_pedal:
        time_derated = Estimate(_union_s(felt), "s", None, "measured")
    return DeratingSummary(events=tuple(events), time_derated=time_derated, notes=tuple(notes))


def _union_s(events: list[DeratingEvent]) -> float:
    total_s, until_s = 0.0, -np.inf
    for event in events:
        end_s = event.start_s + event.duration_s
        total_s += max(0.0, end_s - max(event.start_s, until_s))
        until_s = max(until_s, end_s)
    return float(total_s)


class _Search:
    """Looks for derating in one drive."""

    def __init__(self, drive: Drive, build: BuildSettings) -> None:
        self.drive, self.build = drive, build
        self.lookup = ContextLookup(drive)
        self.speed = road_speed(drive)
        self.power = pack_power(drive)

    @property
    def can_see_pedal(self) -> bool:
        """Whether pedal, power and speed are logged."""
        return "accelerator" in self.drive and self.power is not None and self.speed is not None

    def not_delivered(self, kind: str, command: Channel, actual: Channel, least: float) -> list[DeratingEvent]:
        """Torque or current asked for and not delivered."""
        time_s, asked = command.time_s, command.value
        delivered = actual.at(time_s)
        missing = np.abs(asked) - np.sign(asked) * delivered
        largest = float(np.nanmax(np.abs(asked), initial=0.0))
        floor = max(SHORTFALL_OF_MAXIMUM_RATIO * largest, least)
        short = np.nan_to_num(missing, nan=-1.0) > np.maximum(SHORTFALL_RATIO * np.abs(asked), floor)
        turning = self.drive.get(command.name.replace("motor_torque_command", "motor_speed"))
        energy = None
        if turning is not None and turning.name.startswith("motor_speed"):
            watts = np.where(short, np.nan_to_num(missing * np.abs(turning.at(time_s))), 0.0)
            energy = cumulative(time_s, watts, max_gap_s=command.max_gap_s) / 3600.0
        return self._events(kind, command, short, missing, LEAST_SHORTFALL_S, energy)

    def less_at_full_pedal(self) -> list[DeratingEvent]:
        """Less pack power at full pedal than at another time at like speed: all that a log without commands shows."""
        pedal = self.drive.get("accelerator")
        if pedal is None or self.power is None or self.speed is None:
            return []
        time_s, watts = self.power.time_s, self.power.power_w
        down = np.nan_to_num(pedal.at(time_s, max_gap_s=2.0)) >= FULL_PEDAL_RATIO
        settled = np.zeros(time_s.shape, dtype=bool)
        for start_s, end_s in spans_where(time_s, down, min_duration_s=LEAST_PEDAL_S):
            settled |= (time_s >= start_s + PEDAL_SETTLING_S) & (time_s <= end_s)
        speed = self.speed.at(time_s, max_gap_s=5.0)
        usable = settled & np.isfinite(watts) & np.isfinite(speed)
        missing = np.full(time_s.shape, -1.0)
        band = np.floor(np.nan_to_num(speed) / PEDAL_SPEED_BAND_M_PER_S)
        for number in np.unique(band[usable]):
            inside = usable & (band == number)
            best = float(np.percentile(watts[inside], 95.0))
            missing[inside] = best - watts[inside] if best > 0.0 else -1.0
        short = usable & (missing > (1.0 - LESS_THAN_BEST_RATIO) * (watts + missing))
        energy = cumulative(time_s, np.where(short, missing, 0.0), max_gap_s=self.power.max_gap_s) / 3600.0
        named = Channel(name="pack_power", time_s=time_s, value=watts)
        return self._events("full pedal, less power", named, short, missing, LEAST_PEDAL_S, energy)

    def reached(self, limit: Channel, time_s: FloatArray, value: FloatArray, sign: float) -> list[DeratingEvent]:
        """A limit that was used up; a limit of zero is reached only by what would pass it."""
        value = sign * value
        allowed = limit.at(time_s, max_gap_s=30.0)
        at_limit = np.nan_to_num(value - AT_LIMIT_RATIO * allowed, nan=-1.0) > 0.0
        at_limit &= value > (500.0 if limit.unit == "W" else 5.0)
        return self._events("limit reached", limit, at_limit, value - allowed, 0.5, None, time_s)

    def lowered(self, limit: Channel) -> list[DeratingEvent]:
        """A limit that fell below four fifths of what it usually is in this drive."""
        known = limit.value[np.isfinite(limit.value)]
        if known.size < 10:
            return []
        usual = float(np.percentile(known, 90.0))
        if usual <= 0.0:
            return []
        low = np.nan_to_num(limit.value, nan=usual) < LOWERED_RATIO * usual
        return self._events("limit lowered", limit, low, usual - limit.value, LEAST_LOWERED_S, None)

    def _events(
        self,
        kind: str,
        channel: Channel,
        where: BoolArray,
        shortfall: FloatArray,
        least_s: float,
        energy_wh: FloatArray | None,
        time_s: FloatArray | None = None,
    ) -> list[DeratingEvent]:
        at_s = channel.time_s if time_s is None else time_s
        found = []
        for start_s, end_s in joined_spans(spans_where(at_s, where), gap_s=1.0):
            if end_s - start_s < least_s:
                continue
            inside = (at_s >= start_s) & (at_s <= end_s)
            lost = None
            if energy_wh is not None:
                before, after = np.interp([start_s, end_s], at_s, energy_wh)
                lost = float(after - before)
            found.append(
                DeratingEvent(
                    kind=kind,
                    channel=channel.name,
                    start_s=start_s,
                    duration_s=end_s - start_s,
                    shortfall=float(np.nanmax(shortfall[inside])),
                    unit=channel.unit,
                    probable_cause=self._cause(
                        start_s, is_charge="charge" in channel.name and "dis" not in channel.name
                    ),
                    energy_not_delivered_wh=lost,
                    speed_lost_m_per_s=self._speed_lost(start_s, end_s),
                    context=self.lookup.at(start_s),
                )
            )
        return found

    def _speed_lost(self, start_s: float, end_s: float) -> float | None:
        if self.speed is None:
            return None
        first, last = (self.speed.value_at(at_s, max_gap_s=5.0) for at_s in (start_s, end_s))
        return None if first is None or last is None else max(first - last, 0.0)

    def _value(self, name: str, at_s: float) -> float | None:
        channel = self.drive.get(name)
        return None if channel is None else channel.value_at(at_s, max_gap_s=60.0)

    def _cause(self, at_s: float, *, is_charge: bool) -> str:
        """What stood nearest to its own limit as it began."""
        near: list[tuple[float, str]] = []
        for kind in TEMPERATURE_KINDS:
            for channel in self.drive.of_kind(kind):
                value = self._value(channel.name, at_s)
                level = self._warm_level(channel.name)
                if value is not None and level is not None and value > level - 10.0:
                    name = channel.name.replace("_", " ")
                    near.append((level - value, f"{name} at {measure(value, '°C')}, limit {measure(level, '°C')}"))
        coldest = self._value("cell_temperature_min", at_s)
        if coldest is not None and coldest < (10.0 if is_charge else 0.0):
            near.append((0.0, f"coldest cell at {measure(coldest, '°C')}"))
        soc = self._value("state_of_charge", at_s)
        if soc is not None and (soc > 0.9 if is_charge else soc < 0.15):
            near.append((1.0, f"SOC {percent(soc)}"))
        floor, cell = self.build.pack.cell_voltage_floor_v, self._value("cell_voltage_min", at_s)
        if floor is not None and cell is not None and cell < floor + 0.1:
            near.append((0.0, f"lowest cell at {cell:.2f} V, floor {floor:.2f} V"))
        if near:
            return min(near)[1]
        return "perhaps a speed limiter: at the drive's highest speed" if self._is_fastest(at_s) else UNSEEN_CAUSE

    def _is_fastest(self, at_s: float) -> bool:
        if self.speed is None or not np.isfinite(self.speed.value).any():
            return False
        now = self.speed.value_at(at_s, max_gap_s=5.0) or 0.0
        return now > TOP_SPEED_RATIO * float(np.nanmax(self.speed.value)) and now > TOP_SPEED_FROM_M_PER_S

    def _warm_level(self, name: str) -> float | None:
        for limit in self.build.limits.of(name):
            if limit.side is LimitSide.ABOVE:
                return limit.amber if limit.amber is not None else limit.red
        return None


METRIC: Final = Metric("derating", DeratingSummary, lambda asked: derating_summary(asked.drive, asked.build))
