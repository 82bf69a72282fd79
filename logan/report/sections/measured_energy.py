"""Energy in tables: drive by drive, and one drive by cause, by part, and by what came back at each braking."""

import re
from collections.abc import Callable
from typing import Final

from logan.ledger.ledger import EnergyLedger, LedgerRow
from logan.metrics.coastdowns import CoastdownRun
from logan.metrics.energy import EnergySummary
from logan.metrics.regen import RegenBin, RegenStop, RegenSummary
from logan.report.figures.consumption import ledger_figure
from logan.report.inputs import Block, DriveInputs, FigureBlock, ReportInputs, Section, TableBlock, Words, table
from logan.results import Estimate, Figure, Refusal
from logan.units import DisplayUnits
from logan.wording import NONE, clock, consumption, figure, number, percent, reason, sentences


def energy_section(inputs: ReportInputs) -> Section:
    """What every drive used and gave back."""
    if not inputs.drives:
        return Section(anchor="energy", title="Drives", blocks=(Words(lines=("No drive yet.",), tone="grey"),))
    blocks: list[Block] = [*energy_table(inputs.drives, inputs.units)]
    longest = max(inputs.drives, key=lambda drive: drive.energy.moving_s)
    drawn = ledger_figure(longest.ledger, longest.label)
    if drawn is not None:
        blocks.append(FigureBlock(figure=drawn, note=sentences(longest.ledger.notes)))
    refusals = tuple(
        f"{drive.label}: {reason(drive.energy.net_wh_per_km)}"
        for drive in inputs.drives
        if not isinstance(drive.energy.net_wh_per_km, Estimate)
    )
    if refusals:
        blocks.append(Words(lines=refusals, tone="amber", title="Refused figures"))
    return Section(anchor="energy", title="Drives" if len(inputs.drives) > 1 else "Energy", blocks=tuple(blocks))


def energy_table(drives: tuple[DriveInputs, ...], units: DisplayUnits) -> list[TableBlock]:
    """One row per drive."""
    used = units.consumption_label

    def length(drive: DriveInputs) -> str:
        return figure(drive.energy.distance_m, scale=1.0 / units.metres, digits=1).split(" ±")[0]

    def regen(drive: DriveInputs) -> str:
        printed = drive.regen.figures[drive.regen.printed - 1] if drive.regen.figures else None
        return figure(printed.value, scale=100.0, digits=1, unit="%") if printed else NONE

    return table(
        drives,
        ("drive", lambda drive: drive.label),
        ("duration", lambda drive: clock(drive.energy.duration_s)),
        (units.distance, length),
        (f"net {used}", lambda drive: consumption(drive.energy.net_wh_per_km, units)),
        (f"gross {used}", lambda drive: consumption(drive.energy.gross_wh_per_km, units)),
        ("regen", regen),
        ("coverage", lambda drive: percent(drive.energy.coverage_ratio)),
        caption="Every drive" if len(drives) > 1 else "",
        meaning={
            "duration": "first sample to last",
            units.distance: "by the best source of distance that was logged",
            f"net {used}": "out of the pack less back into it, charging left out; ± one standard uncertainty",
            f"gross {used}": "out of the pack alone",
            "regen": "definition: "
            + next((f.name for d in drives for f in d.regen.figures if f.number == d.regen.printed), ""),
            "coverage": "share of the time in which voltage and current were really sampled",
        },
    )


def regen_table(regen: RegenSummary) -> list[TableBlock]:
    """All definitions of regen for one drive, each named."""
    return table(
        regen.figures,
        ("definition", lambda entry: f"{entry.number} {entry.name}"),
        ("value", lambda entry: "refused" if isinstance(entry.value, Refusal) else regen_text(entry.value)),
        (
            "meaning",
            lambda entry: entry.meaning + (f"; {reason(one)}" if isinstance(one := entry.value, Refusal) else ""),
        ),
        caption=f"Regen by every definition in use, 3 to 8 by {regen.basis_told}",
    )


def regen_text(value: Figure) -> str:
    """A share in percent, another figure in its unit, or why there is none."""
    if isinstance(value, Refusal):
        return f"refused: {reason(value)}"
    is_share = value.unit in ("ratio", "")
    return figure(value, scale=100.0 if is_share else 1.0, digits=1, unit="%" if is_share else value.unit)


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


def speeds_text(run: RegenStop | CoastdownRun, units: DisplayUnits) -> str:
    """From which speed to which, without the unit."""
    return " to ".join(
        f"{speed / units.metres_per_second:.0f}" for speed in (run.start_speed_m_per_s, run.end_speed_m_per_s)
    )


def told(value: Figure, *, scale: float = 1.0, digits: int = 0, unit: str = "") -> str:
    """A figure with its unit and uncertainty, or why there is none."""
    if isinstance(value, Refusal):
        return f"refused: {reason(value)}"
    return figure(value, scale=scale, digits=digits, unit=unit)


def budget_table(energy: EnergySummary) -> list[TableBlock]:
    """Where the uncertainty of the net energy comes from."""
    least = 0.01 * max((part.sigma_wh for part in energy.budget), default=0.0)
    return table(
        [part for part in energy.budget if part.sigma_wh >= least],
        ("part", lambda part: _PARTS.get(part.name, part.name)),
        ("± Wh", lambda part: number(part.sigma_wh, 1)),
        ("how", lambda part: part.how),
        caption="Error budget of the net energy; the parts add in squares, the least are left out",
        is_long=True,
    )


def ledger_tables(ledger: EnergyLedger, units: DisplayUnits) -> list[Block]:
    """The ledger by cause, and by segment, speed, grade, temperature and marked span."""
    if not ledger.entries:
        return [Words(lines=(f"Ledger: {told(ledger.residual_wh)}",), tone="grey")]
    step = units.metres_per_second
    parts: tuple[tuple[str, tuple[LedgerRow, ...], Callable[[LedgerRow], str]], ...] = (
        ("stop to stop", ledger.segments, lambda row: f"{moment(row.low)}–{moment(row.high)}"),
        (
            f"by speed, {units.speed_label}",
            ledger.by_speed,
            lambda row: _STANDING if row.label == _STANDING else f"{row.low / step:.0f} to {row.high / step:.0f}",
        ),
        ("by slope, %", ledger.by_grade, lambda row: re.sub(r"[.]0|[+]| %$", "", row.label)),
        (
            f"by outside temperature, {units.temperature_label}",
            ledger.by_temperature,
            lambda row: f"{units.temperature_of(row.low):.0f} to {units.temperature_of(row.high):.0f}",
        ),
        ("by the driver's marks", ledger.by_marker, lambda row: f"{row.label}: {moment(row.low)}–{moment(row.high)}"),
    )
    return [
        *table(
            [entry for entry in ledger.entries if told(entry.energy_wh) != "0"],
            ("where", lambda entry: entry.name),
            ("Wh", lambda entry: told(entry.energy_wh)),
            ("basis", lambda entry: entry.basis),
            caption="Energy ledger; what does not close is the residual",
        ),
        Words(lines=(sentences(ledger.notes),)),
        # One band alone says what the whole drive says.
        *(
            block
            for name, rows, label in parts
            if rows[1:] or rows is ledger.by_marker
            for block in _rows_table(name, rows, label, units)
        ),
    ]


def _rows_table(
    name: str, rows: tuple[LedgerRow, ...], label: Callable[[LedgerRow], str], units: DisplayUnits
) -> list[TableBlock]:
    return table(
        rows[:MOST_ROWS],
        ("part", label),
        (units.distance, lambda row: number(row.distance_m / units.metres, 2)),
        ("min", lambda row: number(row.duration_s / 60.0, 1)),
        (
            units.consumption_label,
            lambda row: number(None if row.net_wh_per_km is None else units.consumption(row.net_wh_per_km)),
        ),
        ("out", lambda row: watt_hours(row.pack_out_wh)),
        ("in", lambda row: watt_hours(row.pack_in_wh)),
        ("rolling", lambda row: watt_hours(row.rolling_wh)),
        ("air", lambda row: watt_hours(row.air_wh)),
        ("hills", lambda row: watt_hours(row.hills_wh)),
        ("kinetic", lambda row: watt_hours(row.kinetic_wh)),
        ("aux", lambda row: watt_hours(row.auxiliary_wh)),
        caption=f"Ledger {name}; energies in Wh",
        is_long=True,
    )


def regen_tables(regen: RegenSummary, units: DisplayUnits) -> list[Block]:
    """Losses to friction brakes and to a regen cap, brakings one by one, recovery by state and temperature."""
    lost = [("to friction brakes", regen.friction_wh), ("of it, while a regen limit was reached", regen.capped_wh)]
    if told(regen.capped_wh) == "0":
        lost.pop()
    return [
        *table(
            lost,
            ("lost while braking", lambda row: row[0]),
            ("Wh at the wheels", lambda row: told(row[1])),
            caption="Braking energy lost",
        ),
        *table(
            regen.stops[:MOST_ROWS],
            ("at", lambda stop: moment(stop.start_s)),
            (units.speed_label, lambda stop: speeds_text(stop, units)),
            ("braking", lambda stop: number(stop.braking_wh, 1)),
            ("into pack", lambda stop: number(stop.recovered_wh, 1)),
            ("friction", lambda stop: number(stop.friction_wh, 1)),
            ("capped", lambda stop: number(stop.capped_wh, 1)),
            ("recovered", lambda stop: percent(stop.recovery_ratio)),
            ("SOC", lambda stop: percent(stop.state_of_charge_ratio)),
            ("by", lambda stop: stop.limited_by.replace("_", " ")),
            caption=f"Brakings ({len(regen.stops)}); energies in Wh",
            meaning={
                units.speed_label: "from and to",
                "braking": "work that motor and brakes took from the wheels",
                "capped": "friction while a regen limit was reached",
                "recovered": "into the pack, of the braking work",
                "by": "the limit that was reached",
            },
            is_long=True,
        ),
        *_bands("SOC", regen.by_state_of_charge, percent),
        *_bands(
            f"cell temperature, {units.temperature_label}",
            regen.by_cell_temperature,
            lambda at: f"{units.temperature_of(at):.0f}",
        ),
    ]


def _bands(name: str, bands: tuple[RegenBin, ...], shown: Callable[[float], str]) -> list[TableBlock]:
    return table(
        bands,
        (name, lambda band: f"{shown(band.low)} to {shown(band.high)}"),
        ("brakings", lambda band: str(band.stop_count)),
        ("braking Wh", lambda band: number(band.braking_wh)),
        ("into pack Wh", lambda band: number(band.recovered_wh)),
        ("recovered", lambda band: percent(band.recovery_ratio)),
        caption=f"Recovery of braking energy by {name}",
    )
