"""``logan plan``: predict range, pack and gearing before any drive, and freeze the prediction."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units, full_option
from logan.cli.range_tables import kept_back, print_budget, print_causes, print_packs, scenario_line, unsure_line
from logan.cli.rendering import answer, print_cautions, print_columns, print_lines, print_rows, working
from logan.pipeline.cautions import CAUTION_ALWAYS
from logan.wording import number

if TYPE_CHECKING:
    from logan.pipeline.plan import CertificationSheet, Plan
    from logan.results import Quantiles
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("plan")
    def plan(
        build: BuildOption = Path(),
        as_json: JsonOption = False,
        units: UnitsOption = None,
        is_full: Annotated[bool, full_option("What it rests on, and certification, too.")] = False,
        dry: Annotated[bool, typer.Option("--dry", help="Show only; do not freeze to a file.")] = False,
        known: Annotated[
            list[str] | None,
            typer.Option("--known", help="Measured at the wall: 'UDDS=350 Wh/mi' or 'HWFET=117 MPGe'; again for both."),
        ] = None,
        seed: Annotated[int, typer.Option("--seed", help="Seed of the samples.", min=0)] = 1,
    ) -> None:
        """Predict consumption, range and pack from the build's assumptions, and freeze it to a dated file."""
        import numpy as np

        from logan.pipeline.builds import find_build
        from logan.pipeline.plan import make_plan
        from logan.pipeline.plan_files import freeze_plan

        folder = find_build(build)
        shown = display_units(units, build)
        settings = folder.settings()
        with working("predicting"):
            made = make_plan(settings, np.random.default_rng(seed), known=known or ())
        frozen = None if dry else freeze_plan(made, folder.plans)
        answer(made, as_json, show_plan, shown, is_full=is_full)
        if frozen is not None:
            if as_json:
                typer.echo(f"frozen to {frozen}", err=True)
            else:
                print_lines(f"Frozen to {frozen}; later comparisons read it and nothing overwrites it.")


def show_plan(plan: Plan, units: DisplayUnits, *, is_full: bool = False, first: str = "") -> None:
    """Print a plan: what was asked and the target first, the scenarios, the packs; then what it rests on."""
    from logan.pipeline.drive_tables import of_range

    prediction = plan.prediction
    for scenario in sorted(prediction.scenarios, key=lambda one: one.name != first):
        if scenario.name in (first, prediction.target_scenario):
            print_lines(scenario_line(scenario, prediction.target_range_m, units))
    print_lines(
        f"Plan for {plan.build_name}, {plan.created_at[:10]}, before any drive; {kept_back(prediction)}.",
        *([unsure_line(plan.budget, units)] if plan.budget is not None else []),
    )
    print_columns(of_range.scenario_table(prediction, None, units, first), 4)
    print_packs(plan.sizing, units)
    if plan.certification is not None and (is_full or plan.certification.known):
        print_lines("")
        _print_certification(plan.certification, units)
    if is_full:
        print_causes(prediction.scenarios, units)
        print_lines("")
        if plan.budget is not None:
            print_budget(plan.budget, units)
            print_lines("")
        print_columns(of_range.assumption_table(plan.assumptions, units, "What it rests on"))
        print_lines(*(f"Left out: {reason}." for reason in plan.left_out))
        print_lines("", *([f"Note: {plan.air}."] if plan.air else []))
    else:
        print_lines("What it rests on, as a certification would find it: --full; gearing: logan gearing")
    print_cautions(CAUTION_ALWAYS)


def _print_certification(sheet: CertificationSheet, units: DisplayUnits) -> None:
    """UDDS and HWFET at the pack and the wall, each with the interval of 9 cases in 10."""

    def span(of: Quantiles, factor: float = 1.0) -> str:
        return f"{number(of.p50 / factor)} ({number(of.p05 / factor)}-{number(of.p95 / factor)})"

    wh = units.metres / 1000.0
    used = units.consumption_label
    print_rows(
        sheet.schedules,
        ("schedule", lambda one: one.name.upper() if one.name != "combined" else "combined 55/45"),
        (f"pack {used}", lambda one: span(one.pack.scaled(wh, ""))),
        (f"wall {used}", lambda one: span(one.wall.scaled(wh, ""))),
        ("MPGe", lambda one: span(one.mpge)),
        (units.distance, lambda one: span(one.range_m, units.metres)),
        title="As a certification would find it, and 90 % interval (SAE J1634, second-hand)",
    )
    label, factor = sheet.label_range_m, sheet.recharge_ratio.p50
    note = (
        f"Label range about {number(label.p50 / units.metres)} {units.distance} (x 0.7); wall over pack {factor:.2f}."
    )
    if sheet.known:
        note += f" Learned from what was measured: {', '.join(sheet.known)}."
    note += " Efficiencies are those of new cars where you give none: a conversion may lie outside."
    print_lines(note)
