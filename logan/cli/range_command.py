"""``logan range``: how far it will really go, refined by the drives, beside the plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption, display_units, full_option, in_own_units
from logan.cli.plan_command import show_plan
from logan.cli.range_tables import (
    heat_of,
    kept_back,
    print_budget,
    print_causes,
    print_packs,
    scenario_line,
    show_heat,
    unsure_line,
)
from logan.cli.rendering import print_cautions, print_columns, print_json, print_lines, print_table
from logan.errors import NotEnoughDataError
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_ROAD_TEST
from logan.units.quantities import with_unit
from logan.wording import capital, endless, number, probability, untold_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.heat import RoadHeat
    from logan.pipeline.plan import ScenarioRange
    from logan.pipeline.predict import Calibration, RefinedRange
    from logan.pipeline.refine import NextTests
    from logan.results import Refusal
    from logan.settings import BuildSettings
    from logan.units import DisplayUnits

_STANDARD_NAMES = {"udds": "UDDS", "hwfet": "HWFET", "us06": "US06", "wltc_3b": "WLTC class 3b"}


_PlanOption = Annotated[Path | None, typer.Option("--plan", help="Frozen plan to compare with; else the newest.")]
_ReplayOption = Annotated[str, typer.Option("--replay", help="Drive this recorded drive's road again.")]
_SpeedOption = Annotated[str, typer.Option("--speed", help='Also predict this steady speed: "70 mph", "110 km/h".')]
_CycleOption = Annotated[str, typer.Option("--cycle", help="Also predict UDDS, HWFET, US06 or WLTC class 3b.")]
_RouteOption = Annotated[str, typer.Option("--route", help="Also predict this GPX track, at --speed or its own.")]
_AmbientOption = Annotated[str, typer.Option("--ambient", help='For that one: temperature, "20 °F", "-7 °C".')]
_PayloadOption = Annotated[str, typer.Option("--payload", help='For that one: extra load, "300 lb", "136 kg".')]
_HeadwindOption = Annotated[str, typer.Option("--headwind", help='For that one: "10 mph", "4.5 m/s".')]
_DragOption = Annotated[str, typer.Option("--drag", help="For that one: factor on CdA, 1.1 for a rack.")]
_RollingOption = Annotated[str, typer.Option("--rolling", help="For that one: factor on rolling resistance.")]
_RoundTripOption = Annotated[bool, typer.Option("--round-trip", help="For that one: out and back, wind cancels.")]
_GradeOption = Annotated[str, typer.Option("--grade", help='Heat on a steady climb, such as "6 %", at --speed.')]
_LengthOption = Annotated[str, typer.Option("--length", help='How long that climb is: "10 mi", "16 km".')]
_LaunchesOption = Annotated[int, typer.Option("--launches", help="Heat of this many hard launches in a row.", min=0)]
_ChargeOption = Annotated[str, typer.Option("--charge", help='SOC at the start of the road, "80 %".')]
_NameOption = Annotated[str, typer.Option("--name", help="For that one: what to call it.")]
_BudgetOption = Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget of the target's range.")]
_FullOption = Annotated[bool, full_option("Packs, where the energy goes, every step too.")]
_SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the samples.", min=0)]


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("range")
    def driving_range(
        build: BuildOption = Path(),
        as_json: JsonOption = False,
        units: UnitsOption = None,
        plan: _PlanOption = None,
        replay: _ReplayOption = "",
        speed: _SpeedOption = "",
        cycle: _CycleOption = "",
        route: _RouteOption = "",
        ambient: _AmbientOption = "",
        payload: _PayloadOption = "",
        headwind: _HeadwindOption = "",
        drag: _DragOption = "",
        rolling: _RollingOption = "",
        round_trip: _RoundTripOption = False,
        grade: _GradeOption = "",
        length: _LengthOption = "",
        launches: _LaunchesOption = 0,
        charge: _ChargeOption = "",
        name: _NameOption = "",
        budget: _BudgetOption = False,
        is_full: _FullOption = False,
        seed: _SeedOption = 1,
    ) -> None:
        """Predict range in every scenario from the drives, beside the plan; or in one more, asked for here."""
        shown = display_units(units, build)
        asked = {
            "drive": replay,
            "speed": speed,
            "cycle": cycle,
            "route": str(Path(route).resolve()) if route else "",
            "ambient": ambient,
            "payload": payload,
            "headwind": headwind,
            "drag_area_factor": drag,
            "rolling_factor": rolling,
            "grade": grade,
        }
        given = in_own_units({key: text for key, text in asked.items() if text}, shown)
        road: dict[str, object] = {"name": name or _called(given, launches), **given}
        extra = road if given else None
        if round_trip:
            extra = {**road, "round_trip": True}
        is_climb, heat = bool(grade or launches), None
        if route or is_climb:
            length = with_unit(length, shown.distance)
            heat = heat_of(build, extra or road, length=length, launches=launches, charge=charge, seed=seed)
            if is_climb and as_json:
                print_json(heat)
            elif not as_json:
                show_heat(heat, shown)
        if is_climb:
            return
        _answer(build, shown, plan, extra, seed=seed, as_json=as_json, is_budget=budget, is_full=is_full, heat=heat)


def _called(given: Mapping[str, str], launches: int) -> str:
    """A name for what was asked, that says all of it with its units."""
    words = {"drive": "drive {}", "payload": "{} payload", "headwind": "{} headwind", "grade": "up {}",
             "drag_area_factor": "CdA x {}", "rolling_factor": "rolling x {}"}  # fmt: skip
    parts = [
        Path(text).stem if key == "route" else words.get(key, "{}").format(_STANDARD_NAMES.get(text, text))
        for key, text in given.items()
    ]
    return f"asked: {', '.join([*parts, *([f'{launches} launches'] if launches else [])])}"


def _answer(
    build: Path,
    units: DisplayUnits,
    plan: Path | None,
    extra: dict[str, object] | None,
    *,
    seed: int,
    as_json: bool,
    is_budget: bool = False,
    heat: RoadHeat | Refusal | None = None,
    is_full: bool = False,
) -> None:
    """Refine and show; where no drive can carry a fit, show the plan alone and say why."""
    import numpy as np

    from logan.pipeline.builds import find_build
    from logan.pipeline.plan import make_plan
    from logan.pipeline.refine import ANSWER_SEED, answer_of, answer_with, refine_build

    folder, rng = find_build(build), np.random.default_rng(seed)
    try:
        if plan is None and seed == ANSWER_SEED:
            found = answer_of(folder) if extra is None else answer_with(folder, extra)
        else:
            found = refine_build(folder, rng, plan_path=plan, extra_scenario=extra)
    except NotEnoughDataError as reason:
        planned = make_plan(_with(extra, folder), rng)
        if as_json:
            print_json(planned if heat is None else {"range": planned, "heat": heat})
            typer.echo(f"the plan alone: {reason.problem}", err=True)
        else:
            print_lines(f"The plan alone, because {reason.problem}. {reason.remedy}.", "")
            show_plan(planned, units, is_full=is_full, first=str((extra or {}).get("name", "")))
        return
    if as_json:
        print_json(found.range if heat is None else {"range": found.range, "heat": heat})
    elif is_budget:
        print_budget(found.range.budget, units)
    else:
        name, noted = str((extra or {}).get("name", "")), noted_text(found.next_tests, units)
        show_range(found.range, units, asked=name, is_full=is_full, noted=noted)
        print_lines(*(f"Note: {note}." for note in found.notes))
        print_cautions(CAUTION_ROAD_TEST, CAUTION_ALWAYS)


def _with(extra: dict[str, object] | None, folder: BuildFolder) -> BuildSettings:
    """The build, with the scenario asked for on the command line."""
    from logan.pipeline.predict import with_scenario

    build = folder.settings()
    return build if extra is None else with_scenario(extra, folder.path, build)


def show_range(
    found: RefinedRange, units: DisplayUnits, *, asked: str = "", is_full: bool = False, noted: str = ""
) -> None:
    """Print what was asked and the target first, then plan and refined prediction side by side, and why they differ."""
    from logan.pipeline.drive_tables import of_range

    refined = found.refined
    first = asked or refined.target_scenario
    pairs = sorted(found.pairs, key=lambda pair: pair[1].name != first)
    for planned, scenario in pairs:
        if scenario.name in (asked, refined.target_scenario):
            before = f" (planned {probability(planned.probability_of_target)})"
            print_lines(scenario_line(scenario, refined.target_range_m, units, before))
    drives = f"{refined.drive_count} drive{'s' if refined.drive_count != 1 else ''}"
    plan_only = " Mostly your plan: too few drives." if refined.is_prior_dominated else ""
    print_lines(
        f"Refined by {drives}, plan of {found.plan_created_at[:10]}; {kept_back(refined)}.{plan_only}",
        unsure_line(found.budget, units),
        *filter(None, (" ".join(filter(None, (untold_text(found.budget, units), noted))),)),
        "",
    )
    _print_pairs(
        pairs
        if is_full or not asked
        else pairs[:1] + [pair for pair in pairs[1:] if pair[1].name == refined.target_scenario],
        units,
    )
    print_columns(of_range.attribution_table(found.attribution(first), units, count=99 if is_full else 3))
    if found.calibration is not None:
        print_lines(calibration_text(found.calibration))
    if is_full:
        print_packs(found.refined_sizing, units)
        print_causes(refined.scenarios, units)
    # The table marks what lies beyond the drives; the third line says whose word it mostly is.
    notes = [note for note in found.notes if is_full or not ("interval widened" in note or note.startswith("mostly"))]
    print_lines(*(f"Note: {note}." for note in notes))
    if not is_full:
        print_lines("Packs and where the energy goes: --full; the uncertainty budget: --budget.")


def noted_text(tests: NextTests, units: DisplayUnits, *, told: str = "") -> str:
    """By how much the range of a day whose wind or payload is noted would be narrower; empty where it would not be.

    What is ``told`` of already is left out.
    """
    noted = (test for test in tests.candidates if test.noted not in ("", told))
    gains = {test.noted: f"{test.gain_m / units.metres:.1f}" for test in noted}
    words = [f"{name} noted: {gain} {units.distance} narrower" for name, gain in gains.items() if gain != "0.0"]
    return f"{capital('; '.join(words))}." if words else ""


def _print_pairs(pairs: Sequence[tuple[ScenarioRange, ScenarioRange]], units: DisplayUnits) -> None:

    rows = [
        (
            refined.name + (" *" if refined.is_extrapolated else ""),
            " / ".join(number(units.consumption(case.consumption.p50)) for case in (planned, refined)),
            " / ".join(endless(case.range_m.p50, units) for case in (planned, refined)),
            f"{endless(refined.range_m.p10, units)}-{endless(refined.range_m.p90, units)}",
            " / ".join(probability(case.probability_of_target) for case in (planned, refined)),
        )
        for planned, refined in pairs
    ]
    headings = ("scenario", units.consumption_label, f"range {units.distance}", "10-90 %", "target")
    print_table(headings, rows, title="Plan / refined; * beyond what was driven, so wider")


def calibration_text(calibration: Calibration, by: str = "the others") -> str:
    """Calibration of this very build in one sentence."""
    if calibration.median_error_ratio is None or calibration.covered_ratio is None:
        return f"Error on drives left out: not shown, {calibration.reason or 'too few drives'}."
    text = (
        f"Error on drives left out, each of {len(calibration.drives)} predicted from {by}: "
        f"median {100 * calibration.median_error_ratio:.1f} %"
    )
    if calibration.p90_error_ratio is not None:
        text += f", 9 in 10 within {100 * calibration.p90_error_ratio:.1f} %"
    if calibration.naive_median_error_ratio is not None:
        text += f" (by the mean of the others: {100 * calibration.naive_median_error_ratio:.1f} %)"
    return f"{text}; the 90 % interval {calibration.held_words}."
