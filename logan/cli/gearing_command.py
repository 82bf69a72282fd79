"""``logan gearing``: every reduction considered, side by side."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import print_cautions, print_columns, print_json, print_lines, print_table, working
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST
from logan.units import METRES_PER_SECOND_PER_MPH
from logan.wording import NONE, number, road_grade_percent

if TYPE_CHECKING:
    from logan.pipeline.plan import CruisePoint, GearingSheet
    from logan.units import DisplayUnits

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
        from logan.pipeline.heat import gearing_of_build

        folder = find_build(build)
        with working("looking through the drives") as told:
            sheet = gearing_of_build(folder, is_planned=is_planned, told=told)
        if as_json:
            print_json(sheet)
        else:
            show_gearing(sheet, display_units(units, build), is_full=is_full)


def show_gearing(sheet: GearingSheet, units: DisplayUnits, *, is_full: bool) -> None:
    """Print the sheet: the answer, chains side by side, the range of ratios; speed by speed if asked."""
    from logan.pipeline.drive_tables import gearing_tables, gearing_words

    print_lines(*gearing_words(sheet, units))
    print_columns(gearing_tables(sheet, units))
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
        headings, rows, title="Total ratios; S1 used: up 6 % at 55 mph; * none is better in all three", left=(5,)
    )
