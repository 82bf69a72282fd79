"""One drive's energy in tables: by cause, by part of the drive, and what came back at each braking."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from logan.ledger.ledger import EnergyLedger, LedgerRow
from logan.metrics.energy import EnergySummary
from logan.metrics.regen import RegenBin, RegenSummary
from logan.report.inputs import Block, TableBlock, Words
from logan.results import Figure, Refusal
from logan.units import DisplayUnits
from logan.wording import figure, number, percent, reason

MOST_ROWS: Final = 60
_STANDING: Final = "standing"
_PARTS: Final = {"skew": "V/I time offset", "quantisation": "quantization"}


def moment(seconds: float) -> str:
    """A moment of the drive, short enough for a column: 12:30 or 1:12:30."""
    whole = round(seconds)
    hours, minutes = whole // 3600, whole % 3600 // 60
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def watt_hours(value: float | None) -> str:
    """An energy in whole watt-hours, nothing without its sign. [Wh]"""
    return number(None if value is None else round(value) + 0.0)


def told(value: Figure, *, scale: float = 1.0, digits: int = 0, unit: str = "") -> str:
    """A figure with its unit and uncertainty, or why there is none."""
    if isinstance(value, Refusal):
        return f"refused: {reason(value)}"
    return figure(value, scale=scale, digits=digits, unit=unit)


def budget_table(energy: EnergySummary) -> TableBlock:
    """Where the uncertainty of the net energy comes from."""
    return TableBlock(
        headings=("part", "± Wh", "how"),
        rows=tuple((_PARTS.get(part.name, part.name), number(part.sigma_wh, 1), part.how) for part in energy.budget),
        caption="Error budget of the net energy; the parts add in squares",
        is_long=True,
    )


def ledger_tables(ledger: EnergyLedger, units: DisplayUnits) -> list[Block]:
    """The ledger by cause, and by segment, speed, grade, temperature and marked span."""
    if not ledger.entries:
        return [Words(lines=(f"Ledger: {told(ledger.residual_wh)}",), tone="grey")]
    blocks: list[Block] = [
        TableBlock(
            headings=("where", "Wh", "basis"),
            rows=tuple((entry.name, told(entry.energy_wh), entry.basis) for entry in ledger.entries),
            caption="Energy ledger; what does not close is the residual",
            is_long=True,
        )
    ]
    step = units.metres_per_second
    parts: tuple[tuple[str, tuple[LedgerRow, ...], Callable[[LedgerRow], str]], ...] = (
        ("stop to stop", ledger.segments, lambda row: f"{moment(row.low)}–{moment(row.high)}"),
        (
            f"by speed, {units.speed_label}",
            ledger.by_speed,
            lambda row: _STANDING if row.label == _STANDING else f"{row.low / step:.0f} to {row.high / step:.0f}",
        ),
        ("by grade", ledger.by_grade, lambda row: row.label),
        (
            f"by outside temperature, {units.temperature_label}",
            ledger.by_temperature,
            lambda row: f"{units.temperature_of(row.low):.0f} to {units.temperature_of(row.high):.0f}",
        ),
        (
            "by the driver's marks",
            ledger.by_marker,
            lambda row: f"{row.label}: {moment(row.low)}–{moment(row.high)}",
        ),
    )
    blocks += [_rows_table(name, rows, label, units) for name, rows, label in parts if rows]
    missing = [name for name, rows, _ in parts[2:] if not rows]
    if missing:
        blocks.append(Words(lines=(f"Nothing logged for the ledger {', '.join(missing)}.",), tone="grey"))
    return blocks


def _rows_table(
    name: str, rows: tuple[LedgerRow, ...], label: Callable[[LedgerRow], str], units: DisplayUnits
) -> TableBlock:
    per_distance = units.metres / 1000.0
    return TableBlock(
        headings=(
            "part",
            units.distance,
            "min",
            units.consumption_label,
            "out",
            "in",
            "rolling",
            "air",
            "hills",
            "kinetic",
            "aux",
        ),
        rows=tuple(
            (
                label(row),
                number(row.distance_m / units.metres, 2),
                number(row.duration_s / 60.0, 1),
                number(None if row.net_wh_per_km is None else row.net_wh_per_km * per_distance),
                *(
                    watt_hours(value)
                    for value in (
                        row.pack_out_wh,
                        row.pack_in_wh,
                        row.rolling_wh,
                        row.air_wh,
                        row.hills_wh,
                        row.kinetic_wh,
                        row.auxiliary_wh,
                    )
                ),
            )
            for row in rows[:MOST_ROWS]
        ),
        caption=f"Ledger {name}; energies in Wh",
        is_long=True,
    )


def regen_tables(regen: RegenSummary, units: DisplayUnits) -> list[Block]:
    """Losses to friction brakes and to a regen cap, brakings one by one, recovery by state and temperature."""
    blocks: list[Block] = [
        TableBlock(
            headings=("lost while braking", "Wh at the wheels"),
            rows=(
                ("to friction brakes", told(regen.friction_wh)),
                ("of it, while a regen limit was reached", told(regen.capped_wh)),
            ),
            caption="Braking energy lost",
        )
    ]
    if regen.stops:
        blocks.append(_stops_table(regen, units))
    if regen.by_state_of_charge:
        blocks.append(_bands("SOC", regen.by_state_of_charge, percent))
    if regen.by_cell_temperature:
        temperature = units.temperature_of
        label = f"cell temperature, {units.temperature_label}"
        blocks.append(_bands(label, regen.by_cell_temperature, lambda value: f"{temperature(value):.0f}"))
    return blocks


def _stops_table(regen: RegenSummary, units: DisplayUnits) -> TableBlock:
    step = units.metres_per_second
    return TableBlock(
        headings=("at", units.speed_label, "braking", "into pack", "friction", "capped", "recovered", "charge", "by"),
        rows=tuple(
            (
                moment(stop.start_s),
                f"{stop.start_speed_m_per_s / step:.0f} to {stop.end_speed_m_per_s / step:.0f}",
                number(stop.braking_wh, 1),
                number(stop.recovered_wh, 1),
                number(stop.friction_wh, 1),
                number(stop.capped_wh, 1),
                percent(stop.recovery_ratio),
                percent(stop.state_of_charge_ratio),
                stop.limited_by.replace("_", " "),
            )
            for stop in regen.stops[:MOST_ROWS]
        ),
        caption=f"Brakings ({len(regen.stops)}); energies in Wh",
        explanations=(
            "",
            "from and to",
            "work that motor and brakes took from the wheels",
            "",
            "",
            "friction while a regen limit was reached",
            "into the pack, of the braking work",
            "",
            "the limit that was reached",
        ),
        is_long=True,
    )


def _bands(name: str, bands: tuple[RegenBin, ...], shown: Callable[[float], str]) -> TableBlock:
    return TableBlock(
        headings=(name, "brakings", "braking Wh", "into pack Wh", "recovered"),
        rows=tuple(
            (
                f"{shown(band.low)} to {shown(band.high)}",
                str(band.stop_count),
                number(band.braking_wh),
                number(band.recovered_wh),
                percent(band.recovery_ratio),
            )
            for band in bands
        ),
        caption=f"Recovery of braking energy by {name}",
    )
