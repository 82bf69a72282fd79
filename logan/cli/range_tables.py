"""Tables of predictions that several commands show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logan.cli.rendering import print_columns, print_lines, print_table
from logan.wording import budget_sum, budget_table, endless, number, parameter_words, probability

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.pipeline.plan import PackSizing, RangePrediction, ScenarioRange
    from logan.pipeline.predict import UncertaintyBudget
    from logan.units import DisplayUnits


def scenario_line(scenario: ScenarioRange, target_m: float, units: DisplayUnits, planned: str = "") -> str:
    """Range, consumption and chance of the target in one scenario."""
    reach, mile = scenario.range_m, units.distance
    return (
        f"{scenario.name}: {endless(reach.p50, units)} {mile} (8 times in 10: {endless(reach.p10, units)} to "
        f"{endless(reach.p90, units)}) at {number(units.consumption(scenario.consumption.p50))} "
        f"{units.consumption_label}; chance of {endless(target_m, units)} {mile}: "
        f"{probability(scenario.probability_of_target)}{planned}."
    )


def kept_back(prediction: RangePrediction) -> str:
    """What was taken off before a range was given."""
    return (
        f"reserve {100 * prediction.reserve_ratio:.0f} % and battery aging {100 * prediction.ageing_ratio:.0f} % "
        "taken off"
    )


def print_packs(sizing: PackSizing, units: DisplayUnits) -> None:
    """Packs that can be built, and what the target needs."""
    from logan.pipeline.drive_tables import pack_needs, pack_table

    print_columns(pack_table(sizing, units))
    print_lines(pack_needs(sizing))


def print_causes(scenarios: Sequence[ScenarioRange], units: DisplayUnits) -> None:
    """Where the energy goes, at the median assumptions."""
    from logan.pipeline.drive_tables import cause_table

    print_columns(cause_table(scenarios, units))


def print_budget(budget: UncertaintyBudget, units: DisplayUnits) -> None:
    """The uncertainty budget of the range, as JCGM 100 lays it out."""
    headings, rows = budget_table(budget, units)
    print_table(headings[:-1], [row[:-1] for row in rows], title=f"Uncertainty budget (JCGM 100): {budget.quantity}")
    print_lines(budget_sum(budget, units))


def unsure_line(budget: UncertaintyBudget, units: DisplayUnits) -> str:
    """What decides how sure the range is, the largest three first."""
    mile = units.distance
    parts = [
        f"{parameter_words(row.source)} {number(row.contribution / units.metres, 1)} {mile}" for row in budget.rows[:3]
    ]
    return f"Unsure by ± {number(budget.expanded / units.metres)} {mile} (90 %); biggest unknowns: {'; '.join(parts)}."
