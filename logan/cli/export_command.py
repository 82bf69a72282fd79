"""``logan export``: channels, metrics and bundles."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logan.cli.options import BuildOption, BusOption, ColumnsOption, DbcOption, FormatOption, reading_of
from logan.cli.rendering import reading_progress, say, working
from logan.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the command."""
    export = typer.Typer(help="Write channels, metrics, or a bundle to give away.", no_args_is_help=True)
    app.add_typer(export, name="export")

    @export.command("channels")
    def channels(
        drive: Annotated[str, typer.Argument(help="Number or id of the drive.")],
        output: Annotated[Path, typer.Argument(help="File to write: .csv, .parquet, .mf4; .html to zoom into.")],
        build: BuildOption = Path(),
        channel: Annotated[list[str] | None, typer.Option("--channel", "-c", help="Only this one; repeat.")] = None,
        every: Annotated[
            float | None, typer.Option("--every", help="Common period in seconds; else every sample at its own time.")
        ] = None,
    ) -> None:
        """Write a drive's channels, in SI, at their native rates."""
        from logan.pipeline.builds import open_library
        from logan.pipeline.export import export_channels

        with open_library(build) as library:
            say(f"wrote {export_channels(library.load(drive), output, channels=channel, period_s=every)}")

    @export.command("signals")
    def signals(
        drive: Annotated[str, typer.Argument(help="Number or id of the drive.")],
        output: Annotated[Path, typer.Argument(help="File to write: .csv or .parquet.")],
        build: BuildOption = Path(),
        signal: Annotated[
            list[str] | None, typer.Option("--signal", "-s", help="Only this one, such as MESSAGE.SIGNAL; repeat.")
        ] = None,
        dbc: DbcOption = None,
    ) -> None:
        """Decode signals from a stored drive's frames, mapped to a channel or not; the log is not needed."""
        from logan.pipeline.builds import open_library
        from logan.pipeline.frame_store import export_signals

        with open_library(build) as library:
            written = export_signals(library, drive, output, signals=signal, reading=reading_of(dbc, build))
        say(f"wrote {written}")

    @export.command("log")
    def log(
        logs: Annotated[list[Path], typer.Argument(help="Log files of one drive.")],
        output: Annotated[Path, typer.Option("--to", help="New folder for the Parquet files.")],
        build: BuildOption = Path(),
        dbc: DbcOption = None,
        bus: BusOption = None,
        format_name: FormatOption = None,
        columns: ColumnsOption = "",
    ) -> None:
        """Write every signal of a log to Parquet at its native rate, without importing it."""
        from logan.pipeline.frame_store import export_parquet

        with reading_progress() as progress:
            how = {"format_name": format_name, "column_layout": columns, "progress": progress}
            files = export_parquet(logs, output, reading_of(dbc, build, logs, bus, **how))
        say(f"wrote {len(files)} files to {output}")

    @export.command("metrics")
    def metrics(
        output: Annotated[Path, typer.Argument(help="File to write: .csv or .json.")],
        build: BuildOption = Path(),
        long: Annotated[bool, typer.Option("--long", help="One row per metric, with reasons of refusal.")] = False,
    ) -> None:
        """Write every metric of every drive; text that a spreadsheet would run as a formula is made harmless."""
        from logan.pipeline.builds import bring_up_to_date, find_build, open_library
        from logan.pipeline.export import export_metrics

        folder = find_build(build)
        with open_library(folder.path) as library:
            with working("looking through the drives") as told:
                bring_up_to_date(library, folder, told=told)
            say(f"wrote {export_metrics(library.drives(), output, is_long=long)}")

    @export.command("bundle")
    def bundle(
        output: Annotated[Path, typer.Argument(help="Zip file to write.")],
        drive: Annotated[list[str] | None, typer.Argument(help="Numbers or ids; all where left out.")] = None,
        build: BuildOption = Path(),
        keep_route: Annotated[
            bool, typer.Option("--keep-route", help="Keep position, but not near start and end.")
        ] = False,
        clip: Annotated[
            float | None, typer.Option("--clip", help="How near, in meters, with --keep-route.", show_default="200")
        ] = None,
        with_notes: Annotated[bool, typer.Option("--with-notes", help="Notes and tags go along.")] = False,
    ) -> None:
        """Write drives to give away: without position (or clipped round start and end), notes and log names."""
        from logan.pipeline.builds import open_library
        from logan.pipeline.export import DEFAULT_CLIP_M, export_bundle

        if clip is not None and not keep_route:
            raise UsageError("--clip says nothing where all position is taken out", "Add --keep-route")
        clip_m = (DEFAULT_CLIP_M if clip is None else clip) if keep_route else None
        with open_library(build) as library:
            written = export_bundle(library, output, drives=drive or (), clip_m=clip_m, with_notes=with_notes)
        say(f"wrote {written}")
