"""``logan gearing``: every reduction considered, side by side."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_cautions, print_json, print_lines, print_table, working
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST
from logan.units import METRES_PER_SECOND_PER_MPH
from logan.wording import NONE, number, quantity_text

if TYPE_CHECKING:
    from logan.pipeline.plan import CruisePoint, GearingPerformance, GearingSheet
    from logan.units import DisplayUnits

_CHAINS_PER_TABLE = 4
RPM_PER_RAD_PER_S = 30.0 / math.pi


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("gearing")
    def gearing(
        build: BuildOption = Path(),
        is_planned: Annotated[bool, typer.Option("--planned", help="By the plan alone, without the drives.")] = False,
        is_full: Annotated[bool, typer.Option("--full", help="Speed by speed, assumptions and remarks too.")] = False,
        as_json: JsonOption = False,
        units: UnitsOption = None,
    ) -> None:
        """Compare reductions: motor speed, wheel force, top speed, hills, 0 to 60 mph; by what the drives taught."""
        from logan.pipeline.builds import find_build
        from logan.pipeline.gearing import gearing_of_build

        folder = find_build(build)
        with working("looking through the drives") as told:
            sheet = gearing_of_build(folder, is_planned=is_planned, told=told)
        if as_json:
            print_json(sheet)
        else:
            show_gearing(sheet, display_units(units, build), is_full=is_full)


def show_gearing(sheet: GearingSheet, units: DisplayUnits, *, is_full: bool) -> None:
    """Print the sheet: the answer, chains side by side, the range of ratios; speed by speed if asked."""
    print_lines(*_answer(sheet, units), "")
    for start in range(0, len(sheet.choices), _CHAINS_PER_TABLE):
        chains = sheet.choices[start : start + _CHAINS_PER_TABLE]
        rows = [(name, *(show(chain) for chain in chains)) for name, show in _rows(units)]
        print_table(("gearing and performance", *(chain.name for chain in chains)), rows)
        print_lines("")
    _show_sweep(sheet, units)
    if is_full:
        for chain in sheet.choices:
            headings = (
                units.speed_label, "rpm", "limit", units.consumption_label, units.unit_of("force"), "peak %", "by",
                "30 min", "cont. %",
            )  # fmt: skip
            rows = [_cruise_row(point, units) for point in chain.cruise]
            print_lines("")
            print_table(headings, rows, title=f"{chain.name}: {chain.total_ratio:.2f} to 1, slopes", left=(6,))
        print_lines("", *(f"Assumed: {assumption}." for assumption in sheet.assumptions))
        print_lines(*(f"Note: {chain.name}, {note}." for chain in sheet.choices[:1] for note in chain.notes))
    else:
        print_lines("Speed by speed, assumptions, remarks: --full")
    print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)


def _answer(sheet: GearingSheet, units: DisplayUnits) -> list[str]:
    """What the gearing of the build does, which ratio would be best, and what both rest on."""
    built = sheet.choices[0]
    top = (
        ""
        if built.top_speed_m_per_s is None
        else f"top speed {quantity_text(built.top_speed_m_per_s, 'speed', units)}, "
    )
    held = built.hill_continuous_speed_m_per_s
    best = (
        ""
        if sheet.best_ratio is None
        else (
            f" Best total ratio: {sheet.best_ratio:.1f} to 1, holding 6 % at 55 mph with least consumption, or "
            "coolest there."
        )
    )
    limit_w = sheet.pack_power_limit_w
    return [
        f"{built.name} ({built.total_ratio:.2f} to 1): {top}max startable slope "
        f"{number(road_grade_percent(built.launch_grade_ratio))} %, 0-60 mph in {number(built.sprint_s, 1)} s"
        + (f", {quantity_text(held, 'speed', units)} continuous (S1) up 6 %." if held is not None else "."),
        f"By {sheet.basis}: test weight {quantity_text(sheet.mass_kg, 'weight', units)}, tire "
        f"{quantity_text(sheet.rolling_circumference_m, 'length', units)} round, motor to "
        f"{quantity_text(sheet.max_motor_speed_rad_per_s, 'shaft_speed', units)}, pack "
        + ("no limit given." if limit_w is None else f"at most {quantity_text(limit_w, 'electric_power', units)}.")
        + best,
    ]


def road_grade_percent(rise_per_road_distance: float) -> float:
    """Grade as road signs give it, from rise over distance along the road."""
    return 100.0 * rise_per_road_distance / math.sqrt(max(1e-9, 1.0 - rise_per_road_distance**2))


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
        ("0-60 mph, estimate", lambda chain: f"{number(chain.sprint_s, 1)} s"),
        ("6 % at 55 mph, from the pack", lambda chain: power(chain.hill_battery_power_w)),
        ("  within peak", lambda chain: "yes" if chain.hill_is_within_peak else "NO"),
        ("  at the motor shaft", lambda chain: power(chain.hill_shaft_power_w, "power")),
        ("  continuous (S1) from the pack", lambda chain: _held(chain, units)),
        ("  set by", lambda chain: chain.continuous_source),
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


def _cruise_row(point: CruisePoint, units: DisplayUnits) -> tuple[str, ...]:
    def slope(value: float | None) -> str:
        return NONE if value is None else number(road_grade_percent(value), 1)

    per_km = point.battery_power_level_w / point.speed_m_per_s / 3.6
    return (
        f"{point.speed_m_per_s / units.metres_per_second:.0f}",
        f"{point.motor_speed_rad_per_s * RPM_PER_RAD_PER_S:,.0f}",
        f"{100.0 * point.motor_speed_ratio:.0f} %" + (" !" if point.motor_speed_ratio > 1.0 else ""),
        number(units.consumption(per_km)),
        number(units.to_shown(point.wheel_force_peak_n, "force")),
        slope(point.climbable_grade_ratio),
        point.limited_by,
        slope(point.half_hour_grade_ratio),
        slope(point.continuous_grade_ratio),
    )


def _show_sweep(sheet: GearingSheet, units: DisplayUnits) -> None:
    """Total ratios over a range: heat against consumption against launch."""
    rows = []
    for one in sheet.sweep:
        heat, level_w, sprint_s = one.merits
        speed = 65.0 * METRES_PER_SECOND_PER_MPH
        rows.append(
            (
                f"{one.total_ratio:.1f}" + (" *" if one.is_pareto else ""),
                f"{one.top_speed_m_per_s / units.metres_per_second:.0f}",
                NONE if math.isinf(heat) else f"{100.0 * heat:.0f} %",
                number(units.consumption(level_w / speed / 3.6)),
                NONE if math.isinf(sprint_s) else f"{sprint_s:.1f}",
                one.continuous_source,
            )
        )
    headings = (
        "ratio",
        f"top {units.speed_label}",
        "S1 used",
        f"{units.consumption_label} at 65 mph",
        "0-60 s",
        "set by",
    )
    print_table(
        headings,
        rows,
        title="Total ratios; S1 used: up 6 % at 55 mph; * none is better in all three",
        left=(5,),
    )
