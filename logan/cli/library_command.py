"""``logan library``: look after the drives that are stored."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logan.cli import options as opt
from logan.cli.import_command import show_drive
from logan.cli.rendering import print_json, print_lines, print_table, say, working


def register(app: typer.Typer) -> None:
    """Add the command."""
    library = typer.Typer(help="Check, rebuild and tidy the stored drives.", no_args_is_help=True)
    app.add_typer(library, name="library")

    @library.command("check")
    def check(build: opt.BuildOption = Path(), as_json: opt.JsonOption = False) -> int:
        """Read every stored file, say what is damaged (exit code 2) and which drives are there twice."""
        from logan.pipeline.builds import check_library

        report = check_library(build)
        if as_json:
            print_json(report)
        else:
            say(f"whole: {report.drive_count} drives, {report.raw_count} frame files, {report.log_count} logs")
            if report.damage:
                rows = [(entry.file, entry.problem, entry.remedy) for entry in report.damage]
                print_table(("file", "what is wrong", "what to do"), rows, left=(0, 1, 2))
            for repeat in report.repeats:
                words = "are the same drive" if repeat.is_same else f"overlap by {repeat.overlap_s:.0f} s"
                print_lines(
                    f"Drives {repeat.first} and {repeat.second} {words}: the fit counts them both. Take one out with: "
                    f"logan library remove N, or leave it out of the fit with: logan drive N --exclude --why ..."
                )
        return 0 if report.is_whole else 2

    @library.command("decode")
    def decode(
        drives: Annotated[
            list[str] | None, typer.Argument(help="Numbers or ids; all whose frames were kept where left out.")
        ] = None,
        build: opt.BuildOption = Path(),
        dbc: opt.DbcOption = None,
        left_out: opt.LeftOutOption = None,
        zero_current: opt.ZeroCurrentOption = False,
        as_json: opt.JsonOption = False,
        units: opt.UnitsOption = None,
    ) -> None:
        """Make drives anew by today's channels.toml and DBCs, from the frames that are kept; no log is needed."""
        from logan.pipeline.builds import find_build
        from logan.pipeline.frame_store import decode_again
        from logan.pipeline.importing import corrections_but

        with working("decoding again") as told:
            made = decode_again(
                find_build(build),
                drives or (),
                reading=opt.reading_of(dbc, build),
                analysis=corrections_but(left_out or (), zero_current=zero_current),
                told=told,
            )
        if as_json:
            print_json({"schema": "imported-drives/1", "drives": made})
            return
        for drive in made:
            show_drive(drive, opt.display_units(units, build))
        if not made:
            print_lines("No drive keeps its frames; import the logs again: logan import LOG --again")

    @library.command("rebuild")
    def rebuild(build: opt.BuildOption = Path()) -> None:
        """Make the index again from the drive files alone."""
        from logan.pipeline.builds import rebuild_library

        say(f"index made again: {rebuild_library(build)} drives")

    @library.command("remove")
    def remove(
        drive: Annotated[str, typer.Argument(help="Number or id of the drive.")],
        build: opt.BuildOption = Path(),
        yes: opt.YesOption = False,
    ) -> None:
        """Take a drive out for good, with its frames, notes and kept logs."""
        from logan.pipeline.builds import open_library, remove_drive

        with open_library(build) as opened:
            record = opened.record(drive)
        names = ", ".join(source.name for source in record.sources)
        if not yes:
            typer.confirm(f"Remove drive {record.number} ({names}) for good?", abort=True)
        remove_drive(build, record.id)
        say(f"removed drive {record.number}")
