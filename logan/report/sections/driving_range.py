"""Range: every scenario, why the prediction moved, what it hangs on, and the pack that it takes."""

from __future__ import annotations

from collections.abc import Sequence

from logan.driving_range.attribution import Attribution
from logan.driving_range.prediction import ScenarioRange
from logan.driving_range.sizing import PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.report.figures.consumption import cause_figure, speed_figure
from logan.report.figures.driving_range import range_figure, unsure_figure
from logan.report.inputs import Block, FigureBlock, ReportInputs, Section, TableBlock, Words
from logan.units import DisplayUnits
from logan.wording import (
    budget_sum,
    budget_table,
    consumption_text,
    distance,
    number,
    parameter_text,
    parameter_words,
    probability,
    range_text,
    signed,
)


def range_section(inputs: ReportInputs) -> Section:
    """Every scenario, why the prediction moved, what makes it unsure, what it uses, and the pack that it takes."""
    units, fitted = inputs.units, inputs.fitted
    refined = fitted.refined if fitted else None
    runs = [(drive.label, run) for drive in inputs.drives for run in drive.calibration.steady_runs]
    hull = fitted.fit.hull if fitted else None
    beyond = " " if refined and any(scenario.is_extrapolated for scenario in refined.scenarios) else ""
    sizing = fitted.sizing if fitted else inputs.plan_sizing
    speed = speed_figure(inputs.plan_curve, fitted.curve if fitted else None, runs, units, hull)
    blocks: list[Block] = [
        FigureBlock(
            figure=range_figure(inputs.plan, refined, units),
            note="Marks are the middle of the prediction, lines hold the truth eight times in ten."
            + (
                f"{beyond}Not driven like that: {'; '.join(_beyond(inputs))}; the interval is widened."
                if beyond
                else ""
            ),
        ),
    ]
    if fitted:
        blocks.append(_attribution_table(fitted.attribution, inputs))
    blocks += [
        *unsure_blocks(inputs),
        FigureBlock(figure=speed, note=speed.detail),
        FigureBlock(figure=cause_figure(refined or inputs.plan, units)),
        pack_table(sizing, units),
        Words(lines=(pack_needs(sizing),)),
    ]
    return Section(anchor="range", title="Range", blocks=tuple(blocks))


def _beyond(inputs: ReportInputs) -> list[str]:
    refined = inputs.fitted.refined if inputs.fitted else inputs.plan
    return [
        f"{scenario.name} ({scenario.note.split(':')[0]})" for scenario in refined.scenarios if scenario.is_extrapolated
    ]


def unsure_blocks(inputs: ReportInputs, most: int = 7) -> list[Block]:
    """What makes the range unsure, drawn."""
    return [] if inputs.budget is None else [FigureBlock(figure=unsure_figure(inputs.budget, inputs.units, most=most))]


def range_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """What changed, the uncertainty budget, and where every scenario's energy goes."""
    shown = inputs.fitted.refined if inputs.fitted else inputs.plan
    blocks: list[Block] = [_scenario_table(inputs), cause_table(shown.scenarios, inputs.units)]
    if inputs.budget is not None:
        blocks.append(_budget_table(inputs.budget, inputs))
    return (Section(anchor="range-tables", title="Range in figures", blocks=tuple(blocks), length=3),)


def cause_table(scenarios: Sequence[ScenarioRange], units: DisplayUnits) -> TableBlock:
    """Where the energy of each scenario goes, at the median assumptions."""
    rows = []
    for scenario in scenarios:
        found = scenario.breakdown
        causes = (
            found.rolling_wh_per_km,
            found.air_wh_per_km,
            found.hills_wh_per_km + found.speed_change_wh_per_km,
            found.friction_brakes_wh_per_km,
            found.drivetrain_loss_wh_per_km + found.regen_loss_wh_per_km,
            found.auxiliary_wh_per_km,
            found.cabin_climate_wh_per_km,
        )
        rows.append((scenario.name, *(number(units.consumption(float(cause[0]))) for cause in causes)))
    return TableBlock(
        headings=("scenario", "rolling", "air", "hills", "brakes", "losses", "aux", "cabin"),
        rows=tuple(rows),
        caption=f"Where it goes, {units.consumption_label} at the pack terminals",
    )


def _attribution_table(attribution: Attribution, inputs: ReportInputs) -> TableBlock:
    units = inputs.units
    rows = tuple(
        (
            parameter_words(step.name),
            parameter_text(step.name, step.before, units, step.unit),
            parameter_text(step.name, step.after, units, step.unit),
            f"{signed(step.range_change_m / units.metres, 1)} {units.distance}",
        )
        for step in attribution.steps
        if abs(step.range_change_m) >= 0.002 * attribution.range_before_m
    )
    return TableBlock(
        headings=("assumption", "planned", "refined", "moves the range by"),
        rows=rows,
        caption=f"What the drives changed, for '{attribution.scenario}'",
        explanations=("", "", "", "mean effect over every order in which the assumptions can be changed; they add up"),
    )


def _budget_table(budget: UncertaintyBudget, inputs: ReportInputs) -> TableBlock:
    """The uncertainty budget as JCGM 100 lays it out."""
    headings, rows = budget_table(budget, inputs.units)
    return TableBlock(
        headings=headings,
        rows=tuple(rows),
        caption=f"Uncertainty budget (JCGM 100), {budget.quantity}. {budget_sum(budget, inputs.units)}",
        explanations=("", "A: statistics of own drives; B: anything else", "", "", "one standard uncertainty", "", ""),
    )


def _scenario_table(inputs: ReportInputs) -> TableBlock:
    units = inputs.units
    refined = inputs.fitted.refined if inputs.fitted else None
    rows = []
    for planned in inputs.plan.scenarios:
        row = [planned.name, consumption_text(planned.consumption, units), range_text(planned.range_m, units)]
        if refined is not None:
            after = refined.scenario(planned.name)
            row += [consumption_text(after.consumption, units), range_text(after.range_m, units)]
        row.append(probability((refined.scenario(planned.name) if refined else planned).probability_of_target))
        row.append((refined.scenario(planned.name) if refined else planned).note)
        rows.append(tuple(row))
    headings = ["scenario", f"plan {units.consumption_label}", f"plan range {units.distance}"]
    explanations = ["", "net at the pack terminals, 50 % point (10 to 90 %)", "reserve and aging taken off"]
    if refined is not None:
        headings += [f"refined {units.consumption_label}", f"refined range {units.distance}"]
        explanations += ["the same from plan and drives", "the same from plan and drives"]
    headings += [f"chance of {distance(inputs.plan.target_range_m, units)}", "note"]
    explanations += ["counted over 10,000 samples of everything that is uncertain", ""]
    return TableBlock(
        headings=tuple(headings), rows=tuple(rows), caption="Every scenario", explanations=tuple(explanations)
    )


def pack_table(sizing: PackSizing, units: DisplayUnits) -> TableBlock:
    """Packs that can be built, each with its own weight carried."""
    has_cost = any(choice.cost is not None for choice in sizing.choices)
    rows = tuple(
        (
            choice.name + (" *" if choice.is_in_the_build else ""),
            f"{choice.cells_in_series}s{choice.cells_in_parallel}p"
            + (f", {choice.modules} mod." if choice.modules else ""),
            number(choice.usable_energy_wh / 1000.0, 1),
            units.shown(choice.mass_kg, "weight", digits=3).split()[0],
            number(units.consumption(choice.consumption_wh_per_km)),
            number(choice.range_m.p50 / units.metres) if choice.range_m.p50 < float("inf") else "no end",
            probability(choice.probability_of_target),
            *((number(choice.cost),) if has_cost else ()),
        )
        for choice in sizing.choices
    )
    weight = units.unit_of("weight")
    headings = ("pack", "cells", "usable kWh", weight, units.consumption_label, units.distance, "chance")
    return TableBlock(
        headings=(*headings, *(("cost",) if has_cost else ())),
        rows=rows,
        caption="Packs that can be built, each carrying its own weight; * in the build",
    )


def pack_needs(sizing: PackSizing) -> str:
    """Usable energy that the target needs, by chance."""
    needs = ", ".join(
        f"{probability(size.confidence_ratio)}: "
        + (f"{size.usable_energy_wh / 1000.0:.1f} kWh" if size.is_reachable else "no pack")
        for size in sizing.sizes
    )
    return (
        f"Usable energy that the target needs, by chance of making it: {needs}. Halving what is not known about "
        f"consumption would save {sizing.saved_by_halving_uncertainty_wh / 1000.0:.1f} kWh "
        f"at {probability(sizing.sizes[-1].confidence_ratio)}."
    )
