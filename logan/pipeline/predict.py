"""Plan and refined prediction side by side, and why they differ."""

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.driving_range.attribution import DAY_WIND, Attribution as Attribution, attribute_change, range_budget
from logan.driving_range.coverage import Calibration as Calibration
from logan.driving_range.prediction import RangePrediction, ScenarioRange, predict_range
from logan.driving_range.scenarios import PreparedScenario, in_the_air_of
from logan.driving_range.sensitivity import Standpoint, assumption_rows, consumption_elasticity
from logan.driving_range.sizing import PackSizing, agreed_with, size_pack
from logan.driving_range.uncertainty_budget import UncertaintyBudget as UncertaintyBudget
from logan.driving_range.usable_energy import UsableEnergy
from logan.errors import ConfigurationError
from logan.model.fit_result import FitResult
from logan.model.next_test import NextTests, rank_next_tests
from logan.model.schedule import Replay, replay_of
from logan.pipeline.builds import BuildFolder
from logan.pipeline.plan import Plan, RecordedDrive, build_fingerprint, make_plan, prepare_build, target_scenario
from logan.pipeline.plan_files import latest_plan, load_plan
from logan.results import result
from logan.settings import BuildSettings, Scenario
from logan.units import FloatArray

NO_FROZEN_PLAN: Final = "no plan was frozen before the drives; the plan shown was made now"


@result("refined-range/1")
class RefinedRange:
    """What was planned and what the drives make of it.

    Parameters
    ----------
    planned : RangePrediction
        From the plan, as it was frozen; scenarios that it did not have are predicted from its assumptions.
    refined : RangePrediction
        From the fit.
    plan_created_at : str
        When the plan was made.
    plan_is_outdated : bool
        True when the build's settings have changed since.
    refined_sizing : PackSizing
        Pack that the target needs.
    refined_usable : UsableEnergy
        What the pack gives.
    attributions : tuple of Attribution
        Why each scenario moved.
    elasticity : ndarray, shape (p,)
        Of the target's consumption to the parameters. [ratio]
    budget : UncertaintyBudget
        All that makes the target's range unsure, in metres.
    calibration : Calibration or None
        Leave-one-drive-out errors and coverage of this very build.
    notes : tuple of str
        In plain words.
    """

    planned: RangePrediction
    refined: RangePrediction
    plan_created_at: str
    plan_is_outdated: bool
    refined_sizing: PackSizing
    refined_usable: UsableEnergy
    attributions: tuple[Attribution, ...]
    elasticity: FloatArray
    budget: UncertaintyBudget
    calibration: Calibration | None = None
    notes: tuple[str, ...] = ()

    @property
    def pairs(self) -> tuple[tuple[ScenarioRange, ScenarioRange], ...]:
        """Planned and refined of every scenario."""
        planned = {scenario.name: scenario for scenario in self.planned.scenarios}
        return tuple((planned[scenario.name], scenario) for scenario in self.refined.scenarios)

    def attribution(self, scenario: str) -> Attribution:
        """Why one scenario moved; raises KeyError where there is none of that name."""
        for found in self.attributions:
            if found.scenario == scenario:
                return found
        raise KeyError(scenario)


def refine_range(
    build: BuildSettings,
    plan: Plan,
    fit: FitResult,
    rng: np.random.Generator,
    *,
    recorded_drive: RecordedDrive | None = None,
    calibration: Calibration | None = None,
) -> RefinedRange:
    """Predict every scenario from the fit, and lay it beside the plan.

    Parameters
    ----------
    build : BuildSettings
        The build.
    plan : Plan
        As frozen.
    fit : FitResult
        Parameters refined by drives; with its sensors' errors, where they are known.
    rng : numpy.random.Generator
        Source of the samples.
    recorded_drive : callable, optional
        Finds recorded drives for scenarios that replay one.
    calibration : Calibration, optional
        Leave-one-drive-out errors, carried along.

    Returns
    -------
    RefinedRange
        Both predictions, sizing, and the waterfall between them.
    """
    named = {scenario.name for scenario in plan.prediction.scenarios}
    is_outdated = plan.build_fingerprint != build_fingerprint(build, named)
    at_sea, _ = prepare_build(build, recorded_drive)
    build = in_the_air_of(build, fit.hull.pressure_pa if fit.hull else None)
    prepared, left_out = prepare_build(build, recorded_drive)
    target = target_scenario(build, prepared)
    before, after = plan.standpoint, Standpoint.of_fit(build, fit)
    # Numbers of their own, so that one more scenario changes none of the others.
    of_range, of_plan = rng.spawn(2)
    of_scenarios, of_sizing = of_range.spawn(2)
    refined = predict_range(after, build, prepared, rng=of_scenarios)
    refined = replace(refined, is_prior_dominated=refined.is_prior_dominated or fit.is_prior_dominated)
    sizing = agreed_with(size_pack(after, build, target, rng=of_sizing), refined.target)
    planned = _completed(plan, build, at_sea, of_plan)
    days = after.day_sigmas(build, target)
    elasticity = consumption_elasticity(target, fit.posterior.median, after.seen_in(build), after.others)
    return RefinedRange(
        planned=planned,
        refined=refined,
        plan_created_at=plan.created_at,
        plan_is_outdated=is_outdated,
        refined_sizing=sizing,
        refined_usable=after.usable,
        attributions=tuple(
            attribute_change(before, after, build, scenario)
            .from_the_air_of(before, build, earlier, scenario)
            .between(planned.scenario(scenario.name), refined.scenario(scenario.name))
            for earlier, scenario in zip(at_sea, prepared, strict=True)
        ),
        elasticity=elasticity,
        budget=range_budget(fit, assumption_rows(after, build, target), elasticity, refined.target, days),
        calibration=calibration,
        notes=_notes(refined, fit, is_outdated, left_out),
    )


def next_tests(fit: FitResult, build: BuildSettings, found: RefinedRange) -> NextTests:
    """What would narrow the target's interval most per hour of work."""
    budget = found.budget
    by_wind = sum(row.sigma / 100.0 for row in budget.rows if row.source == DAY_WIND)
    return rank_next_tests(
        fit,
        found.elasticity,
        build,
        range_m=budget.value,
        combined_sigma_m=budget.combined,
        wind_log_sigma=by_wind,
    )


def _completed(
    plan: Plan, build: BuildSettings, prepared: tuple[PreparedScenario, ...], rng: np.random.Generator
) -> RangePrediction:
    """The frozen prediction, with the scenarios that it did not have predicted from its own assumptions."""
    known = {scenario.name for scenario in plan.prediction.scenarios}
    missing = [scenario for scenario in prepared if scenario.name not in known]
    if not missing:
        return plan.prediction
    added = predict_range(plan.standpoint, build, missing, rng=rng)
    return replace(plan.prediction, scenarios=(*plan.prediction.scenarios, *added.scenarios))


def _notes(refined: RangePrediction, fit: FitResult, is_outdated: bool, left_out: tuple[str, ...]) -> tuple[str, ...]:
    notes = [*left_out, *fit.contradicted]
    if is_outdated:
        notes.append("the build's settings have changed since the plan was frozen; the plan shown is the old one")
    if refined.note:
        notes.append(refined.note)
    elif fit.is_prior_dominated:
        notes.append("mostly your plan: too few drives")
    notes.extend(f"{one.name}: {note}" for one in refined.scenarios for note in one.note.split("; ") if note)
    return tuple(notes)


def plan_of_build(
    folder: BuildFolder, build: BuildSettings, rng: np.random.Generator, path: Path | None = None
) -> tuple[Plan, bool]:
    """Return the plan to compare with: the one named, else the newest frozen one, else one made now.

    Parameters
    ----------
    folder : BuildFolder
        Where the frozen plans are.
    build : BuildSettings
        The build.
    rng : numpy.random.Generator
        Source of the samples of a plan made now.
    path : Path, optional
        A frozen plan.

    Returns
    -------
    plan : Plan
        The plan.
    is_frozen : bool
        False when it was made now and kept nowhere.
    """
    if path is not None:
        return load_plan(path), True
    frozen = latest_plan(folder.plans)
    return (frozen, True) if frozen is not None else (make_plan(build, rng), False)


def recorded_drives(library: DriveLibrary) -> RecordedDrive:
    """Return the finder of recorded drives of a library, for scenarios that replay one."""

    def find(drive: str) -> Replay:
        record = library.record(drive)
        return replay_of(library.load(record.id), name=f"drive {record.number}")

    return find


def with_scenario(content: dict[str, object], folder: Path, build: BuildSettings) -> BuildSettings:
    """Return the build with one more scenario, written with the keys of a ``[[scenario]]`` table.

    Raises
    ------
    ConfigurationError
        If the scenario is wrong, or its name is taken.
    """
    from logan.configuration.build import read_scenario

    scenario: Scenario = read_scenario(content, folder, build.home_pressure_pa)
    if any(other.name == scenario.name for other in build.scenarios):
        raise ConfigurationError(f"a scenario is called '{scenario.name}' already", "Give another name with --name")
    return replace(build, scenarios=(*build.scenarios, scenario))
