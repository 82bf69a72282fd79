"""Range: every scenario, why the prediction moved, what it hangs on, and the pack that it takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from logan.driving_range.attribution import Attribution
from logan.driving_range.other_values import Assumption
from logan.driving_range.prediction import RangePrediction, ScenarioRange
from logan.driving_range.sizing import PackChoice, PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.report.figures.consumption import cause_figure, speed_figure
from logan.report.figures.driving_range import range_figure, unsure_figure
from logan.report.inputs import Block, FigureBlock, ReportInputs, Section, TableBlock, Words, table
from logan.units import DisplayUnits
from logan.wording import (
    budget_sum,
    budget_table,
    consumption_text,
    distance,
    endless,
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
        blocks += attribution_table(fitted.attribution, units)
    blocks += [
        *unsure_blocks(inputs),
        FigureBlock(figure=speed, note=speed.detail),
        FigureBlock(figure=cause_figure(refined or inputs.plan, units)),
        *pack_table(sizing, units),
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
    refined = inputs.fitted.refined if inputs.fitted else None
    scenarios = (refined or inputs.plan).scenarios
    blocks: list[Block] = [*scenario_table(inputs.plan, refined, inputs.units), *cause_table(scenarios, inputs.units)]
    if inputs.budget is not None:
        blocks.append(_budget_table(inputs.budget, inputs.units))
    return (Section(anchor="range-tables", title="Range in figures", blocks=tuple(blocks), length=3),)


def cause_table(scenarios: Sequence[ScenarioRange], units: DisplayUnits) -> list[TableBlock]:
    """Where the energy of each scenario goes, at the median assumptions."""

    def cause(*names: str) -> Callable[[ScenarioRange], str]:
        return lambda one: number(units.consumption(sum(float(getattr(one.breakdown, name)[0]) for name in names)))

    return table(
        scenarios,
        ("scenario", lambda one: one.name),
        ("rolling", cause("rolling_wh_per_km")),
        ("air", cause("air_wh_per_km")),
        ("hills", cause("hills_wh_per_km", "speed_change_wh_per_km")),
        ("brakes", cause("friction_brakes_wh_per_km")),
        ("losses", cause("drivetrain_loss_wh_per_km", "regen_loss_wh_per_km")),
        ("aux", cause("auxiliary_wh_per_km")),
        ("cabin", cause("cabin_climate_wh_per_km")),
        caption=f"Where it goes, {units.consumption_label} at the pack terminals",
    )


def attribution_table(attribution: Attribution, units: DisplayUnits, count: int = 99) -> list[TableBlock]:
    """What the drives changed, the largest steps first; they add up."""
    used, mile = units.consumption_label, units.distance
    reach = " to ".join(endless(metres, units) for metres in (attribution.range_before_m, attribution.range_after_m))
    return table(
        attribution.steps[:count],
        ("assumption", lambda step: parameter_words(step.name)),
        ("plan", lambda step: parameter_text(step.name, step.before, units, step.unit)),
        ("now", lambda step: parameter_text(step.name, step.after, units, step.unit)),
        (used, lambda step: signed(units.consumption(step.consumption_change_wh_per_km), 1)),
        (mile, lambda step: signed(step.range_change_m / units.metres, 1)),
        caption=f"Why '{attribution.scenario}' moved from {reach} {mile}, at the medians; all steps add up",
        meaning={mile: "mean effect over every order in which the assumptions can be changed"},
    )


def assumption_table(rows: Sequence[Assumption], units: DisplayUnits, caption: str) -> list[TableBlock]:
    """Planning values as they were typed, else with one standard uncertainty, and where each comes from."""
    return table(
        rows,
        ("assumption", lambda row: parameter_words(row.name)),
        ("value", lambda row: row.typed or parameter_text(row.name, row.value, units, row.unit, sigma=row.sigma)),
        ("source", lambda row: row.source),
        caption=caption,
        meaning={"value": "yours as typed, ± one standard uncertainty"},
    )


def _budget_table(budget: UncertaintyBudget, units: DisplayUnits) -> TableBlock:
    """The uncertainty budget as JCGM 100 lays it out."""
    headings, rows = budget_table(budget, units)
    return TableBlock(
        headings=headings,
        rows=tuple(rows),
        caption=f"Uncertainty budget (JCGM 100), {budget.quantity}. {budget_sum(budget, units)}",
        explanations=("", "A: statistics of own drives; B: anything else", "", "", "one standard uncertainty", "", ""),
    )


def scenario_table(
    plan: RangePrediction, refined: RangePrediction | None, units: DisplayUnits, first: str = ""
) -> list[TableBlock]:
    """Every scenario by the plan, and by plan and drives: middle, and 10 to 90 %."""
    used, mile, goal = units.consumption_label, units.distance, f"chance of {distance(plan.target_range_m, units)}"

    def after(one: ScenarioRange) -> ScenarioRange:
        return refined.scenario(one.name) if refined else one

    return table(
        sorted(plan.scenarios, key=lambda one: one.name != first),
        ("scenario", lambda one: one.name + (" *" if after(one).is_extrapolated else "")),
        (f"plan {used}", lambda one: consumption_text(one.consumption, units)),
        (f"plan range {mile}", lambda one: range_text(one.range_m, units)),
        (f"refined {used}" if refined else "", lambda one: consumption_text(after(one).consumption, units)),
        (f"refined range {mile}" if refined else "", lambda one: range_text(after(one).range_m, units)),
        (goal, lambda one: probability(after(one).probability_of_target)),
        ("note", lambda one: after(one).note),
        caption="Every scenario: the middle, and where it lies in 8 cases of 10",
        meaning={
            f"plan {used}": "net at the pack terminals, 50 % point (10 to 90 %)",
            f"plan range {mile}": "reserve and aging taken off",
            f"refined {used}": "the same from plan and drives",
            f"refined range {mile}": "the same from plan and drives",
            goal: "counted over 10,000 samples of everything that is uncertain",
        },
    )


def pack_table(sizing: PackSizing, units: DisplayUnits) -> list[TableBlock]:
    """Packs that can be built, each with its own weight carried."""
    has_cost = any(choice.cost is not None for choice in sizing.choices)

    def cells(choice: PackChoice) -> str:
        modules = f", {choice.modules} mod." if choice.modules else ""
        return f"{choice.cells_in_series}s{choice.cells_in_parallel}p{modules}"

    return table(
        sizing.choices,
        ("pack", lambda choice: choice.name + (" *" if choice.is_in_the_build else "")),
        ("cells", cells),
        ("usable kWh", lambda choice: number(choice.usable_energy_wh / 1000.0, 1)),
        (units.unit_of("weight"), lambda choice: units.shown(choice.mass_kg, "weight", digits=3).split()[0]),
        (units.consumption_label, lambda choice: number(units.consumption(choice.consumption_wh_per_km))),
        (units.distance, lambda choice: endless(choice.range_m.p50, units)),
        ("chance", lambda choice: probability(choice.probability_of_target)),
        ("cost" if has_cost else "", lambda choice: number(choice.cost)),
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
