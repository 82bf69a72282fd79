"""Range: every scenario, why the prediction moved, what it hangs on, and the pack that it takes."""

from __future__ import annotations

from logan.driving_range.attribution import Attribution
from logan.driving_range.sizing import PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.report.document import Block, FigureBlock, Section, TableBlock, Words
from logan.report.figures.consumption import cause_figure, speed_figure
from logan.report.figures.driving_range import attribution_figure, range_figure, tornado_figure
from logan.report.inputs import ReportInputs
from logan.wording import (
    consumption_text,
    distance,
    number,
    parameter_text,
    parameter_words,
    percent,
    probability,
    range_text,
    signed,
    temperature_text,
)


def range_section(inputs: ReportInputs) -> Section:
    """Plan and refined prediction side by side."""
    units, fitted = inputs.units, inputs.fitted
    refined = fitted.refined if fitted else None
    shown = refined or inputs.plan
    blocks: list[Block] = [
        FigureBlock(
            title="Range by scenario",
            figure=range_figure(inputs.plan, refined, units),
            note="Line: 10 to 90 %. Mark: 50 %. The target's scenario is in bold. "
            "* lies outside the speeds or temperatures driven: the interval is "
            "widened."
            if refined
            else "Line: 10 to 90 %. Mark: 50 %. From the plan alone.",
        ),
        _scenario_table(inputs),
    ]
    if fitted:
        blocks += [
            FigureBlock(title="Why the prediction moved", figure=attribution_figure(fitted.attribution, units)),
            _attribution_table(fitted.attribution, inputs),
            _budget_table(fitted.budget, inputs),
        ]
    blocks += [
        FigureBlock(
            title="Consumption against speed",
            figure=speed_figure(
                inputs.plan_curve,
                fitted.curve if fitted else None,
                [drive.ledger for drive in inputs.drives],
                units,
            ),
        ),
        FigureBlock(title="Where the energy goes, by scenario", figure=cause_figure(shown, units)),
        FigureBlock(
            title="What the answer hangs on: one standard uncertainty of each assumption",
            figure=tornado_figure(fitted.tornado if fitted else inputs.plan_tornado, units),
        ),
        _pack_table(fitted.sizing if fitted else inputs.plan_sizing, inputs),
    ]
    return Section(anchor="range", title="Range", blocks=tuple(blocks))


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
    )
    return TableBlock(
        headings=("assumption", "planned", "refined", "moves the range by"),
        rows=rows,
        caption=f"What changed, for '{attribution.scenario}'",
        explanations=("", "", "", "mean effect over every order in which the assumptions can be changed; they add up"),
        is_long=True,
    )


def _budget_table(budget: UncertaintyBudget, inputs: ReportInputs) -> TableBlock:
    """The uncertainty budget as JCGM 100 lays it out."""
    units = inputs.units
    rows = tuple(
        (
            parameter_words(row.source),
            row.evaluation,
            f"{row.sigma:.2g} {row.unit}",
            f"{row.sensitivity / units.metres:.2g} {units.distance}/{row.unit}",
            number(row.contribution / units.metres, 1),
            "∞" if row.degrees_of_freedom > 1e5 else number(row.degrees_of_freedom),
            row.basis,
        )
        for row in budget.rows
        if row.contribution > 0.005 * budget.combined
    )
    mile = units.distance
    return TableBlock(
        headings=("source", "type", "std uncertainty", "sensitivity", mile, "degrees of freedom", "basis"),
        rows=rows,
        caption=f"Uncertainty budget (JCGM 100), {budget.quantity}: combined "
        f"{number(budget.combined / units.metres, 1)} {mile}, {number(budget.value / units.metres)} "
        f"± {number(budget.expanded / units.metres, 1)} {mile} ({percent(budget.level_ratio)})",
        explanations=("", "A: statistics of own drives; B: anything else", "", "", "one standard uncertainty", "", ""),
        is_long=True,
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
    explanations = ["", "net at the pack terminals, 50 % point (10 to 90 %)", "reserve and ageing taken off"]
    if refined is not None:
        headings += [f"refined {units.consumption_label}", f"refined range {units.distance}"]
        explanations += ["the same from plan and drives", "the same from plan and drives"]
    headings += [f"chance of {distance(inputs.plan.target_range_m, units)}", "note"]
    explanations += ["counted over 10,000 samples of everything that is uncertain", ""]
    return TableBlock(
        headings=tuple(headings), rows=tuple(rows), caption="Every scenario", explanations=tuple(explanations)
    )


def _pack_table(sizing: PackSizing, inputs: ReportInputs) -> Words | TableBlock:
    units = inputs.units
    needs = ", ".join(
        f"{percent(size.confidence_ratio)} {size.usable_energy_wh / 1000:.1f} kWh" if size.is_reachable else "no pack"
        for size in sizing.sizes
    )
    return TableBlock(
        headings=("pack", "cells", "usable kWh", "weight", units.consumption_label, "range", "chance", "cost"),
        rows=tuple(
            (
                choice.name + (" (built)" if choice.is_in_the_build else ""),
                f"{choice.cells_in_series}s{choice.cells_in_parallel}p"
                + (f", {choice.modules} modules" if choice.modules else ""),
                f"{choice.usable_energy_wh / 1000:.1f}",
                units.shown(choice.mass_kg, "weight", digits=3),
                f"{units.consumption(choice.consumption_wh_per_km):.0f}",
                distance(choice.range_m.p50, units),
                probability(choice.probability_of_target),
                number(choice.cost),
            )
            for choice in sizing.choices
        ),
        caption=f"Packs that can be built, for {distance(sizing.target_range_m, units)} in '{sizing.scenario}'",
        explanations=(
            f"usable energy that the target needs, by chance: {needs}; knowing consumption twice as well would save "
            f"{sizing.saved_by_halving_uncertainty_wh / 1000:.1f} kWh at the highest",
            "whole strings and modules",
            f"at {temperature_text(25.0, units)}",
            "of the pack by its specific energy",
            "with its own weight",
            f"reserve {percent(sizing.reserve_ratio)} and aging {percent(sizing.ageing_ratio)} taken off",
            "of the target",
            "of nominal energy, where a price is given",
        ),
    )
