"""The tables of one drive."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logan.cli.rendering import print_blocks, print_lines, print_table
from logan.results import Estimate, Refusal
from logan.wording import NONE, channel_words, clock, figure, moment, number, quantity_text, told_apart, with_sigma

if TYPE_CHECKING:
    from logan.analysis import DriveAnalysis
    from logan.metrics.limits import LimitCheck
    from logan.pipeline.stored import StoredDrive
    from logan.results import Figure
    from logan.units import DisplayUnits

_WINDOWS_S = (1.0, 10.0, 30.0, 60.0)
_LONG_STEP = 160


def print_header(stored: StoredDrive, units: DisplayUnits) -> None:
    """Which drive, when, from which log."""
    from logan.pipeline.weather import STATION_WIND_FACTOR

    record = stored.record
    started = moment(record.started) if record.started else "no date in the log"
    sources = ", ".join(source.name for source in record.sources)
    print_lines(f"Drive {record.number}, {started}, {record.duration_s / 60:.1f} min, from {sources}.")
    _print_answer(stored, units)
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
        f"drag x {conditions.drag_factor:g}" if conditions.drag_factor else "",
        f"rolling x {conditions.rolling_factor:g}" if conditions.rolling_factor else "",
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


def _print_answer(stored: StoredDrive, units: DisplayUnits) -> None:
    """Distance, consumption, energy and SOC; then what came closest to its limit, and how good the data are."""
    energy, used = stored.analysis.energy, units.consumption_label
    words = [f"{_shown(energy.distance_m, 1.0 / units.metres, 1)} {units.distance}"]
    if isinstance(energy.net_wh, Refusal):
        words.append(f"energy and consumption refused: {_how(energy.net_wh)}")
    else:
        per_distance = units.metres / 1000.0
        gross = energy.gross_wh_per_km
        words += [
            f"{_shown(energy.net_wh_per_km, per_distance)} {used} net"
            if isinstance(energy.net_wh_per_km, Estimate)
            else f"consumption refused: {_how(energy.net_wh_per_km)}",
            f"{_shown(gross, per_distance)} {used} gross" if isinstance(gross, Estimate) else "",
            f"net {_shown(energy.net_wh, 1e-3, 2)} kWh, regen {_shown(energy.regenerated_wh, 1e-3, 2)} kWh",
        ]
    pack = stored.analysis.pack.usable
    if isinstance(pack.energy_wh, Estimate):
        words.append(f"SOC {_percent(pack.start_ratio)} to {_percent(pack.end_ratio)}")
    checks = [check for check in stored.analysis.limits.checks if check.margin is not None]
    counts = stored.record.summary.flag_counts
    quality = f"data quality {stored.record.summary.grade or 'not graded'}"
    nearest = "No limit given." if not checks else _nearest(checks[0], units)
    print_lines(
        f"{'; '.join(word for word in words if word)}.",
        f"{nearest} Data: {counts.get('red', 0)} red and {counts.get('amber', 0)} amber flags, {quality}, "
        f"{100 * energy.coverage_ratio:.0f} % sampled.",
        "",
    )


def _nearest(check: LimitCheck, units: DisplayUnits) -> str:
    """The limit that came closest, red ones first."""
    limit = check.red if check.red is not None else check.amber
    state = f"{check.severity.value.upper()}: " if check.severity else "Closest to its limit: "
    reached = ", limit ".join(told_apart(check.worst_value, limit, unit=check.unit, units=units))
    return f"{state}{channel_words(check.channel)} {reached}."


def _percent(ratio: float | None) -> str:
    return NONE if ratio is None else f"{100 * ratio:.0f} %"


def _shown(value: Figure, scale: float = 1.0, digits: int = 0) -> str:
    return figure(value, scale=scale, digits=digits)


def _how(figure: Figure) -> str:
    return f"{figure.reason}. {figure.remedy}".strip() if isinstance(figure, Refusal) else figure.source


def print_regen_share(analysis: DriveAnalysis) -> None:
    """The printed definition of regen, by name and meaning, in a line."""
    for entry in analysis.regen.figures:
        if entry.number == analysis.regen.printed and isinstance(entry.value, Estimate):
            print_lines(
                f"Regen: {_ratio_or_value(entry.value)} ({entry.number} {entry.name}: {entry.meaning}); the other "
                f"definitions, by {analysis.regen.basis}: --full"
            )


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
                f"{channel_words(duration.channel)}, {duration.direction}",
                peak,
                *(number(by_window.get(window)) for window in _WINDOWS_S),
                f"{100 * duration.coverage_ratio:.0f} %",
            )
        )
    if not rows:
        print_lines(*(f"{note[:1].upper()}{note[1:]}." for note in analysis.current.notes[:1]))
        return
    print_table(("current [A]", "peak", "1 s RMS", "10 s", "30 s", "60 s", "sampled"), rows)
    voltage = analysis.pack.voltage
    if not isinstance(voltage, Refusal):
        print_lines(
            f"Pack voltage {voltage.lowest_v:.1f} V (at {clock(voltage.lowest_at_s)}) "
            f"to {voltage.highest_v:.1f} V (at {clock(voltage.highest_at_s)})."
        )
    for approach in analysis.current.approaches:
        print_lines(
            f"{approach.component}, {approach.direction}: {100 * approach.used_ratio:.0f} % of "
            f"{approach.allowed_a:.0f} A over {approach.window_s:g} s ({approach.source})"
        )
    for note in analysis.current.notes:
        print_lines(note)


def print_temperatures(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """Maxima with their margins to the limit sheet; those without a limit in a line."""
    rows, unlimited = [], []
    for check in analysis.limits.temperatures:
        name, highest = channel_words(check.channel), f"{units.temperature_of(check.worst_value or 0.0):.0f}"
        if not check.source:
            unlimited.append(f"{name} {highest} {units.temperature_label}")
            continue
        beyond = clock(check.beyond_amber_s) if check.beyond_amber_s else ""
        amber, red = _margin(check.to(check.amber), units), _margin(check.to(check.red), units)
        rows.append((name, highest, amber, red, beyond, check.source))
    degree = units.temperature_label
    if rows:
        headings = (f"temperature [{degree}]", "max", "to amber", "to red", "beyond", "limit")
        kept = [place for place in range(6) if place != 4 or any(row[4] for row in rows)]
        shown = [[row[place] for place in kept] for row in rows]
        print_table([headings[place] for place in kept], shown, left=(0, len(kept) - 1))
    if unlimited:
        print_lines(f"No limit given: {', '.join(unlimited)} at most.")


def _margin(figure: Figure, units: DisplayUnits) -> str:
    if isinstance(figure, Refusal):
        return NONE
    return with_sigma(units.temperature_step(figure.value), units.temperature_step(figure.sigma or 0.0))


def print_limits(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """Events beyond a limit, with their caution."""
    for event in analysis.limits.events:
        print_lines(
            f"{event.severity.value.upper()}: {channel_words(event.what)} "
            f"{' against '.join(told_apart(event.worst_value, event.limit_value, unit=event.unit, units=units))}, "
            f"at {clock(event.start_s)} for "
            f"{event.duration_s:.0f} s. "
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
            f"Soak-back: {channel_words(soak.channel)} rose by {rise:.0f} {units.temperature_label} after stopping"
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
            f"Coastdowns, {coastdowns.pair_count} pairs: CdA {_in_units(coastdowns.drag_area_m2, 'area', units)}, "
            f"road load at 65 mph {_in_units(coastdowns.force_65_mph_n, 'force', units)}"
        )
    if analysis.calibration.wheel.severity is not None:
        lines.append(f"Tire or gear: {analysis.calibration.wheel.verdict}")
    print_lines(*(f"{line}." for line in lines))


def _in_units(value: Figure, quantity: str, units: DisplayUnits) -> str:
    return "refused" if isinstance(value, Refusal) else quantity_text(value.value, quantity, units, sigma=value.sigma)


def print_every_table(stored: StoredDrive, units: DisplayUnits) -> None:
    """Every table of the drive's report, and the plain words between them."""
    from logan.pipeline.drive_tables import every_table

    # The two directions say what the table of both says.
    print_blocks([block for block in every_table(stored, units) if ", both:" not in getattr(block, "caption", "")])


def print_findings(stored: StoredDrive, units: DisplayUnits, *, is_full: bool) -> None:
    """What the detectors found, remarks in short unless asked, and data quality below A."""
    for flag in stored.analysis.flags:
        effect_per_unit = units.consumption(flag.effect_wh_per_km or 0.0)
        effect = f" Effect {effect_per_unit:+.1f} {units.consumption_label}." if abs(effect_per_unit) >= 0.05 else ""
        remedy = flag.remedy.replace("logan drive N", f"logan drive {stored.record.number}")
        words = f" {flag.evidence}.{effect} {remedy}" if is_full or flag.severity.value != "note" else ""
        print_lines(f"{flag.severity.value.upper()}: {flag.title}.{words}")
    low = [
        f"{metric} {grade.grade.value}" for metric, grade in stored.analysis.grades.items() if grade.grade.value != "A"
    ]
    print_lines(f"Data quality: {', '.join(low)}; the rest A" if low else "Data quality: all A")


def print_history(stored: StoredDrive, *, is_full: bool) -> None:
    """What was done to the data."""
    for step in stored.history:
        effect, action = "", step.action.replace("_", " ")
        if step.net_wh_before is not None and step.net_wh_after is not None:
            effect = f" Net energy {step.net_wh_before:.1f} Wh before, {step.net_wh_after:.1f} Wh after."
        words = f"{action}: {step.detail}; {step.reason}.{effect}"
        if len(words) > _LONG_STEP and not is_full:
            words = f"{action}: {step.reason}.{effect}"
        print_lines(f"Done to the data: {words}")
