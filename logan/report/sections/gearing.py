"""Each reduction considered, side by side; the terminal and the report show the same."""

import math
from collections.abc import Callable
from typing import Final

from logan.driving_range.performance import CruisePoint, GearingPerformance, GearingSheet
from logan.report.inputs import Block, ReportInputs, Section, TableBlock, Words, table
from logan.units import METRES_PER_SECOND_PER_MPH, DisplayUnits
from logan.wording import NONE, number, quantity_text, road_grade_percent, sentence

CHAINS_PER_TABLE: Final = 4


def gearing_section(inputs: ReportInputs) -> Section:
    """What the gearing does, and what that rests on."""
    units, sheet = inputs.units, inputs.gearing
    lines = (f"weight, road load and losses are those of {sheet.basis}", *sheet.assumptions)
    blocks: tuple[Block, ...] = (
        Words(lines=tuple(gearing_words(sheet, units))),
        *gearing_tables(sheet, units),
        *sweep_table(sheet, units),
        *cruise_table(sheet.choices[0], units),
        Words(lines=tuple(map(sentence, lines))),
    )
    return Section(anchor="gearing", title="Gearing", blocks=blocks, length=3)


def gearing_tables(sheet: GearingSheet, units: DisplayUnits) -> list[TableBlock]:
    """Chains side by side, a few in each table."""
    tables = []
    for start in range(0, len(sheet.choices), CHAINS_PER_TABLE):
        chains = sheet.choices[start : start + CHAINS_PER_TABLE]
        rows = tuple((name, *(show(chain) for chain in chains)) for name, show in _rows(units))
        tables.append(TableBlock(headings=("gearing and performance", *(chain.name for chain in chains)), rows=rows))
    return tables


def sweep_table(sheet: GearingSheet, units: DisplayUnits) -> list[TableBlock]:
    """Total ratios over a range: heat against consumption against launch."""

    def finite(value: float, text: str) -> str:
        return NONE if math.isinf(value) else text

    used, level = units.consumption_label, 65.0 * METRES_PER_SECOND_PER_MPH * 3.6
    return table(
        sheet.sweep,
        ("ratio", lambda one: f"{one.total_ratio:.1f}" + (" *" if one.is_pareto else "")),
        (f"top {units.speed_label}", lambda one: number(one.top_speed_m_per_s / units.metres_per_second)),
        ("S1 used", lambda one: finite(one.merits[0], f"{100.0 * one.merits[0]:.0f} %")),
        (f"{used} at {_speed(65.0, units)}", lambda one: number(units.consumption(one.merits[1] / level))),
        (f"{_sprint_words(units)} s", lambda one: number(_sprint_s(one, units), 1)),
        ("set by", lambda one: one.continuous_source),
        caption=f"Total ratios; S1 used: up 6 % at {_speed(55.0, units)}; * none is better in all three",
    )


def cruise_table(chain: GearingPerformance, units: DisplayUnits) -> list[TableBlock]:
    """Speed by speed: motor speed, consumption, force, and the slopes that it climbs for how long."""

    def slope(value: float | None) -> str:
        return NONE if value is None else number(road_grade_percent(value), 1)

    def consumption(point: CruisePoint) -> str:
        return number(units.consumption(point.battery_power_level_w / point.speed_m_per_s / 3.6))

    return table(
        chain.cruise,
        (units.speed_label, lambda point: number(point.speed_m_per_s / units.metres_per_second)),
        ("rpm", lambda point: number(units.to_shown(point.motor_speed_rad_per_s, "shaft_speed"))),
        ("limit", lambda point: f"{100.0 * point.motor_speed_ratio:.0f} %" + " !" * (point.motor_speed_ratio > 1.0)),
        (units.consumption_label, consumption),
        (units.unit_of("force"), lambda point: number(units.to_shown(point.wheel_force_peak_n, "force"))),
        ("peak %", lambda point: slope(point.climbable_grade_ratio)),
        ("by", lambda point: point.limited_by),
        ("30 min", lambda point: slope(point.half_hour_grade_ratio)),
        ("cont. %", lambda point: slope(point.continuous_grade_ratio)),
        caption=f"{chain.name}: {chain.total_ratio:.2f} to 1, slopes",
    )


def _speed(mph: float, units: DisplayUnits) -> str:
    """A speed that the sheet is worked out at, in the unit shown."""
    return f"{mph * METRES_PER_SECOND_PER_MPH / units.metres_per_second:.0f} {units.speed_label}"


def _sprint_words(units: DisplayUnits) -> str:
    """The sprint that its reader knows: each is worked out, neither is the other in another unit."""
    return "0-60 mph" if units.speed_label == "mph" else "0-100 km/h"


def _sprint_s(chain: GearingPerformance, units: DisplayUnits) -> float | None:
    return chain.sprint_s if units.speed_label == "mph" else chain.sprint_to_100_km_per_h_s


def gearing_words(sheet: GearingSheet, units: DisplayUnits) -> list[str]:
    """What the gearing of the build does, which ratio would be best, and what both rest on."""
    built = sheet.choices[0]
    top = (
        ""
        if built.top_speed_m_per_s is None
        else f"top speed {quantity_text(built.top_speed_m_per_s, 'speed', units)}, "
    )
    held, sprint = built.hill_continuous_speed_m_per_s, number(_sprint_s(built, units), 1)
    best = (
        ""
        if sheet.best_ratio is None
        else (
            f" Best total ratio: {sheet.best_ratio:.1f} to 1, holding 6 % at {_speed(55.0, units)} with least "
            "consumption, or coolest there"
            + (", the last of those tried: a better one may lie beyond." if sheet.best_is_the_last_tried else ".")
        )
    )
    limit_w = sheet.pack_power_limit_w
    return [
        f"{built.name} ({built.total_ratio:.2f} to 1): {top}max startable slope "
        f"{number(road_grade_percent(built.launch_grade_ratio))} %, {_sprint_words(units)} in {sprint} s"
        + (f", {quantity_text(held, 'speed', units)} continuous (S1) up 6 %." if held is not None else "."),
        f"By {sheet.basis}: test weight {quantity_text(sheet.mass_kg, 'weight', units)}, tire "
        f"{quantity_text(sheet.rolling_circumference_m, 'length', units)} round, motor to "
        f"{quantity_text(sheet.max_motor_speed_rad_per_s, 'shaft_speed', units)}, pack "
        + ("no limit given." if limit_w is None else f"at most {quantity_text(limit_w, 'electric_power', units)}.")
        + best,
    ]


def _rows(units: DisplayUnits) -> list[tuple[str, Callable[[GearingPerformance], str]]]:
    def speed(value: float | None) -> str:
        return NONE if value is None else f"{value / units.metres_per_second:.0f}"

    def power(value: float | None, quantity: str = "electric_power") -> str:
        return NONE if value is None else quantity_text(value, quantity, units)

    def force(value: float) -> str:
        return quantity_text(value, "force", units)

    label = units.speed_label
    return [
        ("total ratio", lambda chain: f"{chain.total_ratio:.2f}"),
        (f"top speed {label}", lambda chain: f"{speed(chain.top_speed_m_per_s)} by {chain.top_speed_ended_by}"),
        ("  by power alone", lambda chain: speed(chain.top_speed_by_power_m_per_s)),
        ("tractive force at launch", lambda chain: force(chain.launch_force_n)),
        ("  if tires held", lambda chain: force(chain.launch_force_without_grip_n)),
        ("wheel torque at launch", lambda chain: quantity_text(chain.launch_wheel_torque_nm, "torque", units)),
        ("max startable slope", lambda chain: f"{number(road_grade_percent(chain.launch_grade_ratio))} %"),
        (f"{_sprint_words(units)}, estimate", lambda chain: f"{number(_sprint_s(chain, units), 1)} s"),
        (f"6 % at {_speed(55.0, units)}, from the pack", lambda chain: power(chain.hill_battery_power_w)),
        ("  within peak", lambda chain: "yes" if chain.hill_is_within_peak else "NO"),
        ("  at the motor shaft", lambda chain: power(chain.hill_shaft_power_w, "power")),
        ("  continuous (S1) from the pack", lambda chain: _held(chain, units)),
        ("  set by", lambda chain: chain.continuous_source),
        ("  hottest part there", lambda chain: chain.hottest_part or "no drive tells"),
        ("  used of it", _continuous),
        (f"  {label} continuous up 6 %", lambda chain: speed(chain.hill_continuous_speed_m_per_s)),
    ]


def _held(chain: GearingPerformance, units: DisplayUnits) -> str:
    """Lower bound, nine times in ten, at the design ambient."""
    if chain.continuous_battery_power_w is None:
        return NONE
    return quantity_text(chain.continuous_battery_power_w, "electric_power", units)


def _continuous(chain: GearingPerformance) -> str:
    if chain.hill_continuous_ratio is None:
        return chain.continuous_source
    return f"{100.0 * chain.hill_continuous_ratio:.0f} %"
