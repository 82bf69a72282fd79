"""One drive's pack in tables: resistance, sag, what the lowest cell allows, usable energy, isolation, charging."""

from collections.abc import Callable, Iterable, Mapping

from logan.metrics.charging_sessions import ChargingSession
from logan.metrics.pack import PackSummary, VoltageRange
from logan.metrics.resistance import AllowedCurrent, ResistanceBand, ResistanceSummary
from logan.report.inputs import Block, TableBlock, Tone, Words, table
from logan.report.sections.measured_energy import MOST_ROWS, moment, told
from logan.results import Estimate, Figure, Refusal
from logan.units import DisplayUnits
from logan.wording import channel_words, figure, number, percent, sentence, temperature_text, tone_of, with_sigma

_MILLI = 1000.0


def resistance_tables(resistance: ResistanceSummary, units: DisplayUnits) -> list[Block]:
    """Pulse resistance, sag, current that the lowest cell allows, and resistance in the cold."""
    degree, temperature = units.temperature_label, units.temperature_of
    return [
        *_resistance_table(resistance.whole_drive, units, "DC internal resistance over the whole drive"),
        *_resistance_table(
            resistance.bands[:MOST_ROWS], units, "DC internal resistance by SOC and cell temperature", is_banded=True
        ),
        *table(
            resistance.sags,
            ("lowest of", lambda sag: channel_words(sag.channel)),
            ("V", lambda sag: number(sag.lowest_v, 2)),
            ("below rest V", lambda sag: number(sag.sag_v, 2)),
            ("at A", lambda sag: number(sag.current_a)),
            ("at", lambda sag: moment(sag.context.at_s)),
            ("SOC", lambda sag: percent(sag.context.state_of_charge_ratio)),
            caption="Voltage sag",
        ),
        *table(
            _spread_out(resistance.allowed),
            ("SOC", lambda one: percent(one.state_of_charge_ratio)),
            (f"cells {degree}", lambda one: "–" if (at := one.temperature_degc) is None else number(temperature(at))),
            ("A for 10 s", lambda one: told(one.current_a)),
            ("basis", _basis),
            tone=lambda one: "amber" if one.is_extrapolated else "plain",
            caption="Current at which the lowest cell would reach its floor (estimated)",
        ),
        *table(
            resistance.cold,
            (f"cells {degree}", lambda one: number(temperature(one.temperature_degc))),
            ("10 s mΩ", lambda one: told(one.resistance_ohm, scale=_MILLI, digits=1)),
            ("basis", lambda one: "EXTRAPOLATED" if one.is_extrapolated else "seen in this drive"),
            tone=lambda one: "amber" if one.is_extrapolated else "plain",
            caption="Pack resistance at other cell temperatures (Arrhenius law)",
        ),
        Words(lines=tuple(map(sentence, resistance.notes)), tone="grey"),
    ]


def _resistance_table(
    bands: Iterable[ResistanceBand], units: DisplayUnits, caption: str, *, is_banded: bool = False
) -> list[TableBlock]:
    """A row for each state, pulses of every length side by side."""

    def degrees(value: float | None) -> str:
        return "–" if value is None else f"{units.temperature_of(value):.0f}"

    def between(low: str, high: str) -> str:
        return "–" if low == high else f"{low.removesuffix(' %')} to {high}"

    def ohms(length: float) -> Callable[[tuple[object, Mapping[float, ResistanceBand]]], str]:
        def shown(row: tuple[object, Mapping[float, ResistanceBand]]) -> str:
            found = row[1][length].resistance_ohm if length in row[1] else None
            digits = 2 if isinstance(found, Estimate) and found.value < 0.01 else 1
            return "–" if found is None else told(found, scale=_MILLI, digits=digits)

        return shown

    def state(band: ResistanceBand) -> tuple[str, str, str]:
        return (
            band.subject,
            between(percent(band.state_of_charge_low_ratio), percent(band.state_of_charge_high_ratio)),
            between(degrees(band.temperature_low_degc), degrees(band.temperature_high_degc)),
        )

    rows: dict[tuple[str, str, str], dict[float, ResistanceBand]] = {}
    for band in bands:
        rows.setdefault(state(band), {})[band.duration_s] = band
    lengths = sorted({length for row in rows.values() for length in row})
    return table(
        rows.items(),
        ("of", lambda row: row[0][0]),
        ("SOC" if is_banded else "", lambda row: row[0][1]),
        (units.temperature_label if is_banded else "", lambda row: row[0][2]),
        *((f"{length:g} s mΩ", ohms(length)) for length in lengths),
        ("seen", lambda row: str(max(band.count for band in row[1].values()))),
        caption=caption,
        is_long=is_banded,
    )


def _spread_out(allowed: tuple[AllowedCurrent, ...]) -> list[AllowedCurrent]:
    """Half a dozen states that were seen, from first to last, and every extrapolated one."""
    seen = [one for one in allowed if not one.is_extrapolated]
    stride = max(1, -(-len(seen) // 6))
    return [*seen[::stride], *(one for one in allowed if one.is_extrapolated)]


def _basis(allowed: AllowedCurrent) -> str:
    if isinstance(allowed.current_a, Refusal):
        return ""
    return "EXTRAPOLATED to the cold" if allowed.is_extrapolated else "state seen in this drive"


def pack_tables(pack: PackSummary, units: DisplayUnits) -> list[Block]:
    """Usable energy, energy per percent, cell spread, isolation and charging."""
    usable, spread, isolation = pack.usable, pack.spread, pack.isolation_ohm_per_v
    kilo, spread_tone, limits = 0.001, tone_of(spread.severity), spread.note if spread.severity else ""
    rows: tuple[tuple[str, str, str, Tone], ...] = (
        ("pack voltage", _voltage(pack.voltage), "", "plain"),
        ("energy, SOC 0 to 100 %", told(usable.energy_wh, scale=kilo, digits=1, unit="kWh"),
         _note(usable.energy_wh, usable.note), "amber" if usable.is_circular else "plain"),
        ("energy in the build's window", figure(usable.window_energy_wh, scale=kilo, digits=1, unit="kWh"), "",
         "plain"),
        ("charge, 0 to 100 %", figure(usable.charge_ah, digits=1, unit="Ah"), "", "plain"),
        ("cell spread at rest", told(spread.rest_v, scale=_MILLI, unit="mV"), _note(spread.rest_v, limits),
         spread_tone),
        ("cell spread under load", figure(spread.load_v, scale=_MILLI, unit="mV"), "", spread_tone),
        ("cell temperature spread", told(spread.temperature_k, scale=units.temperature_step(1.0), digits=1,
                                         unit=units.temperature_label), "", "plain"),
        ("isolation", told(isolation, unit="Ω/V"), _note(isolation, "against its limit: see Limits"), "plain"),
    )  # fmt: skip
    return [
        *table(
            rows,
            ("pack", lambda row: row[0]),
            ("value", lambda row: row[1]),
            ("note", lambda row: row[2]),
            tone=lambda row: row[3],
            caption="Pack",
        ),
        *table(
            pack.per_percent,
            ("SOC", lambda band: f"{percent(band.low_ratio)} to {percent(band.high_ratio)}"),
            ("Wh per %", lambda band: with_sigma(band.wh_per_percent, band.sigma_wh_per_percent)),
            caption="Energy per percent of SOC",
        ),
        *(_charge_table(session, units) for session in pack.charging),
    ]


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
        return "–" if value is None else temperature_text(value, units)

    soc = (session.state_of_charge_start_ratio, session.state_of_charge_end_ratio)
    rows = (
        ("from the wall", told(session.wall_wh, scale=0.001, digits=2, unit="kWh")),
        ("into the pack", told(session.pack_wh, scale=0.001, digits=2, unit="kWh")),
        ("efficiency", told(session.efficiency_ratio, scale=100.0, digits=1, unit="%")),
        ("SOC", " to ".join(map(percent, soc))),
        ("highest power", f"{session.peak_power_w / 1000.0:.1f} kW"),
        ("taper from", percent(session.taper_start_ratio)),
        (
            "cells at the start, and hottest",
            f"{degrees(session.temperature_start_degc)}, {degrees(session.temperature_max_degc)}",
        ),
        (
            "current that the pilot signal allowed",
            "–" if session.pilot_limit_a is None else f"{session.pilot_limit_a:.0f} A",
        ),
    )
    caption = f"Charge from {moment(session.start_s)} to {moment(session.end_s)}"
    return TableBlock(headings=("charge", "value"), rows=rows, caption=caption)
