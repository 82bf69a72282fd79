"""``logan drive N``: one drive in full, in tables, and what is noted on it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli import options as opt
from logan.cli.rendering import print_blocks, print_cautions, print_json, print_lines, print_list, print_rows
from logan.errors import UsageError
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_HIGH_VOLTAGE
from logan.results import Estimate, Refusal, Severity
from logan.units.sentences import measure
from logan.wording import (
    capital,
    channel_words,
    clock,
    figure,
    figure_text,
    limit_name,
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


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("drive")
    def drive(
        number: Annotated[str, typer.Argument(help="Number or id of the drive.")],
        build: opt.BuildOption = Path(),
        mask: Annotated[
            list[str] | None, typer.Option("--mask", help="Blank a span, such as 750s..768s or 12:30..12:48.")
        ] = None,
        trim: Annotated[
            list[str] | None, typer.Option("--trim", help="Cut a span off or out of the drive, such as 1100s..")
        ] = None,
        untrim: Annotated[
            bool, typer.Option("--untrim", help="Have back what was left out by itself as no measurement.")
        ] = False,
        why: Annotated[str, typer.Option("--why", help="Reason for a mask, a correction or an exclusion.")] = "",
        channel: Annotated[list[str] | None, typer.Option("--channel", help="Mask only this channel.")] = None,
        correct: Annotated[
            list[str] | None,
            typer.Option(
                "--correct",
                help="Correct a channel by hand: pack_current.offset=-0.7, .gain, .sign or .shift_s; @750s..768s after "
                "it for a span only.",
            ),
        ] = None,
        undo: Annotated[
            int | None, typer.Option("--undo", help="Take back one mask or correction by hand, counted from 1.")
        ] = None,
        unmask: Annotated[bool, typer.Option("--unmask", help="Take back every mask and correction by hand.")] = False,
        exclude: Annotated[
            bool, typer.Option("--exclude", help="Leave the drive out of the fit; needs --why.")
        ] = False,
        include: Annotated[
            bool,
            typer.Option("--include", help="Let it take part again; with --why even where its data speak against it."),
        ] = False,
        note: Annotated[str | None, typer.Option("--note", help="Free text.")] = None,
        tag: Annotated[list[str] | None, typer.Option("--tag", help="A tag; may be repeated.")] = None,
        change: Annotated[
            str | None, typer.Option("--change", help="What was changed on the vehicle before it.")
        ] = None,
        payload: opt.PayloadOption = None,
        passengers: opt.PassengersOption = None,
        weather: Annotated[
            Path | None,
            typer.Option(
                "--weather",
                help="Hourly table (CSV): time, wind [mph], wind_from [deg], ...; of several stations, each with its "
                "latitude and longitude, the nearest is taken.",
            ),
        ] = None,
        ambient: opt.AmbientOption = None,
        wind: opt.WindOption = None,
        wind_from_deg: opt.WindFromOption = None,
        drag_factor: Annotated[
            float | None,
            typer.Option("--drag-factor", help="What a roof rack or an open top made of drag: 1.15; 1 takes it back."),
        ] = None,
        rolling_factor: Annotated[
            float | None, typer.Option("--rolling-factor", help="The same of rolling: other tires, a trailer.")
        ] = None,
        tire: Annotated[
            str | None, typer.Option("--tire", "--tyre", help='Cold tire pressure: "36 psi", "250 kPa".')
        ] = None,
        is_full: Annotated[
            bool, opt.full_option("Every table: ledger by part, stops, heat, pack, calibrations.")
        ] = False,
        as_json: opt.JsonOption = False,
        units: opt.UnitsOption = None,
    ) -> None:
        """Show what one drive says, or note something on it; masks are reversible and need a reason."""
        from logan.pipeline.builds import find_build, open_library
        from logan.pipeline.notes import changed, noted, refuse_unknown_channels, with_passengers
        from logan.pipeline.refine import kept_answer
        from logan.pipeline.stored import stored_drive
        from logan.pipeline.weather import place_of, station_weather

        folder = find_build(build)
        shown = opt.display_units(units, build)
        settings = folder.settings()
        said = opt.in_own_units({"payload": payload, "ambient": ambient, "wind": wind, "tire": tire}, shown)
        loaded = with_passengers(said.get("payload"), passengers, shown.unit_of("weight"))
        with open_library(build) as library:
            record = library.record(number)
            if include and not why and not record.is_excluded and record.takes_no_part:
                raise UsageError(
                    f"taking the drive in needs a reason, because it is {record.part_in_fit}",
                    'Give it with --why "..."',
                )
            conditions = changed(
                record.conditions,
                masks=tuple(mask or ()),
                trims=tuple(trim or ()),
                is_untrimmed=untrim,
                mask_channels=tuple(channel or ()),
                hand=tuple(correct or ()),
                undone=undo,
                why=why,
                is_unmasked=unmask,
                is_excluded=exclude,
                is_included=include,
                note=note,
                tags=tuple(tag) if tag else None,
                change=change,
                wind_from_deg=wind_from_deg,
                drag_factor=drag_factor,
                rolling_factor=rolling_factor,
                said=said | ({} if loaded is None else {"payload": loaded}),
            )
            if weather is not None:
                place = place_of(library.load(record.number))
                found = station_weather(weather, record.started, record.duration_s, place)
                conditions = noted(conditions, {}, **found)
            refuse_unknown_channels(conditions, record.channels)
            before = record.summary.metrics.get("net_wh")
            if conditions != record.conditions:
                record = library.set_conditions(number, conditions)
            answer = kept_answer(folder)  # after the note, which may be what it no longer rests on
            stored = stored_drive(library, record, settings, fit=answer.fit.fit if answer else None)
        if as_json:
            print_json(stored)
            return
        _show(stored, shown, is_full=is_full)
        if (mask or trim or untrim or correct or unmask or undo is not None) and isinstance(before, Estimate):
            print_lines(f"Net energy before {figure(before)} Wh, now {figure(stored.analysis.energy.net_wh)} Wh.")


def _show(stored: StoredDrive, units: DisplayUnits, *, is_full: bool) -> None:
    from logan.pipeline.drive_tables import every_table

    print_header(stored, units)
    if stored.analysis.regen.basis == "plan":
        print_lines(f"Regen 3 to 8 and ledger are by {stored.analysis.regen.basis_told}.")
    if not is_full:  # else the tables say it
        print_regen_share(stored.analysis)
        print_currents(stored.analysis)
    print_drive_limits(stored, units, is_full=is_full)
    print_lines("")
    print_highlights(stored.analysis, units)
    print_findings(stored, units, is_full=is_full)
    print_history(stored, is_full=is_full)
    if is_full:
        print_blocks(every_table(stored, units))
    else:
        print_lines(f"Every table, energy ledger among them: logan drive {stored.record.number} --full")
    # Findings say what to measure at the pack.
    told = [flag for flag in stored.analysis.flags if is_full or flag.severity.value != "note"]
    measured = [CAUTION_HIGH_VOLTAGE] if told else []
    print_cautions(*measured, CAUTION_ALWAYS)


_WINDOWS_S = (1.0, 10.0, 30.0, 60.0)
_LEAST_EFFECT_WH = 0.05
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
    print_list(
        f"Not used: {channel_words(channel)}: {why}." for channel, why in stored.analysis.admission.untrusted.items()
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
        f"{nearest} Flags of the data: {counts.get('red', 0)} red, {counts.get('amber', 0)} amber; {quality}, "
        f"{100 * energy.coverage_ratio:.0f} % sampled.",
        "",
    )


def _nearest(check: LimitCheck, units: DisplayUnits) -> str:
    """The limit that came closest, red ones first."""
    state = f"{check.severity.value.upper()}: " if check.severity else "Closest to its limit: "
    reached = ", limit ".join(told_apart(check.worst_value, check.met, unit=check.unit, units=units))
    return f"{state}{limit_name(check)} {reached}."


def print_regen_share(analysis: DriveAnalysis) -> None:
    """The printed definition of regen, by name and meaning, in a line."""
    from logan.pipeline.drive_tables import of_drive

    for entry in analysis.regen.figures:
        if entry.number == analysis.regen.printed and isinstance(entry.value, Estimate):
            print_lines(
                f"Regen: {of_drive.regen_text(entry.value)} ({entry.number} {entry.name}: {entry.meaning}); the other "
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

    told: dict[tuple[str, ...], CurrentDuration] = {}  # where one direction alone says what both do, both are left out
    for one in analysis.current.durations:
        told.setdefault((one.channel, *(rms(window_s)(one) for window_s in _WINDOWS_S)), one)
    print_rows(
        told.values(),
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
    print_lines(*map(sentence, analysis.current.notes))


def print_drive_limits(stored: StoredDrive, units: DisplayUnits, *, is_full: bool) -> None:
    """Limits, what passed one and what to do; temperatures without a limit."""
    from logan.cli.limits_command import print_limits
    from logan.pipeline.limit_sheet import limits_over_drives

    found = limits_over_drives([stored])
    lines = [line for line in found.lines if line.check.margin is not None]
    print_limits(found, lines, units, bare_unit="degC", is_full=is_full)
    kinds = [kind for kind in found.kinds if is_full or kind.severity is not Severity.NOTE]
    print_list(dict.fromkeys(sentence(told) for kind in kinds if (told := kind.worst.caution or kind.worst.remark)))


def print_highlights(analysis: DriveAnalysis, units: DisplayUnits) -> None:
    """In a line each, what the other tables hold that a builder must not miss."""
    from logan.pipeline.drive_tables import of_drive

    pack, coastdowns = analysis.pack, analysis.coastdowns
    felt = [event for event in analysis.derating.events if event.kind != "limit lowered"]
    lines: list[str] = []
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
        f"{of_drive.regen_text(session.efficiency_ratio)}"
        for session in pack.charging
    ]
    if isinstance(coastdowns.drag_area_m2, Estimate):
        lines.append(
            f"Coastdowns, {coastdowns.pair_count} pairs: CdA {figure_text(coastdowns.drag_area_m2, units)}, "
            f"road load at {measure(65, 'mph')} {figure_text(coastdowns.force_65_mph_n, units)}"
        )
    if analysis.calibration.wheel.severity is not None:
        lines.append(f"Tire or gear: {analysis.calibration.wheel.verdict}")
    print_list(f"{line}." for line in (*lines, *analysis.limits.notes))


def print_findings(stored: StoredDrive, units: DisplayUnits, *, is_full: bool) -> None:
    """What the detectors found, remarks in short unless asked, and data quality below A."""
    found: list[str] = []
    for flag in stored.analysis.flags:
        effect_per_unit = units.consumption(flag.effect_wh_per_km or 0.0)
        effect = f" Effect {effect_per_unit:+.1f} {units.consumption_label}." if abs(effect_per_unit) >= 0.05 else ""
        remedy = flag.remedy.replace("logan drive N", f"logan drive {stored.record.number}")
        words = f" {capital(flag.evidence)}.{effect} {remedy}" if is_full or flag.severity.value != "note" else ""
        found.append(f"{flag.severity.value.upper()}: {flag.title}.{words}")
    print_list(found)
    grades = ((metric.replace("_", " "), one.grade.value) for metric, one in stored.analysis.grades.items())
    low = [f"{metric} {grade}" for metric, grade in grades if grade != "A"]
    print_lines(*([f"Data quality: {', '.join(low)}; the rest A"] if low else []))


def print_history(stored: StoredDrive, *, is_full: bool) -> None:
    """What was done to the data."""
    done: list[str] = []
    for step in stored.history:
        effect, action = "", step.action.replace("_", " ")
        if step.net_wh_before is not None and step.net_wh_after is not None:
            is_same = abs(step.net_wh_after - step.net_wh_before) < _LEAST_EFFECT_WH
            effect = f" Net energy {step.net_wh_before:.1f} Wh before, {step.net_wh_after:.1f} Wh after."
            effect = " No effect on the net energy." if is_same else effect
        words = f"{action}: {step.detail}; {step.reason}.{effect}"
        if len(words) > _LONG_STEP and not is_full:
            words = f"{action}: {step.reason}.{effect}"
        done.append(f"Done to the data: {words}")
    print_list(done)
