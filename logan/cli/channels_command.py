"""``logan channels``: find which signal is which channel, accept it, edit it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli import options as opt
from logan.cli.rendering import print_all, print_json, print_lines, print_table, reading_progress
from logan.errors import UsageError
from logan.units import plain_number
from logan.wording import percent

if TYPE_CHECKING:
    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.channels import AcceptedChannels, Candidate, Suggestion
    from logan.settings import ChannelMap


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("channels")
    def channels(
        files: Annotated[
            list[Path] | None, typer.Argument(help="A log, or DBCs alone; without one, the build's map is shown.")
        ] = None,
        dbc: opt.DbcOption = None,
        bus: opt.BusOption = None,
        build: opt.BuildOption = Path(),
        drive: Annotated[
            str | None, typer.Option("--drive", help="Number or id of a stored drive, in place of a log.")
        ] = None,
        write: Annotated[
            bool, typer.Option("--write", help="Accept what is sure into channels.toml; your comments stay.")
        ] = False,
        accept: Annotated[
            list[str] | None,
            typer.Option("--accept", help="Accept one channel, or choose its signal: speed, or speed=MESSAGE.SIGNAL."),
        ] = None,
        change: Annotated[
            list[str] | None, typer.Option("--set", help="Change a key: pack_current.sign=-1, speed.unit=km/h.")
        ] = None,
        remove: Annotated[list[str] | None, typer.Option("--remove", help="Take a channel out of the map.")] = None,
        catalogue: Annotated[
            bool, typer.Option("--catalog", "--catalogue", help="List every channel that there is.")
        ] = False,
        format_name: opt.FormatOption = None,
        columns: opt.ColumnsOption = "",
        as_json: opt.JsonOption = False,
        is_full: opt.FullOption = False,
    ) -> None:
        """Suggest which signal is which channel, with the evidence; list, accept and edit the map."""
        from logan.pipeline.builds import find_build, open_library
        from logan.pipeline.channels import (
            FoundChannels,
            accept_channels,
            edit_channels,
            mapped_channels,
            suggest_channels,
        )
        from logan.pipeline.look import look_at_drive

        if catalogue:
            _show_catalogue(as_json=as_json)
            return
        if write or accept or drive is not None:
            opt.refuse_both(files, drive)
        if files or drive is not None:
            reading = opt.reading_of(dbc, build, files, bus, format_name=format_name, column_layout=columns)
            if drive is not None:
                with open_library(build) as library:
                    found = FoundChannels.of(look_at_drive(library, drive, reading))
            else:
                with reading_progress() as progress:
                    found = suggest_channels(files or (), replace(reading, progress=progress))
            if write or accept:
                chosen = _pairs(accept or (), "--accept") if accept else None
                _show_outcome(find_build(build), accept_channels(find_build(build), found, chosen=chosen), as_json)
            else:
                _show_suggestions(found.suggestions, as_json=as_json)
        if change or remove:
            edit_channels(find_build(build), changes=_pairs(change or (), "--set", "="), removed=remove or ())
        if change or remove or not (files or drive):
            _show_map(mapped_channels(find_build(build)), as_json=as_json)
        if (write or accept or change or remove) and not as_json:
            _show_what_follows(find_build(build))


def _pairs(texts: Sequence[str], option: str, needs: str = "") -> dict[str, str]:
    pairs = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if needs and not equals:
            raise UsageError(f"{option} {text}: no value is given", f"Write it as {option} pack_current.sign=-1")
        pairs[name.strip()] = value.strip()
    return pairs


def _show_catalogue(*, as_json: bool) -> None:
    from logan.pipeline.channels import catalogue

    print_all(True)
    kinds = catalogue()
    if as_json:
        print_json({"schema": "channel-catalogue/1", "channels": kinds})
    else:
        print_table(("channel", "unit", "meaning"), [(k.name, k.unit, k.meaning) for k in kinds], left=(0, 1, 2))


def _show_suggestions(found: Sequence[Suggestion], *, as_json: bool) -> None:

    if as_json:
        print_json({"schema": "channel-suggestions/1", "suggestions": found})
        return
    if not found:
        print_lines("No signal looks like a channel; name one: logan channels LOG --accept speed=SIGNAL")
        return
    sure = [suggestion for suggestion in found if suggestion.is_sure]
    asked = [suggestion for suggestion in found if not suggestion.is_sure]
    for title, group in ((f"sure ({len(sure)})", sure), (f"to be decided by you ({len(asked)})", asked)):
        print_lines(*([title] if group else []))
        for suggestion in group:
            print_lines(f"{suggestion.channel}{'   (cannot be told apart: choose)' if suggestion.is_tie else ''}")
            for candidate in suggestion.candidates[: 1 if suggestion.is_sure else 3]:
                _show_candidate(candidate)
    print_lines("", "Accept what is sure with --write, or one with --accept CHANNEL=SIGNAL")


def _show_candidate(candidate: Candidate) -> None:

    sign = ", sign turned round" if candidate.sign < 0 else ""
    print_lines(f"  {percent(candidate.score):>5}  {candidate.signal}  [{candidate.unit or 'unit not declared'}{sign}]")
    doubt = [f"ask: {candidate.doubt}"] if candidate.doubt else []
    print_lines(f"        {'; '.join([*candidate.evidence, *doubt])}")
    _show_sample(candidate)


def _show_sample(candidate: Candidate) -> None:

    if candidate.sample:
        print_lines(f"        over time: {' '.join(map(plain_number, candidate.sample))}")


def _show_outcome(folder: BuildFolder, outcome: AcceptedChannels, as_json: bool) -> None:

    if as_json:
        print_json(outcome)
        return
    print_lines(f"{len(outcome.written)} channels written to {folder.channels_file}")
    for source in outcome.written:
        print_lines(f"  {source.channel}: {source.signal}" + (", sign turned round" if source.sign < 0 else ""))
    for channel, before in outcome.replaced:
        print_lines(f"  {channel} was {before}; to have it back: --accept {channel}={before}")
    if outcome.kept:
        print_lines(f"left as they were: {', '.join(outcome.kept)}")
    for tie in outcome.open_ties:
        options = " or ".join(c.signal for c in tie.candidates if c.score > tie.candidates[0].score - 0.04)
        print_lines(f"{tie.channel}: cannot be told apart; choose with --accept {tie.channel}=SIGNAL ({options})")
    for unsure in outcome.unsure:
        best = unsure.candidates[0]
        print_lines(
            f"{unsure.channel}: perhaps {best.signal} ({percent(best.score)}): {best.doubt or 'not sure'}; "
            f"accept it with --accept {unsure.channel}"
        )
        _show_sample(best)
    for bare in outcome.without_unit:
        print_lines(
            f"{bare.channel}: {bare.candidates[0].signal} declares no unit; accept it with "
            f"--accept {bare.channel} --set {bare.channel}.unit=UNIT"
        )


def _show_what_follows(folder: BuildFolder) -> None:
    """Drives were made by the map as it was; say how to bring them up to date."""
    from logan.pipeline.builds import drives_kept_raw

    if count := drives_kept_raw(folder):
        print_lines(f"Stored drives follow the old map ({count}); make them anew: logan library decode")


def _show_map(channel_map: ChannelMap, *, as_json: bool) -> None:

    if as_json:
        print_json({"schema": "channel-map/1", "channels": channel_map.sources})
    elif not channel_map.sources:
        print_lines("No channel is mapped yet. Find them with: logan channels LOG --write")
    else:
        rows = [
            (source.channel, source.signal, source.unit or "as declared", "-" if source.sign < 0 else "+")
            for source in channel_map.sources
        ]
        print_table(("channel", "signal", "unit", "sign"), rows, left=(0, 1, 2))
