"""One drive's load on its parts in tables: currents, conductors, heat, and what was asked and not delivered."""

from __future__ import annotations

from typing import Final

from logan.metrics.current import CurrentDuration, CurrentSummary
from logan.metrics.derating import DeratingSummary
from logan.metrics.thermal import CoolantFlow, ThermalSummary
from logan.report.inputs import Block, TableBlock, Words
from logan.report.sections.measured_energy import MOST_ROWS, moment, told
from logan.results import Estimate
from logan.units import DisplayUnits
from logan.wording import channel_words, number, percent, tone_of

_LEAST_DWELL_S: Final = 0.05


def current_tables(current: CurrentSummary, units: DisplayUnits) -> list[Block]:
    """Duration curve, component curves, conductors and dwell times."""
    blocks: list[Block] = [_duration_table(duration) for duration in current.durations]
    if current.approaches:
        blocks.append(_approach_table(current))
    if current.conductors:
        blocks.append(_conductor_table(current, units))
    for dwell in current.dwell:
        total_s = sum(dwell.time_s)
        bands = zip(dwell.edges_a[:-1], dwell.edges_a[1:], dwell.time_s, strict=True)
        blocks.append(
            TableBlock(
                headings=("A", "s", "of the time"),
                rows=tuple(
                    (f"{low:.0f} to {high:.0f}", number(time_s, 1), percent(time_s / total_s, 1))
                    for low, high, time_s in bands
                    if time_s >= _LEAST_DWELL_S
                ),
                caption=f"Time spent in each band of {channel_words(dwell.channel)}",
                is_long=True,
            )
        )
    if current.notes:
        blocks.append(Words(lines=tuple(f"{note[:1].upper()}{note[1:]}." for note in current.notes), tone="grey"))
    return blocks


def _duration_table(duration: CurrentDuration) -> TableBlock:
    peak = duration.peak
    bound = f"; {peak.note}" if peak.is_lower_bound else ""
    sign = "at least " if peak.is_lower_bound else ""
    shown = (
        f"peak refused, as {peak.refusal}"
        if peak.refusal
        else f"peak {sign}{peak.sampled_a:.0f} A at {moment(peak.context.at_s)}, by its steepest slew up to "
        f"{peak.upper_bound_a:.0f} A{bound}"
    )
    return TableBlock(
        headings=("window s", "mean A", "RMS A", "I²t A²s", "ends at"),
        rows=tuple(
            (
                f"{point.window_s:g}",
                number(point.mean_a),
                number(point.rms_a),
                number(point.i2t_a2s),
                moment(point.rms_at_s),
            )
            for point in duration.points
        ),
        caption=(
            f"Hardest windows of {channel_words(duration.channel)}, {duration.direction}: {shown}; "
            f"{percent(duration.coverage_ratio)} of the drive sampled"
        ),
        is_long=True,
    )


def _approach_table(current: CurrentSummary) -> TableBlock:
    return TableBlock(
        headings=("component", "window", "carried", "allowed", "used", "at", "source"),
        rows=tuple(
            (
                f"{approach.component}, {approach.direction}",
                f"{approach.window_s:g} s" if approach.window_s else "peak",
                f"{number(approach.current_a)} A {approach.quantity}",
                f"{number(approach.allowed_a)} A",
                percent(approach.used_ratio),
                moment(approach.context.at_s),
                approach.source,
            )
            for approach in current.approaches
        ),
        tones=tuple(tone_of(approach.severity) for approach in current.approaches),
        caption="Closest approach to each curve given",
    )


def _conductor_table(current: CurrentSummary, units: DisplayUnits) -> TableBlock:
    degree = units.temperature_label
    return TableBlock(
        headings=("conductor", "window s", "RMS A", "would take A", f"from {degree}", f"to {degree}", "limit", "at"),
        rows=tuple(
            (
                heating.name,
                f"{heating.window_s:g}",
                number(heating.rms_a),
                number(heating.withstand_a),
                number(units.temperature_of(heating.start_degc)),
                number(units.temperature_of(heating.end_degc)),
                number(units.temperature_of(heating.limit_degc)),
                moment(heating.context.at_s),
            )
            for heating in current.conductors
        ),
        tones=tuple(tone_of(heating.severity) for heating in current.conductors),
        caption="Conductors heated without heat loss (IEC 60949, second-hand): an upper estimate, not a limit",
    )


def heat_tables(thermal: ThermalSummary, units: DisplayUnits) -> list[Block]:
    """Soak-back and coolant; the temperatures stand among the limits."""
    degree = units.temperature_label
    blocks: list[Block] = []
    if thermal.soak_backs:
        blocks.append(
            TableBlock(
                headings=(
                    "after the stop",
                    "stopped at",
                    f"then {degree}",
                    f"peak {degree}",
                    f"rise {degree}",
                    "after",
                ),
                rows=tuple(
                    (
                        _part(soak.channel),
                        moment(soak.stopped_at_s),
                        number(units.temperature_of(soak.at_stop_degc)),
                        number(units.temperature_of(soak.peak_degc)),
                        number(units.temperature_step(soak.rise_k), 1),
                        moment(soak.peak_after_s),
                    )
                    for soak in thermal.soak_backs
                ),
                caption="Heat that soaked back after stopping",
            )
        )
    blocks.append(_coolant(thermal.coolant))
    return blocks


def _part(channel: str) -> str:
    """What is warm, without the word that all rows share."""
    return channel_words(channel.replace("_temperature", ""))


def _coolant(coolant: CoolantFlow) -> Words:
    lines = [f"Coolant flow: {coolant.note}."]
    if isinstance(coolant.heat_w, Estimate):
        lines.append(f"Heat carried away: {told(coolant.heat_w, scale=0.001, digits=1, unit='kW')}.")
    return Words(lines=tuple(lines), tone="amber" if coolant.is_low else "grey")


def derating_tables(derating: DeratingSummary, units: DisplayUnits) -> list[Block]:
    """What was asked and not delivered, limits reached and lowered, and what could not be looked for."""
    blocks: list[Block] = []
    if derating.events:
        blocks.append(
            TableBlock(
                headings=("what", "from", "for", "missing", "why, probably", "Wh lost", f"{units.speed_label} lost"),
                rows=tuple(
                    (
                        f"{event.kind}: {channel_words(event.channel)}",
                        moment(event.start_s),
                        f"{number(event.duration_s, 1)} s",
                        f"{number(event.shortfall)} {event.unit}",
                        event.probable_cause.replace("_", " "),
                        number(event.energy_not_delivered_wh, 1),
                        number(
                            None
                            if event.speed_lost_m_per_s is None
                            else event.speed_lost_m_per_s / units.metres_per_second,
                            1,
                        ),
                    )
                    for event in derating.events[:MOST_ROWS]
                ),
                tones=tuple("amber" for _ in derating.events[:MOST_ROWS]),
                caption=f"Derating ({len(derating.events)}); in all {told(derating.time_derated, unit='s')}",
            )
        )
    elif isinstance(derating.time_derated, Estimate):
        blocks.append(Words(lines=("Derating: none seen in the channels logged.",), tone="grey"))
    if derating.notes:
        blocks.append(Words(lines=tuple(f"Derating: {note}." for note in derating.notes), tone="grey"))
    return blocks
