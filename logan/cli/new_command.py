"""``logan new``: make the folder of a conversion."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from logan.cli.options import UnitsOption, display_units


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("new")
    def new(folder: Annotated[Path, typer.Argument(help="Folder to make.")], units: UnitsOption = None) -> None:
        """Make a folder for one conversion: build.toml, channels.toml and measurements.toml, explained key by key."""
        from logan.pipeline.builds import new_build

        if units is None:
            units = units_of_locale()
            if not units and sys.stdin.isatty():
                units = typer.prompt("Units: us (miles, pounds, °F) or metric", default="metric")
        shown = display_units(units or "us", folder)
        for path in new_build(folder, shown):
            typer.echo(f"wrote {path}")
        typer.echo(f"Next: put in your vehicle's numbers, in any unit ({shown.typed()} is shown), then:")
        typer.echo(f"logan plan --build {folder}")


def units_of_locale() -> str:
    """The US system where the locale is American, or says nothing; empty elsewhere."""
    for name in ("LC_ALL", "LC_MEASUREMENT", "LANG"):
        if chosen := os.environ.get(name, ""):
            return "us" if chosen.split(".")[0] in ("en_US", "es_US", "C", "POSIX") else ""
    return "us"
