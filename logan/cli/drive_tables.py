"""The tables of one drive."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logan.cli.rendering import print_blocks, print_lines, print_rows
from logan.results import Estimate, Refusal
from logan.units.sentences import measure
from logan.wording import (
    channel_words,
    clock,
    figure,
    figure_text,
    moment,
    number,
    percent,
    reason,
    sentence,
    told_apart,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from logan.analysis import DriveAnalysis
    from logan.metrics.current import CurrentDuration
    from logan.metrics.limits import LimitCheck
    from logan.pipeline.stored import StoredDrive
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
    words = [f"{figure(energy.distance_m, scale=1.0 / units.metres, digits=1)} {units.distance}"]
    if isinstance(energy.net_wh, Refusal):
        words.append(f"energy and consumption refused: {reason(energy.net_wh)}")
    else:
        per_distance = units.metres / 1000.0
        gross = energy.gross_wh_per_km
        words += [
            f"{figure(energy.net_wh_per_km, scale=per_distance)} {used} net"
            if isinstance(energy.net_wh_per_km, Estimate)
            else f"consumption refused: {reason(energy.net_wh_per_km)}",
            f"{figure(gross, scale=per_distance)} {used} gross" if isinstance(gross, Estimate) else "",
            f"net {figure(energy.net_wh, scale=1e-3, digits=2)} kWh, "
            f"regen {figure(energy.regenerated_wh, scale=1e-3, digits=2)} kWh",
        ]
    pack = stored.analysis.pack.usable
    if isinstance(pack.energy_wh, Estimate):
        words.append(f"SOC {percent(pack.start_ratio)} to {percent(pack.end_ratio)}")
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


def print_regen_share(analysis: DriveAnalysis) -> None:
    """The printed definition of regen, by name and meaning, in a line."""
    from logan.pipeline.drive_tables import regen_text

    for entry in analysis.regen.figures:
        if entry.number == analysis.regen.printed and isinstance(entry.value, Estimate):
            print_lines(
                f"Regen: {regen_text(entry.value)} ({entry.number} {entry.name}: {entry.meaning}); the other "
                f"definitions, by {analysis.regen.basis}: --full"
            )


def print_currents(analysis: DriveAnalysis) -> None:
    """Peak and RMS currents, and what the curves allow."""

    def peak(duration: CurrentDuration) -> str:
        bound = ">= " if duration.peak.is_lower_bound else ""
        return "refused" if duration.peak.refusal else f"{bound}{number(duration.peak.sampled_a)}"

    def rms(window_s: float) -> Callable[[CurrentDuration], str]:
        return lambda one: number(next((point.rms_a for point in one.points if point.window_s == window_s), None))

    if not analysis.current.durations:
        print_lines(*map(sentence, analysis.current.notes[:1]))
        return
    print_rows(
        analysis.current.durations,
        ("current [A]", lambda one: f"{channel_words(one.channel)}, {one.direction}"),
        ("peak", peak),
        *((f"{window_s:g} s{' RMS' if window_s == 1.0 else ''}", rms(window_s)) for window_s in _WINDOWS_S),
        ("sampled", lambda one: percent(one.coverage_ratio)),
    )
    voltage = analysis.pack.voltage
    if not isinstance(voltage, Refusal):
        print_lines(
            f"Pack voltage {voltage.lowest_v:.1f} V (at {clock(voltage.lowest_at_s)}) "
            f"to {voltage.highest_v:.1f} V (at {clock(voltage.highest_at_s)})."
        )
    for note in analysis.current.notes:
        print_lines(note)


def print_drive_limits(stored: StoredDrive, units: DisplayUnits) -> None:
    """Temperatures and what passed a limit, what has none, curves, and events with what to do."""
    from logan.cli.limits_command import print_limits
    from logan.pipeline.limit_sheet import limits_over_drives

    found = limits_over_drives([stored])
    near = [line for line in found.lines if line.check.unit == "degC" or line.check.severity is not None]
    print_limits(found, [line for line in near if line.check.margin is not None], units, bare_unit="degC")
    print_lines(*dict.fromkeys(kind.worst.caution or f"{kind.worst.remark}." for kind in found.kinds))


def print_highlights(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """In a line each, what the other tables hold that a builder must not miss."""
    from logan.pipeline.drive_tables import regen_text

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
            f"Cell spread {figure(pack.spread.rest_v, scale=1000.0)} mV at rest, "
            f"{figure(pack.spread.load_v, scale=1000.0)} mV under load: {pack.spread.note}"
        )
    if isinstance(pack.isolation_ohm_per_v, Estimate):
        lines.append(f"Isolation {figure(pack.isolation_ohm_per_v)} ohm/V, {pack.isolation_ohm_per_v.source}")
    lines += [
        f"Charge: {figure(session.pack_wh, scale=0.001, digits=1)} kWh into the pack, efficiency "
        f"{regen_text(session.efficiency_ratio)}"
        for session in pack.charging
    ]
    if isinstance(coastdowns.drag_area_m2, Estimate):
        lines.append(
            f"Coastdowns, {coastdowns.pair_count} pairs: CdA {figure_text(coastdowns.drag_area_m2, units)}, "
            f"road load at {measure(65, 'mph')} {figure_text(coastdowns.force_65_mph_n, units)}"
        )
    if analysis.calibration.wheel.severity is not None:
        lines.append(f"Tire or gear: {analysis.calibration.wheel.verdict}")
    print_lines(*(f"{line}." for line in lines))


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
