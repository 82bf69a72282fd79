"""The tables of one drive."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logan.cli.rendering import print_lines, print_table
from logan.results import Estimate, Refusal
from logan.wording import figure, number

if TYPE_CHECKING:
    from logan.analysis import DriveAnalysis
    from logan.pipeline.drive_tables import Block
    from logan.pipeline.stored import StoredDrive
    from logan.results import Figure
    from logan.units import DisplayUnits

_WINDOWS_S = (1.0, 10.0, 30.0, 60.0)


def print_header(stored: StoredDrive, units: DisplayUnits) -> None:
    """Which drive, when, from which log."""
    from logan.pipeline.weather import STATION_WIND_FACTOR

    record = stored.record
    started = f"{record.started:%Y-%m-%d %H:%M} UTC" if record.started else "no date in the log"
    sources = ", ".join(source.name for source in record.sources)
    print_lines(f"Drive {record.number}, {started}, {record.duration_s / 60:.1f} min, from {sources}")
    conditions = record.conditions
    noted = [
        f"payload {conditions.said.get('payload') or units.shown(conditions.payload_kg, 'weight')}"
        if conditions.payload_kg is not None
        else "",
        ""
        if conditions.wind_m_per_s is None
        else f"station wind {conditions.said.get('wind') or units.shown(conditions.wind_m_per_s, 'speed')} "
        f"from {number(conditions.wind_from_deg)}°, "
        f"x {STATION_WIND_FACTOR:g} at a vehicle's height (from memory); gusts stay in the day-to-day spread",
        f"change: {conditions.change}" if conditions.change else "",
        f"tags: {', '.join(conditions.tags)}" if conditions.tags else "",
        conditions.note,
    ]
    if any(noted):
        print_lines("Noted: " + "; ".join(text for text in noted if text))
    if record.part_in_fit:
        print_lines(f"The fit: {record.part_in_fit}.")
    print_lines(
        *(
            f"Not used: {channel.replace('_', ' ')}: {why}."
            for channel, why in stored.analysis.admission.untrusted.items()
        )
    )


def print_energy(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """Energy, distance, consumption; refused figures with their reason."""
    energy = analysis.energy
    if isinstance(energy.net_wh, Refusal):
        distance = _shown(energy.distance_m, 1.0 / units.metres, 1)
        print_lines(
            f"Distance {distance} {units.distance}, by {energy.distance_source}.",
            f"Energy and consumption refused: {_how(energy.net_wh)}.",
        )
        return
    per_distance = units.metres / 1000.0
    rows: list[tuple[str, str, str]] = [
        ("distance", f"{_shown(energy.distance_m, 1.0 / units.metres, 1)} {units.distance}", energy.distance_source),
        (f"net {units.consumption_label}", _shown(energy.net_wh_per_km, per_distance), _how(energy.net_wh_per_km)),
        (
            f"gross {units.consumption_label}",
            _shown(energy.gross_wh_per_km, per_distance),
            _how(energy.gross_wh_per_km),
        ),
        ("net energy Wh", _shown(energy.net_wh), _how(energy.net_wh)),
        ("put back Wh", _shown(energy.regenerated_wh), _how(energy.regenerated_wh)),
        ("coverage", f"{100 * energy.coverage_ratio:.1f} %", "share of the time really sampled"),
    ]
    print_table(("energy", "value ± σ", "how"), rows, left=(0, 2))
    pack = analysis.pack.usable
    if isinstance(pack.energy_wh, Estimate):
        print_lines(f"Charge used {_percent(pack.start_ratio)} to {_percent(pack.end_ratio)}. {pack.note}".rstrip())


def _percent(ratio: float | None) -> str:
    return "-" if ratio is None else f"{100 * ratio:.1f} %"


def _shown(value: Figure, scale: float = 1.0, digits: int = 0) -> str:
    return figure(value, scale=scale, digits=digits)


def _how(figure: Figure) -> str:
    return f"{figure.reason}. {figure.remedy}".strip() if isinstance(figure, Refusal) else figure.source


def print_regen(analysis: DriveAnalysis) -> None:
    """The printed definition of regen by name, and the others that can be given."""
    regen = analysis.regen
    if all(isinstance(entry.value, Refusal) for entry in regen.figures):
        return
    rows = [
        (
            f"{'>' if entry.number == regen.printed else ' '} {entry.number} {entry.name}",
            _ratio_or_value(entry.value),
            entry.meaning,
        )
        for entry in regen.figures
        if isinstance(entry.value, Estimate)
    ]
    print_table((f"regen, 3 to 8 by {regen.basis}", "value", "meaning"), rows, left=(0, 2))
    refused: dict[str, list[str]] = {}
    for entry in regen.figures:
        if isinstance(entry.value, Refusal):
            refused.setdefault(entry.value.reason, []).append(str(entry.number))
    for reason, numbers in refused.items():
        print_lines(f"  Definition {', '.join(numbers)} refused: {reason}.")


def _ratio_or_value(value: Figure) -> str:
    if isinstance(value, Refusal):
        return "refused"
    if value.unit in ("ratio", ""):
        return figure(value, scale=100.0, digits=1, unit="%")
    return figure(value, digits=1, unit=value.unit)


def print_currents(analysis: DriveAnalysis) -> None:
    """Peak and RMS currents, and what the curves allow."""
    rows = []
    for duration in analysis.current.durations:
        by_window = {point.window_s: point.rms_a for point in duration.points}
        bound = ">= " if duration.peak.is_lower_bound else ""
        peak = "refused" if duration.peak.refusal else f"{bound}{number(duration.peak.sampled_a)}"
        rows.append(
            (
                f"{duration.channel.replace('_', ' ')}, {duration.direction}",
                peak,
                *(number(by_window.get(window)) for window in _WINDOWS_S),
                f"{100 * duration.coverage_ratio:.0f} %",
            )
        )
    if not rows:
        print_lines(*(f"{note[:1].upper()}{note[1:]}." for note in analysis.current.notes[:1]))
        return
    print_table(("current [A]", "peak", "1 s RMS", "10 s", "30 s", "60 s", "coverage"), rows)
    voltage = analysis.pack.voltage
    if not isinstance(voltage, Refusal):
        print_lines(
            f"Pack voltage {voltage.lowest_v:.1f} V (at {voltage.lowest_at_s:.0f} s) "
            f"to {voltage.highest_v:.1f} V (at {voltage.highest_at_s:.0f} s)."
        )
    for approach in analysis.current.approaches:
        print_lines(
            f"{approach.component}, {approach.direction}: {100 * approach.used_ratio:.0f} % of "
            f"{approach.allowed_a:.0f} A over {approach.window_s:g} s ({approach.source})"
        )
    for note in analysis.current.notes:
        print_lines(note)


def print_temperatures(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """Maxima with their margins to the limit sheet."""
    rows = [
        (
            check.channel.replace("_", " "),
            f"{units.temperature_of(check.worst_value or 0.0):.0f}",
            _margin(check.to(check.amber), units),
            _margin(check.to(check.red), units),
            number(check.beyond_amber_s),
            number(units.temperature_step(check.rate_k_per_min or 0.0), 1),
            check.source or "no limit given",
        )
        for check in analysis.limits.temperatures
    ]
    if rows:
        degree = units.temperature_label
        print_table(
            (f"temperature [{degree}]", "max", "to amber", "to red", "beyond s", f"{degree}/min", "limit"),
            rows,
            left=(0, 6),
        )


def _margin(figure: Figure, units: DisplayUnits) -> str:
    if isinstance(figure, Refusal):
        return "-"
    return f"{units.temperature_step(figure.value):+.0f} ± {units.temperature_step(figure.sigma or 0.0):.0f}"


def print_limits(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """Events beyond a limit, with their caution."""
    for event in analysis.limits.events:
        print_lines(
            f"{event.severity.value.upper()}: {event.what} {event.worst_value:.1f} {event.unit} against "
            f"{event.limit_value:.1f}, from {event.start_s:.0f} s for {event.duration_s:.0f} s. "
            f"{event.caution or event.remark}"
        )


def print_highlights(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """In a line each, what the other tables hold that a builder must not miss."""
    pack, coastdowns = analysis.pack, analysis.coastdowns
    felt = [event for event in analysis.derating.events if event.kind != "limit lowered"]
    lines = list(analysis.limits.notes)
    if felt:
        seconds = sum(event.duration_s for event in felt)
        first = felt[0]
        lines.append(
            f"Derating: {len(felt)} stretches, {seconds:.0f} s, first at {first.start_s:.0f} s ({first.kind}; "
            f"probably {first.probable_cause})"
        )
    if analysis.thermal.coolant.is_low:
        lines.append(f"Coolant: {analysis.thermal.coolant.note}")
    for soak in analysis.thermal.soak_backs:
        rise = units.temperature_step(soak.rise_k)
        lines.append(
            f"Soak-back: {soak.channel.replace('_', ' ')} rose by {rise:.0f} {units.temperature_label} after stopping"
        )
    if pack.spread.severity is not None:
        lines.append(
            f"Cell spread {_shown(pack.spread.rest_v, 1000.0)} mV at rest, {_shown(pack.spread.load_v, 1000.0)} mV "
            f"under load: {pack.spread.note}"
        )
    if isinstance(pack.isolation_ohm_per_v, Estimate):
        lines.append(f"Isolation {_shown(pack.isolation_ohm_per_v)} ohm/V, {pack.isolation_ohm_per_v.source}")
    lines += [
        f"Charge: {_shown(session.pack_wh, 0.001, 1)} kWh into the pack, efficiency "
        f"{_ratio_or_value(session.efficiency_ratio)}"
        for session in pack.charging
    ]
    if isinstance(coastdowns.drag_area_m2, Estimate):
        lines.append(
            f"Coastdowns, {coastdowns.pair_count} pairs: drag area {_shown(coastdowns.drag_area_m2, digits=3)} m2, "
            f"force at 65 mph {_shown(coastdowns.force_65_mph_n)} N"
        )
    if analysis.calibration.wheel.severity is not None:
        lines.append(f"Tyre or gear: {analysis.calibration.wheel.verdict}")
    print_lines(*(f"{line}." for line in lines))


def print_every_table(stored: StoredDrive, units: DisplayUnits) -> None:
    """Every table of the drive's report, and the plain words between them."""
    from logan.pipeline.drive_tables import every_table

    print_lines("")
    print_blocks(every_table(stored, units))


def print_blocks(blocks: tuple[Block, ...]) -> None:
    """Print what a report shows, figures left aside."""
    from logan.pipeline.drive_tables import FigureBlock, TableBlock, Words

    for index, block in enumerate(block for block in blocks if not isinstance(block, FigureBlock)):
        if index:
            print_lines("")
        if isinstance(block, TableBlock):
            columns = list(zip(*block.rows, strict=True))
            words = [index for index, cells in enumerate(columns) if any(cell[:1].isalpha() for cell in cells)]
            tones = (*block.tones, *("plain",) * len(block.rows))
            rows = [
                (f"{tone.upper()}: {row[0]}" if tone in ("red", "amber") else row[0], *row[1:])
                for row, tone in zip(block.rows, tones, strict=False)
            ]
            print_table(block.headings, rows, title=block.caption, left=(0, *words))
        elif isinstance(block, Words):
            print_lines(*block.lines)


def print_findings(stored: StoredDrive, units: DisplayUnits) -> None:
    """What the detectors found, and the grades below A."""
    for flag in stored.analysis.flags:
        effect_per_unit = units.consumption(flag.effect_wh_per_km or 0.0)
        effect = f" Effect {effect_per_unit:+.1f} {units.consumption_label}." if abs(effect_per_unit) >= 0.05 else ""
        remedy = flag.remedy.replace("logan drive N", f"logan drive {stored.record.number}")
        print_lines(f"{flag.severity.value}: {flag.title}. {flag.evidence}.{effect} {remedy}")
    low = [
        f"{metric} {grade.grade.value}" for metric, grade in stored.analysis.grades.items() if grade.grade.value != "A"
    ]
    print_lines(f"Grades: {', '.join(low)}; the rest A" if low else "Grades: all A")


def print_history(stored: StoredDrive) -> None:
    """What was done to the data."""
    for step in stored.history:
        effect = ""
        if step.net_wh_before is not None and step.net_wh_after is not None:
            effect = f" Net energy {step.net_wh_before:.1f} Wh before, {step.net_wh_after:.1f} Wh after."
        print_lines(f"Done to the data: {step.action}: {step.detail}; {step.reason}.{effect}")
