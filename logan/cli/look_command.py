"""``logan look``: what is in a log, before any import."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli import options as opt
from logan.cli.rendering import answer, print_lines, print_table, reading_progress
from logan.wording import moment, number

if TYPE_CHECKING:
    from logan.pipeline.look import LogSummary

_SHOWN_UNKNOWN = 12


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("look")
    def look(
        logs: Annotated[
            list[Path] | None, typer.Argument(help="Log files; several are looked at as parts of one drive.")
        ] = None,
        drive: Annotated[
            str | None, typer.Option("--drive", help="Number or id of a stored drive, in place of logs.")
        ] = None,
        dbc: opt.DbcOption = None,
        bus: opt.BusOption = None,
        build: opt.BuildOption = Path(),
        format_name: opt.FormatOption = None,
        columns: opt.ColumnsOption = "",
        is_full: Annotated[bool, opt.full_option("Every message and signal.")] = False,
        as_json: opt.JsonOption = False,
    ) -> None:
        """Say what is in a log: format, duration, ids, signals with unit and range, and which channel each could be."""
        from logan.pipeline.builds import open_library
        from logan.pipeline.look import look as look_at, look_at_drive

        opt.refuse_both(logs, drive)
        reading = opt.reading_of(dbc, build, logs, bus, format_name=format_name, column_layout=columns)
        if drive is not None:
            with open_library(build) as library:
                summary = look_at_drive(library, drive, reading)
        else:
            with reading_progress() as progress:
                summary = look_at(logs or (), replace(reading, progress=progress))
        answer(summary, as_json, _show, has_dbc=bool(reading.dbcs or reading.dbc_by_bus), is_full=is_full)


def _show(summary: LogSummary, *, has_dbc: bool, is_full: bool) -> None:
    from datetime import UTC, datetime

    for file in summary.files:
        print_lines(f"{file.path.name}: {file.log_format}, {file.size_bytes / 1e6:.1f} MB, {file.frame_count:,} frames")
        print_lines(*(f"  {reason}" for reason in file.layout))
        if file.skipped_count:
            print_lines(
                f"  left out: {file.skipped_count} of its lines or objects, of which {file.lost_count} look like data:"
            )
            print_lines(*(f"    {part.place}: {part.reason}" for part in file.skipped[:3]))
        if file.is_truncated:
            print_lines("  ends in the middle of a line or object, as after a power cut; what came before is whole")
    began = datetime.fromtimestamp(summary.start_ns / 1e9, tz=UTC) if summary.has_absolute_time else None
    when = f"From {moment(began, '%Y-%m-%d %H:%M:%S %Z')}, " if began else "No date in the log, "
    print_lines(f"{when}{_span(summary.duration_s)}, {summary.frames_per_s:,.0f} frames/s")
    shown = [flag for flag in summary.flags if flag.severity != "note"]
    print_lines(*(f"{flag.severity.upper()}: {flag.title}: {flag.evidence}. {flag.remedy}" for flag in shown))
    known = [message for message in summary.messages if message.message]
    unknown = [message for message in summary.messages if not message.message]
    if summary.messages and (is_full or not summary.signals):
        print_lines("")
        rows = [
            (message.bus, message.can_id, message.message, f"{message.frame_count:,}", number(message.rate_hz, 1))
            for message in (*known, *unknown[:_SHOWN_UNKNOWN])
        ]
        print_table(("bus", "id", "message", "frames", "per s"), rows, left=(0, 1, 2))
        if len(unknown) > _SHOWN_UNKNOWN:
            print_lines(f"... and {len(unknown) - _SHOWN_UNKNOWN} more without a message (--json lists all)")
    if summary.messages:
        print_lines(f"{len(known)} ids with a message in the DBC, {len(unknown)} without")
    if summary.signals:
        print_lines("")
        buses = {message.bus for message in summary.messages}
        only_bus = f"{min(buses)}/" if len(buses) == 1 and any(buses) else ""
        told = [signal for signal in summary.signals if is_full or signal.channel] or summary.signals
        signals = [
            (
                signal.signal.removeprefix(only_bus),
                signal.unit or "?",
                *([number(signal.rate_hz, 1)] if is_full else []),
                _short(signal.minimum),
                _short(signal.maximum),
                signal.channel,
            )
            for signal in told
        ]
        headings = ("signal", "unit", *(["per s"] if is_full else []), "from", "to", "could be")
        print_table(headings, signals, left=(0, 1, len(headings) - 1))
        if left := len(summary.signals) - len(told):
            print_lines(f"... and {left} more that look like no channel; every message and signal: --full")
    for note in summary.notes:
        print_lines(note)
    if summary.messages and not has_dbc:
        print_lines("", "These are raw frames: give the vehicle's DBC with --dbc FILE to see signals.")
    elif red := [flag.title for flag in shown if flag.severity == "red"]:
        print_lines("", f"RED: {'; '.join(red)}. Nothing is taken for a drive before that is put right.")
    else:
        print_lines("", "Next: logan channels LOG --write")


def _span(duration_s: float) -> str:
    return f"{duration_s / 60:.1f} min" if duration_s >= 60 else f"{duration_s:.1f} s"


def _short(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"
