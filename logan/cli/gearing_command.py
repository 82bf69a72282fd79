"""``logan gearing``: every reduction considered, side by side."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units
from logan.units import METRES_PER_SECOND_PER_MPH
from logan.wording import number

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
        as_json: JsonOption = False,
        units: UnitsOption = None,
    ) -> None:
        """Compare reductions: motor speed, wheel force, top speed, hills, 0 to 60 mph; by what the drives taught."""
        from logan.cli.rendering import print_json, working
        from logan.pipeline.builds import find_build
        from logan.pipeline.gearing import gearing_of_build

        folder = find_build(build)
        with working("looking through the drives") as told:
            sheet = gearing_of_build(folder, is_planned=is_planned, told=told)
        if as_json:
            print_json(sheet)
        else:
            show_gearing(sheet, display_units(units, build))


def show_gearing(sheet: GearingSheet, units: DisplayUnits) -> None:
    """Print the sheet: chains side by side, then speed by speed."""
    from logan.cli.rendering import print_cautions, print_lines, print_table
    from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST

    for start in range(0, len(sheet.choices), _CHAINS_PER_TABLE):
        chains = sheet.choices[start : start + _CHAINS_PER_TABLE]
        rows = [(name, *(show(chain) for chain in chains)) for name, show in _rows(units)]
        print_table(("", *(chain.name for chain in chains)), rows, title="Gearing and performance")
        print_lines("")
    for chain in sheet.choices:
        headings = (
            units.speed_label, "rpm", "limit", units.consumption_label, "kN", "peak %", "by", "30 min", "for ever"
        )  # fmt: skip
        rows = [_cruise_row(point, units) for point in chain.cruise]
        print_table(headings, rows, title=f"{chain.name}: {chain.total_ratio:.2f} to 1, slopes", left=(6,))
        print_lines("")
    limit_w = sheet.pack_power_limit_w
    pack = "no limit given" if limit_w is None else f"at most {limit_w / 1000.0:.0f} kW"
    print_lines(
        f"Mass {sheet.mass_kg:.0f} kg, tyre {sheet.rolling_circumference_m:.3f} m round, "
        f"motor limit {sheet.max_motor_speed_rad_per_s * RPM_PER_RAD_PER_S:.0f} rpm, pack: {pack}.",
        *(f"Assumed: {assumption}." for assumption in sheet.assumptions),
        f"Mass, road load and losses: {sheet.basis}. Held for ever: nine times in ten at least, at the design ambient.",
        *(f"Note: {chain.name}, {note}." for chain in sheet.choices[:1] for note in chain.notes),
    )
    _show_sweep(sheet, units)
    print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)


def road_grade_percent(rise_per_road_distance: float) -> float:
    """Grade as road signs give it, from rise over distance along the road."""
    return 100.0 * rise_per_road_distance / math.sqrt(max(1e-9, 1.0 - rise_per_road_distance**2))


def _rows(units: DisplayUnits) -> list[tuple[str, Callable[[GearingPerformance], str]]]:
    def speed(value: float | None) -> str:
        return "-" if value is None else f"{value / units.metres_per_second:.0f}"

    def kilowatt(value: float | None) -> str:
        return "-" if value is None else f"{value / 1000.0:.0f}"

    label = units.speed_label
    return [
        ("total ratio", lambda chain: f"{chain.total_ratio:.2f}"),
        (f"top speed {label}", lambda chain: f"{speed(chain.top_speed_m_per_s)} by {chain.top_speed_ended_by}"),
        ("  by motor speed limit", lambda chain: speed(chain.top_speed_by_motor_speed_m_per_s)),
        ("  by power", lambda chain: speed(chain.top_speed_by_power_m_per_s)),
        ("wheel force at launch kN", lambda chain: number(chain.launch_force_n / 1000.0, 1)),
        ("  grip left aside kN", lambda chain: number(chain.launch_force_without_grip_n / 1000.0, 1)),
        ("wheel torque at launch N m", lambda chain: number(chain.launch_wheel_torque_nm)),
        ("steepest start %", lambda chain: number(road_grade_percent(chain.launch_grade_ratio))),
        ("0-60 mph s, estimate", lambda chain: number(chain.sprint_s, 1)),
        ("6 % at 55 mph, battery kW", lambda chain: kilowatt(chain.hill_battery_power_w)),
        ("  within peak", lambda chain: "yes" if chain.hill_is_within_peak else "NO"),
        ("  motor shaft kW", lambda chain: kilowatt(chain.hill_shaft_power_w)),
        ("  battery kW held for ever there", _held),
        ("  set by", lambda chain: chain.continuous_source),
        ("  6 % at 55 mph, of that", _continuous),
        (f"  {label} held for ever", lambda chain: speed(chain.hill_continuous_speed_m_per_s)),
    ]


def _held(chain: GearingPerformance) -> str:
    """Lower bound, nine times in ten, with the median's distance."""
    if chain.continuous_battery_power_w is None:
        return "-"
    sigma = chain.continuous_sigma_w
    more = "" if sigma is None else f" ({1.28 * sigma / 1000.0:.0f} below the median)"
    return f"{chain.continuous_battery_power_w / 1000.0:.0f}{more}"


def _continuous(chain: GearingPerformance) -> str:
    if chain.hill_continuous_ratio is None:
        return chain.continuous_source
    return f"{100.0 * chain.hill_continuous_ratio:.0f} %"


def _cruise_row(point: CruisePoint, units: DisplayUnits) -> tuple[str, ...]:
    def slope(value: float | None) -> str:
        return "-" if value is None else number(road_grade_percent(value), 1)

    per_km = point.battery_power_level_w / point.speed_m_per_s / 3.6
    return (
        f"{point.speed_m_per_s / units.metres_per_second:.0f}",
        f"{point.motor_speed_rad_per_s * RPM_PER_RAD_PER_S:,.0f}",
        f"{100.0 * point.motor_speed_ratio:.0f} %" + (" !" if point.motor_speed_ratio > 1.0 else ""),
        number(units.consumption(per_km)),
        number(point.wheel_force_peak_n / 1000.0, 1),
        slope(point.climbable_grade_ratio),
        point.limited_by,
        slope(point.half_hour_grade_ratio),
        slope(point.continuous_grade_ratio),
    )


def _show_sweep(sheet: GearingSheet, units: DisplayUnits) -> None:
    """Total ratios over a range: heat against consumption against launch."""
    from logan.cli.rendering import print_lines, print_table

    rows = []
    for one in sheet.sweep:
        heat, level_w, sprint_s = one.merits
        speed = 65.0 * METRES_PER_SECOND_PER_MPH
        rows.append(
            (
                f"{one.total_ratio:.1f}" + (" *" if one.is_pareto else ""),
                f"{one.top_speed_m_per_s / units.metres_per_second:.0f}",
                "-" if math.isinf(heat) else f"{100.0 * heat:.0f} %",
                number(units.consumption(level_w / speed / 3.6)),
                "-" if math.isinf(sprint_s) else f"{sprint_s:.1f}",
                one.continuous_source,
            )
        )
    headings = (
        "ratio",
        f"top {units.speed_label}",
        "6 % heat",
        f"{units.consumption_label} at 65 mph",
        "0-60 s",
        "set by",
    )
    print_lines("")
    print_table(headings, rows, title="Total ratios over a range; * none other is better in all three", left=(5,))
    if sheet.best_ratio is not None:
        print_lines(
            f"Best: {sheet.best_ratio:.1f} to 1, holding 6 % at 55 mph with least consumption, or coolest there."
        )
