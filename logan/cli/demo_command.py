"""``logan demo``: the whole job on an invented conversion."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import JsonOption
from logan.cli.rendering import answer, print_lines
from logan.units import wh_per_mi_from_wh_per_km
from logan.wording import probability

if TYPE_CHECKING:
    from logan.pipeline.demo_run import DemoOutcome


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("demo")
    def demo(
        folder: Annotated[Path, typer.Option("--folder", help="Where the demo goes.")] = Path("logan-demo"),
        as_json: JsonOption = False,
    ) -> None:
        """Drive an invented conversion whose plan is wrong, and let logan find out what it really does."""
        from logan.pipeline.demo_run import run_demo

        outcome = run_demo(folder, told=lambda words: typer.echo(words, err=as_json))
        answer(outcome, as_json, _show)


def _show(outcome: DemoOutcome) -> None:

    planned, refined, true = (
        wh_per_mi_from_wh_per_km(value)
        for value in (outcome.planned_wh_per_km, outcome.refined_wh_per_km, outcome.true_wh_per_km)
    )
    before, after = outcome.refinement.range.planned.target, outcome.refinement.range.refined.target
    miles = 1609.344
    target = outcome.refinement.range.refined.target_range_m / miles
    print_lines(
        "",
        f"At a steady 65 mph the plan said {planned:.0f} Wh/mi. The drives say {refined:.0f}. "
        f"The truth, which only the demo knows, is {true:.0f} ({100.0 * (refined / true - 1):+.1f} %).",
        f"Range there: planned {before.range_m.p50 / miles:.0f} mi, refined {after.range_m.p50 / miles:.0f} mi; "
        f"chance of the {target:.0f} mi target: planned {probability(before.probability_of_target)}, "
        f"refined {probability(after.probability_of_target)}.",
        "",
        f"Open {outcome.report} in a browser. Then try, in {outcome.folder.path}:",
        "  logan drives            what each drive used, and what was found in its data",
        "  logan drive 4           one drive in full",
        "  logan limits            closest approach to every limit",
        "  logan range             plan and refined prediction side by side",
        "  logan compare           predicted against measured, drive by drive",
        "  logan new ../my-build   and now your own",
        "",
        "The demo's vehicle is invented. On a real one read the cautions in README.md first.",
    )
