"""``logan drive N``: one drive in full, and what is noted on it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli import options as opt
from logan.cli.drive_tables import (
    print_currents,
    print_drive_limits,
    print_every_table,
    print_findings,
    print_header,
    print_highlights,
    print_history,
    print_regen_share,
)
from logan.cli.rendering import print_cautions, print_json, print_lines
from logan.errors import UsageError
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_HIGH_VOLTAGE
from logan.results import Estimate
from logan.wording import figure

if TYPE_CHECKING:
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
            str | None, typer.Option("--tire", "--tyre", help='Cold tire pressure, such as "36 psi".')
        ] = None,
        is_full: Annotated[
            bool, typer.Option("--full", help="Every table: ledger by part, stops, heat, pack, calibrations.")
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
        answer = kept_answer(folder)
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
            stored = stored_drive(library, record, settings, fit=answer.fit.fit if answer else None)
        if as_json:
            print_json(stored)
            return
        _show(stored, shown, is_full=is_full)
        if mask or trim or untrim or correct or unmask or undo is not None:
            _show_effect(before, stored)


def _show(stored: StoredDrive, units: DisplayUnits, *, is_full: bool) -> None:

    print_header(stored, units)
    print_regen_share(stored.analysis)
    print_currents(stored.analysis)
    print_drive_limits(stored, units)
    print_lines("")
    print_highlights(stored.analysis, units)
    print_findings(stored, units, is_full=is_full)
    print_history(stored, is_full=is_full)
    if is_full:
        print_every_table(stored, units)
    else:
        print_lines(f"Every table, energy ledger among them: logan drive {stored.record.number} --full")
    # Findings say what to measure at the pack.
    told = [flag for flag in stored.analysis.flags if is_full or flag.severity.value != "note"]
    measured = [CAUTION_HIGH_VOLTAGE] if told else []
    print_cautions(*measured, CAUTION_ALWAYS)


def _show_effect(before: object, stored: StoredDrive) -> None:

    after = stored.analysis.energy.net_wh
    if isinstance(before, Estimate):
        print_lines(f"Net energy before {figure(before)} Wh, now {figure(after)} Wh.")
