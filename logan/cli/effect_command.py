"""``logan effect``: did a change to the vehicle help by more than noise?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import answer, print_lines, working
from logan.errors import UsageError
from logan.wording import figure

if TYPE_CHECKING:
    from logan.pipeline.fit import ModificationEffect
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("effect")
    def effect(
        before: Annotated[str, typer.Option("--before", help="Drives before the change, such as 3,4,5.")],
        after: Annotated[str, typer.Option("--after", help="Drives after it, such as 7,8.")],
        build: BuildOption = Path(),
        as_json: JsonOption = False,
        units: UnitsOption = None,
    ) -> None:
        """Compare road load before and after a change, other conditions taken out."""
        from logan.pipeline.builds import find_build
        from logan.pipeline.refine import effect_in_build

        folder = find_build(build)
        with working("reducing drives") as told:
            found = effect_in_build(folder, drive_names(before), drive_names(after), told=told)
        answer(found, as_json, show_effect, display_units(units, build))


def drive_names(text: str) -> list[str]:
    """Names of drives from a list such as "1-4, 7"."""
    names = []
    for part in text.replace(" ", ",").split(","):
        low, dash, high = part.partition("-")
        is_span = dash and low.isdecimal() and high.isdecimal()
        if is_span and not (max(len(low), len(high)) <= 5 and int(low) <= int(high)):
            raise UsageError(f"'{part}' is no span of drives", "Give the lower number first, such as 1-4")
        names += [str(number) for number in range(int(low), int(high) + 1)] if is_span else [part]
    return [name for name in names if name]


def show_effect(found: ModificationEffect, units: DisplayUnits) -> None:
    """Print the verdict, then its numbers."""
    from logan.pipeline.refine import drives_to_see

    change = found.consumption_change
    print_lines(
        f"{found.statement[:1].upper()}{found.statement[1:]}.",
        f"Before: drives {', '.join(found.before)}; after: drives {', '.join(found.after)}.",
        f"On these drives that is {figure(change, scale=units.consumption(1.0), unit=units.consumption_label)}.",
        f"Drives of one group stray by {100.0 * found.between_drive_sigma_ratio:.1f} % from each other; speeds, hills, "
        "weather, cabin load, payload and auxiliaries have been taken out.",
        f"With such drives, seeing a change of 5 % takes {drives_to_see(0.05, found.between_drive_sigma_ratio)} "
        "before and as many after.",
    )
