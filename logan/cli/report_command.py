"""``logan report``: everything in one HTML file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_json, print_lines, working
from logan.errors import UsageError


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("report")
    def report(
        build: BuildOption = Path(),
        out: Annotated[Path | None, typer.Option("--out", "-o", help="File to write.", show_default="reports/")] = None,
        drive: Annotated[str | None, typer.Option("--drive", help="One drive, by number.")] = None,
        certificate: Annotated[
            bool, typer.Option("--certificate", help="Two sheets for the owner: what was validated, and how.")
        ] = False,
        as_json: JsonOption = False,
        units: UnitsOption = None,
    ) -> None:
        """Write one self-contained HTML file: one page with the answer, the argument, and all tables."""
        from logan.pipeline.builds import find_build
        from logan.pipeline.reporting import gather_report, write_build_report

        if drive is not None and certificate:
            raise UsageError("--drive and --certificate exclude each other", "Give one of them")
        folder = find_build(build)
        shown = display_units(units, build)
        if as_json:
            with working("gathering"):
                inputs = gather_report(folder, units=shown, drive=drive, with_timelines=False)
            print_json(inputs)
            return
        kind = "certificate" if certificate else "report"
        name = f"{kind if drive is None else f'drive-{drive}'}.html"
        with working("writing the report"):
            path = write_build_report(
                folder,
                out or folder.reports / name,
                units=shown,
                drive=drive,
                kind="certificate" if certificate else "build",
            )
        print_lines(f"wrote {path} ({path.stat().st_size / 1e6:.1f} MB); it opens offline and prints")
