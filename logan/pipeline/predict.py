"""Plan and refined prediction side by side, and why they differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from logan.driving_range.attribution import Attribution, attribute_change
from logan.driving_range.prediction import RangePrediction, ScenarioRange, predict_range
from logan.driving_range.sensitivity import Tornado, tornado
from logan.driving_range.sizing import PackSizing, size_pack
from logan.driving_range.usable_energy import UsableEnergy, usable_energy_of
from logan.model.fit_result import FitResult
from logan.pipeline.plan import Plan, ScheduleOfDrive, build_fingerprint, prepare_build, target_scenario
from logan.results import Estimate
from logan.settings import BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RefinedRange:
    """What was planned and what the drives make of it.

    Parameters
    ----------
    planned : RangePrediction
        From the plan, as it was frozen.
    refined : RangePrediction
        From the fit.
    plan_created_at : str
        When the plan was made.
    plan_is_outdated : bool
        True when the build's settings have changed since.
    planned_sizing, refined_sizing : PackSizing
        Pack that the target needs.
    planned_usable, refined_usable : UsableEnergy
        What the pack was thought to give, and gives.
    attributions : tuple of Attribution
        Why each scenario moved.
    tornado : Tornado
        What the refined answer hangs on most.
    notes : tuple of str
        In plain words.
    """

    schema: ClassVar[str] = "refined-range/1"

    planned: RangePrediction
    refined: RangePrediction
    plan_created_at: str
    plan_is_outdated: bool
    planned_sizing: PackSizing
    refined_sizing: PackSizing
    planned_usable: UsableEnergy
    refined_usable: UsableEnergy
    attributions: tuple[Attribution, ...]
    tornado: Tornado
    notes: tuple[str, ...] = ()

    @property
    def pairs(self) -> tuple[tuple[ScenarioRange | None, ScenarioRange], ...]:
        """Planned and refined of every refined scenario; None where the plan did not have it."""
        planned = {scenario.name: scenario for scenario in self.planned.scenarios}
        return tuple((planned.get(scenario.name), scenario) for scenario in self.refined.scenarios)


def refine_range(
    build: BuildSettings,
    plan: Plan,
    fit: FitResult,
    rng: np.random.Generator,
    *,
    measured_usable: Estimate | None = None,
    schedule_of_drive: ScheduleOfDrive | None = None,
) -> RefinedRange:
    """Predict every scenario from the fit, and lay it beside the plan.

    Parameters
    ----------
    build : BuildSettings
        The build.
    plan : Plan
        As frozen.
    fit : FitResult
        Parameters refined by drives.
    rng : numpy.random.Generator
        Source of the samples.
    measured_usable : Estimate, optional
        Usable energy at 25 degC and moderate load that drives have shown. [Wh]
    schedule_of_drive : callable, optional
        Finds recorded drives for scenarios that replay one.

    Returns
    -------
    RefinedRange
        Both predictions, sizing, and the waterfall between them.
    """
    prepared, left_out = prepare_build(build, schedule_of_drive)
    target = target_scenario(build, prepared)
    usable = usable_energy_of(build, measured_usable)
    refined = predict_range(
        fit.posterior,
        build,
        prepared,
        usable=usable,
        between_drive_sigma=fit.between_drive_sigma_ratio,
        auxiliary_sigma=fit.auxiliary_sigma_ratio,
        driven=fit.hull,
        rng=rng,
        drive_count=fit.drive_count,
    )
    sizing = size_pack(
        fit.posterior,
        build,
        target,
        usable=usable,
        between_drive_sigma=fit.between_drive_sigma_ratio,
        auxiliary_sigma=fit.auxiliary_sigma_ratio,
        rng=rng,
    )
    is_outdated = plan.build_fingerprint != build_fingerprint(build)
    return RefinedRange(
        planned=plan.prediction,
        refined=refined,
        plan_created_at=plan.created_at,
        plan_is_outdated=is_outdated,
        planned_sizing=plan.sizing,
        refined_sizing=sizing,
        planned_usable=plan.usable,
        refined_usable=usable,
        attributions=tuple(
            attribute_change(
                plan.parameters, fit.posterior, build, scenario, usable_before=plan.usable, usable_after=usable
            )
            for scenario in prepared
        ),
        tornado=tornado(fit.posterior, build, target, usable=usable),
        notes=_notes(refined, is_outdated, left_out),
    )


def _notes(refined: RangePrediction, is_outdated: bool, left_out: tuple[str, ...]) -> tuple[str, ...]:
    notes = list(left_out)
    if is_outdated:
        notes.append("the build's settings have changed since the plan was frozen; the plan shown is the old one")
    if refined.note:
        notes.append(refined.note)
    notes.extend(f"{scenario.name}: {scenario.note}" for scenario in refined.scenarios if scenario.note)
    return tuple(notes)
