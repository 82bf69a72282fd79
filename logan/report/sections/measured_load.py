"""One drive's load on its parts in tables: currents, conductors, heat, and what was asked and not delivered."""

from __future__ import annotations

from typing import Final

from logan.metrics.current import CurrentDuration, CurrentSummary, DwellHistogram
from logan.metrics.derating import DeratingEvent, DeratingSummary
from logan.metrics.thermal import CoolantFlow, ThermalSummary
from logan.report.inputs import Block, TableBlock, Words, table
from logan.report.sections.measured_energy import MOST_ROWS, moment, told
from logan.results import Estimate
from logan.units import DisplayUnits
from logan.wording import channel_words, number, percent, sentence, shown_value, tone_of

_LEAST_DWELL_S: Final = 0.05


def current_tables(current: CurrentSummary, units: DisplayUnits) -> list[Block]:
    """Duration curve, component curves, conductors and dwell times."""
    degree, temperature = units.temperature_label, units.temperature_of
    return [
        *(block for duration in current.durations for block in _duration_table(duration)),
        *table(
            current.approaches,
            ("component", lambda approach: f"{approach.component}, {approach.direction}"),
            ("window", lambda approach: f"{approach.window_s:g} s" if approach.window_s else "peak"),
            ("carried", lambda approach: f"{number(approach.current_a)} A {approach.quantity}"),
            ("allowed", lambda approach: f"{number(approach.allowed_a)} A"),
            ("used", lambda approach: percent(approach.used_ratio)),
            ("at", lambda approach: moment(approach.context.at_s)),
            ("source", lambda approach: approach.source),
            tone=lambda approach: tone_of(approach.severity),
            caption="Closest approach to each curve given",
        ),
        *table(
            current.conductors,
            ("conductor", lambda heating: heating.name),
            ("window s", lambda heating: f"{heating.window_s:g}"),
            ("RMS A", lambda heating: number(heating.rms_a)),
            ("would take A", lambda heating: number(heating.withstand_a)),
            (f"from {degree}", lambda heating: number(temperature(heating.start_degc))),
            (f"to {degree}", lambda heating: number(temperature(heating.end_degc))),
            ("limit", lambda heating: number(temperature(heating.limit_degc))),
            ("at", lambda heating: moment(heating.context.at_s)),
            tone=lambda heating: tone_of(heating.severity),
            caption="Conductors heated without heat loss (IEC 60949, second-hand): an upper estimate, not a limit",
        ),
        *(block for dwell in current.dwell for block in _dwell_table(dwell)),
        *([Words(lines=tuple(map(sentence, current.notes)), tone="grey")] if current.notes else []),
    ]


def _dwell_table(dwell: DwellHistogram) -> list[TableBlock]:
    total_s = sum(dwell.time_s)
    bands = zip(dwell.edges_a[:-1], dwell.edges_a[1:], dwell.time_s, strict=True)
    return table(
        (band for band in bands if band[2] >= _LEAST_DWELL_S),
        ("A", lambda band: f"{band[0]:.0f} to {band[1]:.0f}"),
        ("s", lambda band: number(band[2], 1)),
        ("of the time", lambda band: percent(band[2] / total_s, 1)),
        caption=f"Time spent in each band of {channel_words(dwell.channel)}",
        is_long=True,
    )


def _duration_table(duration: CurrentDuration) -> list[TableBlock]:
    peak = duration.peak
    bound = f"; {peak.note}" if peak.is_lower_bound else ""
    sign = "at least " if peak.is_lower_bound else ""
    shown = (
        f"peak refused, as {peak.refusal}"
        if peak.refusal
        else f"peak {sign}{peak.sampled_a:.0f} A at {moment(peak.context.at_s)}, by its steepest slew up to "
        f"{peak.upper_bound_a:.0f} A{bound}"
    )
    return table(
        duration.points,
        ("window s", lambda point: f"{point.window_s:g}"),
        ("mean A", lambda point: number(point.mean_a)),
        ("RMS A", lambda point: number(point.rms_a)),
        ("I²t A²s", lambda point: number(point.i2t_a2s)),
        ("ends at", lambda point: moment(point.rms_at_s)),
        caption=f"Hardest windows of {channel_words(duration.channel)}, {duration.direction}: {shown}; "
        f"{percent(duration.coverage_ratio)} of the drive sampled",
        is_long=True,
    )


def heat_tables(thermal: ThermalSummary, units: DisplayUnits) -> list[Block]:
    """Soak-back and coolant; the temperatures stand among the limits."""
    degree = units.temperature_label
    return [
        *table(
            thermal.soak_backs,
            ("after the stop", lambda soak: _part(soak.channel)),
            ("stopped at", lambda soak: moment(soak.stopped_at_s)),
            (f"then {degree}", lambda soak: number(units.temperature_of(soak.at_stop_degc))),
            (f"peak {degree}", lambda soak: number(units.temperature_of(soak.peak_degc))),
            (f"rise {degree}", lambda soak: number(units.temperature_step(soak.rise_k), 1)),
            ("after", lambda soak: moment(soak.peak_after_s)),
            caption="Heat that soaked back after stopping",
        ),
        _coolant(thermal.coolant),
    ]


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

    def speed_lost(event: DeratingEvent) -> str:
        lost = event.speed_lost_m_per_s
        return number(None if lost is None else lost / units.metres_per_second, 1)

    blocks: list[Block] = [
        *table(
            derating.events[:MOST_ROWS],
            ("what", lambda event: f"{event.kind}: {channel_words(event.channel)}"),
            ("from", lambda event: moment(event.start_s)),
            ("for", lambda event: f"{number(event.duration_s, 1)} s"),
            ("missing", lambda event: shown_value(event.shortfall, event.unit, units)),
            ("why, probably", lambda event: event.probable_cause.replace("_", " ")),
            ("Wh lost", lambda event: number(event.energy_not_delivered_wh, 1)),
            (f"{units.speed_label} lost", speed_lost),
            tone=lambda event: "amber",
            caption=f"Derating ({len(derating.events)}); in all {told(derating.time_derated, unit='s')}",
        )
    ]
    if not blocks and isinstance(derating.time_derated, Estimate):
        blocks.append(Words(lines=("Derating: none seen in the channels logged.",), tone="grey"))
    if derating.notes:
        blocks.append(Words(lines=tuple(f"Derating: {note}." for note in derating.notes), tone="grey"))
    return blocks
