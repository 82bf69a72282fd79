"""Range: the one page that answers, every scenario, why the prediction moved, and the pack that it takes."""

from collections.abc import Callable, Sequence
from typing import Final

from logan.driving_range.attribution import OTHERS, Attribution, AttributionStep
from logan.driving_range.other_values import Assumption
from logan.driving_range.prediction import RangePrediction, ScenarioRange
from logan.driving_range.sizing import PackChoice, PackSizing
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.model.fit_result import DrivenHull
from logan.report.figures.consumption import cause_figure, speed_figure
from logan.report.figures.driving_range import attribution_figure, range_figure, unsure_figure
from logan.report.figures.limits import approaches, bullet_figure
from logan.report.inputs import Block, FigureBlock, ReportInputs, Section, TableBlock, Tone, Verdict, Words, table
from logan.report.sections.limits import unlimited_words
from logan.units import DisplayUnits
from logan.wording import (
    budget_sum,
    budget_table,
    capital,
    consumption_text,
    distance,
    endless,
    number,
    parameter_text,
    parameter_words,
    percent,
    probability,
    range_text,
    signed,
    step_words,
)


def one_page_section(inputs: ReportInputs) -> Section:
    """What a builder and a customer read first; it fits one sheet."""
    fitted = inputs.fitted
    shown = fitted.refined if fitted else inputs.plan
    found = approaches(inputs.drives)
    weakest = bullet_figure(found, inputs.units, inputs.build.limits.design_ambient_degc, most=3)
    blocks: list[Block] = [
        verdict(shown, inputs.units, inputs.build.target.confidence_ratio),
        FigureBlock(figure=range_figure(inputs.plan, fitted.refined if fitted else None, inputs.units, is_short=True)),
        *_causes(inputs),
    ]
    if weakest is not None:
        blocks.append(
            FigureBlock(
                figure=weakest,
                note=unlimited_words(inputs.drives) or "What is left is estimated.",
            )
        )
    elif inputs.drives:
        blocks.append(Words(lines=(unlimited_words(inputs.drives) or "No limit given.",), tone="grey"))
    if fitted and fitted.next_tests and fitted.next_tests.candidates:
        test = fitted.next_tests.candidates[0]
        gain = number(test.gain_m / inputs.units.metres, 1)
        line = f"{capital(test.name)} ({test.how}): narrows the range by {gain} {inputs.units.distance}."
        blocks.append(Words(lines=tuple(filter(None, (line, test.caution))), title="Do next"))
    blocks.append(_rests_on(inputs, "; ".join(filter(None, (shown.note, shown.target.note)))))
    return Section(anchor="one-page", title="Does it make the target?", blocks=tuple(blocks), length=1)


def _causes(inputs: ReportInputs) -> list[Block]:
    """Three causes in miles: of what the drives changed, or, before there are any, of what is not known."""
    if inputs.fitted is None:
        words = Words(lines=(f"No drive has refined the plan yet: {inputs.no_fit_because}",), tone="grey")
        return [*unsure_blocks(inputs, most=3), *([words] if inputs.no_fit_because else [])]
    return [FigureBlock(figure=attribution_figure(inputs.fitted.attribution, inputs.units, most=3))]


def _rests_on(inputs: ReportInputs, note: str) -> TableBlock:
    """Vehicle, date, miles driven and conditions."""
    units, pack = inputs.units, inputs.build.pack
    weight, usable = inputs.build.vehicle.mass_kg, pack.usable_energy_wh
    rows = [
        (
            "vehicle",
            f"{inputs.build.name}, {weight.typed or parameter_text('mass_kg', weight.value, units)} as entered, "
            f"{usable.typed or units.shown(usable.value, 'energy', digits=3)} usable as planned, "
            f"{pack.cells_in_series}s{pack.cells_in_parallel}p, gearing {inputs.build.powertrain.gearing.name}",
        ),
        ("date of the report", inputs.made_on),
    ]
    hull = inputs.fitted.fit.hull if inputs.fitted else None
    if hull is not None:
        rows.append(("driven", driven_words(hull, inputs.fitted.fit.drive_count if inputs.fitted else 0, units)))
    target = inputs.build.target
    off = f"reserve {percent(target.reserve_ratio)} and battery aging {percent(target.ageing_ratio)} taken off"
    rows.append(("range", f"{off}; {note}" if note else off))
    return TableBlock(headings=("", ""), rows=tuple(rows), caption="What it rests on", is_form=True)


def driven_words(hull: DrivenHull, drives: int, units: DisplayUnits) -> str:
    """How far, how fast and how warm the drives behind a fit were."""
    low, high = (
        f"{speed / units.metres_per_second:.0f}" for speed in (hull.speed_low_m_per_s, hull.speed_high_m_per_s)
    )
    cold, warm = (f"{units.temperature_of(t):.0f}" for t in (hull.temperature_low_degc, hull.temperature_high_degc))
    return (
        f"{distance(hull.distance_m, units)} in {_drives(drives)}, nine tenths of them at {low} to {high} "
        f"{units.speed_label}, {cold} to {warm} {units.temperature_label} outside"
    )


def verdict(prediction: RangePrediction, units: DisplayUnits, wanted_ratio: float) -> Verdict:
    """Whether the target is met, in a word or two."""
    chance = prediction.target.probability_of_target
    basis = "the plan alone" if prediction.basis == "plan" else f"{_drives(prediction.drive_count)} and the plan"
    return Verdict(
        answer=_answer(chance, wanted_ratio),
        because=(
            f"The chance of {distance(prediction.target_range_m, units)} in '{prediction.target_scenario}' is "
            f"{probability(chance)}, you want {percent(wanted_ratio)}; judged from {basis}. "
            f"Reserve {percent(prediction.reserve_ratio)} and battery aging {percent(prediction.ageing_ratio)} are off."
        ),
        tone=_tone(chance, wanted_ratio),
    )


def _answer(chance: float, wanted_ratio: float) -> str:
    if chance >= wanted_ratio:
        return "Yes"
    if chance >= 0.5:
        return "Likely, but not surely enough"
    return "Probably not" if chance > 1.0 - wanted_ratio else "No"


def _tone(chance: float, wanted_ratio: float) -> Tone:
    return "good" if chance >= wanted_ratio else ("amber" if chance >= 0.5 else "red")


def _drives(count: int) -> str:
    return "one drive" if count == 1 else f"{count} drives"


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
        blocks += attribution_table(fitted.attribution, units, 7)
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


CHANGES: Final = ("consumption_change_wh_per_km", "range_change_m")


def attribution_table(attribution: Attribution, units: DisplayUnits, count: int = 99) -> list[TableBlock]:
    """What the drives changed, the largest steps first and what is left in one; they add up."""
    used, mile = units.consumption_label, units.distance
    reach = " to ".join(endless(metres, units) for metres in (attribution.range_before_m, attribution.range_after_m))
    shown, rest = attribution.steps[:count], attribution.steps[count:]
    if rest:
        changed = {name: sum(getattr(step, name) for step in rest) for name in CHANGES}
        shown = (*shown, AttributionStep(name=OTHERS, **changed))
    return table(
        shown,
        ("assumption", lambda step: step_words(step.name)),
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
    has_cost, names = any(choice.cost is not None for choice in sizing.choices), {one.name for one in sizing.choices}

    def cells(choice: PackChoice) -> str:
        modules = f", {choice.modules} mod." if choice.modules else ""
        return f"{choice.cells_in_series}s{choice.cells_in_parallel}p{modules}"

    return table(
        sizing.choices,
        ("" if len(names) == 1 else "pack", lambda choice: choice.name),
        ("cells", lambda choice: cells(choice) + (" *" if choice.is_in_the_build else "")),
        ("usable kWh", lambda choice: number(choice.usable_energy_wh / 1000.0, 1)),
        (units.unit_of("weight"), lambda choice: number(units.to_shown(choice.mass_kg, "weight"))),
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
