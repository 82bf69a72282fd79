"""Range: every scenario, why the prediction moved, what it hangs on, and the pack that it takes."""

from __future__ import annotations

from logan.driving_range.attribution import Attribution
from logan.driving_range.sizing import PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.report.document import Block, FigureBlock, Section, TableBlock, Words
from logan.report.figures.consumption import breakdown_rows, cause_figure, speed_figure
from logan.report.figures.driving_range import range_figure, unsure_figure
from logan.report.inputs import ReportInputs
from logan.wording import (
    budget_sum,
    budget_table,
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
    """Every scenario, why the prediction moved, what makes it unsure, what it uses, and the pack that it takes."""
    units, fitted = inputs.units, inputs.fitted
    refined = fitted.refined if fitted else None
    runs = [(drive.label, run) for drive in inputs.drives for run in drive.calibration.steady_runs]
    hull = fitted.fit.hull if fitted else None
    beyond = " " if refined and any(scenario.is_extrapolated for scenario in refined.scenarios) else ""
    speed = speed_figure(inputs.plan_curve, fitted.curve if fitted else None, runs, units, hull)
    blocks: list[Block] = [
        FigureBlock(
            figure=range_figure(inputs.plan, refined, units),
            note="Marks are the middle of the prediction, lines hold the truth eight times in ten."
            + (
                f"{beyond}Not driven like that: {', '.join(_beyond(inputs))}; the interval is widened."
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
        _pack_table(fitted.sizing if fitted else inputs.plan_sizing, inputs),
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
    blocks: list[Block] = [_scenario_table(inputs), _cause_table(inputs)]
    if inputs.budget is not None:
        blocks.append(_budget_table(inputs.budget, inputs))
    return (Section(anchor="range-tables", title="Range in figures", blocks=tuple(blocks), length=3),)


def _cause_table(inputs: ReportInputs) -> TableBlock:
    shown, units = inputs.fitted.refined if inputs.fitted else inputs.plan, inputs.units
    causes = [(scenario.name, breakdown_rows(scenario.breakdown)) for scenario in shown.scenarios]
    return TableBlock(
        headings=("scenario", *(name for name, _ in causes[0][1])),
        rows=tuple((name, *(number(units.consumption(value)) for _, value in row)) for name, row in causes),
        caption=f"Where the energy goes, by scenario [{units.consumption_label}]",
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
