"""``logan new``: make the folder of a conversion."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("new")
    def new(folder: Annotated[Path, typer.Argument(help="Folder to make.")]) -> None:
        """Make a folder for one conversion: build.toml, channels.toml and measurements.toml, explained key by key."""
        from logan.pipeline.builds import new_build

        for path in new_build(folder):
            typer.echo(f"wrote {path}")
        typer.echo("Next: put in your vehicle's numbers, then run: logan plan --build " + str(folder))
