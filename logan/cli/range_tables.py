"""Tables of predictions that several commands show, and what ``logan range`` says of heat on a road."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from logan.cli.rendering import print_blocks, print_cautions, print_columns, print_lines, print_table, working
from logan.errors import NotEnoughDataError
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST
from logan.results import Refusal
from logan.wording import budget_sum, budget_table, endless, number, parameter_words, probability

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logan.pipeline.heat import RoadHeat
    from logan.pipeline.plan import PackSizing, RangePrediction, ScenarioRange
    from logan.pipeline.predict import UncertaintyBudget
    from logan.units import DisplayUnits


def scenario_line(scenario: ScenarioRange, target_m: float, units: DisplayUnits, planned: str = "") -> str:
    """Range, consumption and chance of the target in one scenario."""
    reach, mile, way = scenario.range_m, units.distance, f", {scenario.way}" if scenario.way else ""
    return (
        f"{scenario.name}{way}: {endless(reach.p50, units)} {mile} (8 times in 10: {endless(reach.p10, units)} to "
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
    from logan.pipeline.drive_tables import of_range

    print_columns(of_range.pack_table(sizing, units))
    print_lines(of_range.pack_needs(sizing))


def print_causes(scenarios: Sequence[ScenarioRange], units: DisplayUnits) -> None:
    """Where the energy goes, at the median assumptions."""
    from logan.pipeline.drive_tables import of_range

    print_columns(of_range.cause_table(scenarios, units))


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
    scenario, wide = budget.quantity.removeprefix("range, "), number(budget.expanded / units.metres)
    return f"'{scenario}' is unsure by ± {wide} {mile} (90 %); biggest unknowns: {'; '.join(parts)}."


def heat_of(
    build: Path, scenario: dict[str, object], *, length: str, launches: int, charge: str, seed: int
) -> RoadHeat | Refusal:
    """Temperatures and chances on the road asked for, or why no drive teaches them."""
    import numpy as np

    from logan.pipeline.builds import find_build
    from logan.pipeline.heat import heat_on_road

    folder, rng = find_build(build), np.random.default_rng(seed)
    try:
        with working("learning the heat") as told:
            return heat_on_road(folder, scenario, rng, length=length, launches=launches, charge=charge, told=told)
    except NotEnoughDataError as reason:
        return Refusal(reason.problem, reason.remedy)


def show_heat(found: RoadHeat | Refusal, units: DisplayUnits) -> None:
    """Show chances and temperatures over the road, or why they are refused."""
    from logan.pipeline.heat import heat_blocks

    if isinstance(found, Refusal):
        print_lines(f"Heat: refused, {found.reason}. {found.remedy}.")
    else:
        print_blocks(heat_blocks(found, units))
        print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)
    print_lines("")
