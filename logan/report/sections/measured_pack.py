"""One drive's pack in tables: resistance, sag, what the lowest cell allows, usable energy, isolation, charging."""

from __future__ import annotations

from logan.metrics.charging_sessions import ChargingSession
from logan.metrics.pack import PackSummary, VoltageRange
from logan.metrics.resistance import AllowedCurrent, ResistanceBand, ResistanceSummary
from logan.report.inputs import Block, TableBlock, Words
from logan.report.sections.measured_energy import MOST_ROWS, moment, told
from logan.results import Figure, Refusal
from logan.units import DisplayUnits
from logan.wording import channel_words, figure, number, percent, tone_of

_MILLI = 1000.0


def resistance_tables(resistance: ResistanceSummary, units: DisplayUnits) -> list[Block]:
    """Pulse resistance, sag, current that the lowest cell allows, and resistance in the cold."""
    blocks: list[Block] = [
        TableBlock(
            headings=("of", "pulse s", "mΩ", "windows"),
            rows=tuple(
                (
                    band.subject,
                    f"{band.duration_s:g}",
                    told(band.resistance_ohm, scale=_MILLI, digits=2),
                    str(band.count),
                )
                for band in resistance.whole_drive
            ),
            caption="DC internal resistance over the whole drive",
        )
    ]
    if resistance.bands:
        blocks.append(
            TableBlock(
                headings=("of", "charge", units.temperature_label, "pulse s", "mΩ", "windows"),
                rows=tuple(_band_row(band, units) for band in resistance.bands[:MOST_ROWS]),
                caption="DC internal resistance by SOC and cell temperature",
                is_long=True,
            )
        )
    if resistance.sags:
        blocks.append(
            TableBlock(
                headings=("lowest of", "V", "below rest V", "at A", "at", "charge"),
                rows=tuple(
                    (
                        channel_words(sag.channel),
                        number(sag.lowest_v, 2),
                        number(sag.sag_v, 2),
                        number(sag.current_a),
                        moment(sag.context.at_s),
                        percent(sag.context.state_of_charge_ratio),
                    )
                    for sag in resistance.sags
                ),
                caption="Voltage sag",
            )
        )
    blocks += [*_allowed(resistance, units), *_cold(resistance, units)]
    blocks.append(Words(lines=tuple(f"{note[:1].upper()}{note[1:]}." for note in resistance.notes), tone="grey"))
    return blocks


def _between(low: str, high: str) -> str:
    return "–" if low == high else f"{low} to {high}"


def _band_row(band: ResistanceBand, units: DisplayUnits) -> tuple[str, ...]:
    def degrees(value: float | None) -> str:
        return "–" if value is None else f"{units.temperature_of(value):.0f}"

    return (
        band.subject,
        _between(percent(band.state_of_charge_low_ratio), percent(band.state_of_charge_high_ratio)),
        _between(degrees(band.temperature_low_degc), degrees(band.temperature_high_degc)),
        f"{band.duration_s:g}",
        told(band.resistance_ohm, scale=_MILLI, digits=2),
        str(band.count),
    )


def _spread_out(allowed: tuple[AllowedCurrent, ...]) -> list[AllowedCurrent]:
    """A dozen states that were seen, from first to last, and every extrapolated one."""
    seen = [one for one in allowed if not one.is_extrapolated]
    stride = max(1, -(-len(seen) // 12))
    return [*seen[::stride], *(one for one in allowed if one.is_extrapolated)]


def _allowed(resistance: ResistanceSummary, units: DisplayUnits) -> list[Block]:
    if not resistance.allowed:
        return []
    return [
        TableBlock(
            headings=("charge", f"cells {units.temperature_label}", "A for 10 s", "basis"),
            rows=tuple(
                (
                    percent(one.state_of_charge_ratio),
                    "–" if one.temperature_degc is None else number(units.temperature_of(one.temperature_degc)),
                    told(one.current_a),
                    _basis(one),
                )
                for one in _spread_out(resistance.allowed)
            ),
            tones=tuple("amber" if one.is_extrapolated else "plain" for one in _spread_out(resistance.allowed)),
            caption="Current at which the lowest cell would reach its floor (estimated)",
        )
    ]


def _basis(allowed: AllowedCurrent) -> str:
    if isinstance(allowed.current_a, Refusal):
        return ""
    return "EXTRAPOLATED to the cold" if allowed.is_extrapolated else "state seen in this drive"


def _cold(resistance: ResistanceSummary, units: DisplayUnits) -> list[Block]:
    if not resistance.cold:
        return []
    return [
        TableBlock(
            headings=(f"cells {units.temperature_label}", "10 s mΩ", "basis"),
            rows=tuple(
                (
                    number(units.temperature_of(one.temperature_degc)),
                    told(one.resistance_ohm, scale=_MILLI, digits=1),
                    "EXTRAPOLATED" if one.is_extrapolated else "seen in this drive",
                )
                for one in resistance.cold
            ),
            tones=tuple("amber" if one.is_extrapolated else "plain" for one in resistance.cold),
            caption="Pack resistance at other cell temperatures (Arrhenius law)",
        )
    ]


def pack_tables(pack: PackSummary, units: DisplayUnits) -> list[Block]:
    """Usable energy, energy per percent, cell spread, isolation and charging."""
    usable, spread, isolation = pack.usable, pack.spread, pack.isolation_ohm_per_v
    kilo = 0.001
    blocks: list[Block] = [
        TableBlock(
            headings=("pack", "value", "note"),
            rows=(
                ("pack voltage", _voltage(pack.voltage), ""),
                (
                    "energy, charge 0 to 100 %",
                    told(usable.energy_wh, scale=kilo, digits=1, unit="kWh"),
                    _note(usable.energy_wh, usable.note),
                ),
                (
                    "energy in the build's window",
                    figure(usable.window_energy_wh, scale=kilo, digits=1, unit="kWh"),
                    "",
                ),
                ("charge, 0 to 100 %", figure(usable.charge_ah, digits=1, unit="Ah"), ""),
                (
                    "cell spread at rest",
                    told(spread.rest_v, scale=_MILLI, unit="mV"),
                    _note(spread.rest_v, spread.note),
                ),
                ("cell spread under load", figure(spread.load_v, scale=_MILLI, unit="mV"), ""),
                ("cell temperature spread", told(spread.temperature_k, digits=1, unit="K"), ""),
                ("isolation", told(isolation, unit="Ω/V"), _note(isolation, "against its limit: see Limits")),
            ),
            tones=(
                "plain",
                "amber" if usable.is_circular else "plain",
                "plain",
                "plain",
                tone_of(spread.severity),
                tone_of(spread.severity),
                "plain",
                "plain",
            ),
            caption="Pack",
        )
    ]
    if pack.per_percent:
        blocks.append(
            TableBlock(
                headings=("charge", "Wh per %"),
                rows=tuple(
                    (
                        f"{percent(band.low_ratio)} to {percent(band.high_ratio)}",
                        f"{number(band.wh_per_percent)} ± {number(band.sigma_wh_per_percent, 1)}",
                    )
                    for band in pack.per_percent
                ),
                caption="Energy per percent of SOC",
            )
        )
    blocks += [_charge_table(session, units) for session in pack.charging]
    return blocks


def _voltage(voltage: VoltageRange | Refusal) -> str:
    if isinstance(voltage, Refusal):
        return told(voltage)
    return (
        f"{number(voltage.lowest_v, 1)} V at {moment(voltage.lowest_at_s)} to "
        f"{number(voltage.highest_v, 1)} V at {moment(voltage.highest_at_s)}"
    )


def _note(value: Figure, note: str) -> str:
    return "" if isinstance(value, Refusal) else note


def _charge_table(session: ChargingSession, units: DisplayUnits) -> TableBlock:
    def degrees(value: float | None) -> str:
        return "–" if value is None else f"{units.temperature_of(value):.0f} {units.temperature_label}"

    pilot = "–" if session.pilot_limit_a is None else f"{session.pilot_limit_a:.0f} A"
    return TableBlock(
        headings=("charge", "value"),
        rows=(
            ("from the wall", told(session.wall_wh, scale=0.001, digits=2, unit="kWh")),
            ("into the pack", told(session.pack_wh, scale=0.001, digits=2, unit="kWh")),
            ("efficiency", told(session.efficiency_ratio, scale=100.0, digits=1, unit="%")),
            (
                "SOC",
                f"{percent(session.state_of_charge_start_ratio)} to {percent(session.state_of_charge_end_ratio)}",
            ),
            ("highest power", f"{session.peak_power_w / 1000.0:.1f} kW"),
            ("taper from", percent(session.taper_start_ratio)),
            (
                "cells at the start, and hottest",
                f"{degrees(session.temperature_start_degc)}, {degrees(session.temperature_max_degc)}",
            ),
            ("current that the pilot signal allowed", pilot),
        ),
        caption=f"Charge from {moment(session.start_s)} to {moment(session.end_s)}",
    )
