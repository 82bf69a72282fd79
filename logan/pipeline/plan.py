"""The plan: what a build is predicted to do before any drive."""

import hashlib
import json
from collections.abc import Callable, Collection
from datetime import UTC, datetime

import numpy as np

from logan.drive_cycles.cycles import load_cycle
from logan.drive_cycles.route import load_route
from logan.driving_range.attribution import plan_budget
from logan.driving_range.certification_sheet import (
    SCHEDULES,
    CertificationSheet as CertificationSheet,
    certification_sheet,
    read_known,
)
from logan.driving_range.other_values import Assumption, OtherValues, learned_other_values
from logan.driving_range.performance import CruisePoint as CruisePoint, GearingSheet as GearingSheet, gearing_sheet
from logan.driving_range.prediction import (
    RangePrediction as RangePrediction,
    ScenarioRange as ScenarioRange,
    predict_range,
)
from logan.driving_range.scenarios import PreparedScenario, air_note, prepare_scenarios
from logan.driving_range.sensitivity import Standpoint, assumption_rows
from logan.driving_range.sizing import PackSizing as PackSizing, agreed_with, size_pack
from logan.driving_range.uncertainty_budget import UncertaintyBudget
from logan.driving_range.usable_energy import UsableEnergy
from logan.errors import ConfigurationError, UsageError
from logan.heat.fit import HeatModel
from logan.model.fit_result import FitResult
from logan.model.parameters import PARAMETER_NAMES, PARAMETER_UNITS, ParameterDistribution
from logan.model.priors import planning_values, prior_of, raised_if_published
from logan.model.schedule import Replay, Schedule
from logan.results import json_ready, result
from logan.settings import BuildSettings, PlanningValue, Scenario, ScenarioKind

RecordedDrive = Callable[[str], Replay]
"""Finds a recorded drive by its number or id."""


@result("plan/1", eq=False)
class Plan:
    """A prediction made before any drive.

    Parameters
    ----------
    build_name : str
        Of the build.
    created_at : str
        ISO 8601, UTC.
    build_fingerprint : str
        SHA-256 of the settings that it rests on.
    assumptions : tuple of Assumption
        Everything that was assumed.
    parameters : ParameterDistribution
        The same as a distribution: the prior of the fit.
    others : OtherValues
        Answers to temperature.
    usable : UsableEnergy
        What the pack is thought to give.
    prediction : RangePrediction
        Consumption and range in every scenario.
    sizing : PackSizing
        Pack that the target needs.
    gearing : GearingSheet
        Reductions side by side.
    left_out : tuple of str
        Scenarios that cannot be predicted yet, and why.
    air : str
        Which air the scenarios are in, where nobody said.
    budget : UncertaintyBudget or None
        All that makes the target's range unsure, in metres; None in plans of earlier versions.
    certification : CertificationSheet or None
        UDDS and HWFET at the pack and at the wall, MPGe and range; None in plans of earlier versions.
    """

    build_name: str
    created_at: str
    build_fingerprint: str
    assumptions: tuple[Assumption, ...]
    parameters: ParameterDistribution
    others: OtherValues
    usable: UsableEnergy
    prediction: RangePrediction
    sizing: PackSizing
    gearing: GearingSheet
    left_out: tuple[str, ...] = ()
    certification: CertificationSheet | None = None
    air: str = ""
    budget: UncertaintyBudget | None = None

    @property
    def standpoint(self) -> Standpoint:
        """What its prediction rests on."""
        return Standpoint(
            parameters=self.parameters,
            others=self.others,
            usable=self.usable,
            level_sigma=self.prediction.level_sigma,
            wind_sigma_m_per_s=self.prediction.wind_sigma_m_per_s,
            auxiliary_sigma=self.prediction.auxiliary_sigma,
        )


def make_plan(
    build: BuildSettings,
    rng: np.random.Generator,
    *,
    now: datetime | None = None,
    known: Collection[str] = (),
) -> Plan:
    """Predict a build from its assumptions alone.

    Parameters
    ----------
    build : BuildSettings
        The build.
    rng : numpy.random.Generator
        Source of the samples.
    now : datetime, optional
        Moment of the plan.
    known : collection of str
        Measured consumption at the wall, such as ``udds=350 Wh/mi``, from which the other schedule is learned.

    Returns
    -------
    Plan
        The prediction; ``logan.pipeline.plan_files`` keeps it.

    Raises
    ------
    ConfigurationError
        If a scenario cannot be prepared.
    """
    prepared, left_out = prepare_build(build)
    target = target_scenario(build, prepared)
    known_so_far = Standpoint.of_plan(build)
    moment = now or datetime.now(UTC)
    prediction = predict_range(known_so_far, build, prepared, rng=rng)
    spreads = known_so_far.day_sigmas(build, target)
    sizing = size_pack(known_so_far, build, target, rng=rng)
    return Plan(
        build_name=build.name,
        created_at=moment.astimezone(UTC).isoformat(timespec="seconds"),
        build_fingerprint=build_fingerprint(build, {scenario.name for scenario in prepared}),
        assumptions=assumptions_of(build),
        parameters=known_so_far.parameters,
        others=known_so_far.others,
        usable=known_so_far.usable,
        prediction=prediction,
        sizing=agreed_with(sizing, prediction.target),
        budget=plan_budget(known_so_far, assumption_rows(known_so_far, build, target), prediction.target, spreads),
        gearing=gearing_sheet(build, known_so_far.parameters),
        certification=certification_sheet(
            build,
            {name: load_cycle(name) for name in SCHEDULES},
            usable=known_so_far.usable,
            rng=rng,
            known_wall_wh_per_km=_known(known),
        ),
        left_out=left_out,
        air=air_note(build),
    )


def _known(texts: Collection[str]) -> dict[str, float]:
    try:
        return dict(read_known(text) for text in texts)
    except ValueError as error:
        raise UsageError(str(error), "Give one --known for each schedule measured") from None


def make_gearing_sheet(
    build: BuildSettings, fit: FitResult | None = None, *, heat: HeatModel | None = None
) -> GearingSheet:
    """Compare the reductions that a build considers, by its plan or by a fit; see ``gearing_sheet``."""
    if fit is None:
        return gearing_sheet(build, prior_of(build), heat=heat)
    drives = "one drive" if fit.drive_count == 1 else f"{fit.drive_count} drives"
    environment = learned_other_values(build, fit.learned).environment
    return gearing_sheet(build, fit.posterior, heat=heat, environment=environment, basis=f"the fit of {drives}")


def prepare_build(
    build: BuildSettings, recorded_drive: RecordedDrive | None = None
) -> tuple[tuple[PreparedScenario, ...], tuple[str, ...]]:
    """Read the schedules of all scenarios of a build.

    Parameters
    ----------
    build : BuildSettings
        The build.
    recorded_drive : callable, optional
        Finds recorded drives.

    Returns
    -------
    prepared : tuple of PreparedScenario
        Scenarios that can be predicted.
    left_out : tuple of str
        Those that cannot, and why.

    Raises
    ------
    ConfigurationError
        If a cycle, a route or a mix is wrong.
    """
    waiting = {
        scenario.name for scenario in build.scenarios if scenario.kind is ScenarioKind.REPLAY and recorded_drive is None
    }
    waiting |= {scenario.name for scenario in build.scenarios if waiting & set(scenario.parts)}

    def schedule_of(scenario: Scenario) -> Schedule | Replay:
        if scenario.kind is ScenarioKind.CYCLE:
            return load_cycle(scenario.cycle)
        if scenario.kind is ScenarioKind.ROUTE and scenario.route is not None:
            return load_route(scenario.route, speed_m_per_s=scenario.speed_m_per_s)
        if scenario.kind is ScenarioKind.REPLAY and recorded_drive is not None:
            return recorded_drive(scenario.drive)
        raise ConfigurationError(
            f"scenario '{scenario.name}' does not say what is driven", "Give speed, cycle or route"
        )

    kept = [scenario for scenario in build.scenarios if scenario.name not in waiting]
    reasons = tuple(f"{name}: replays a drive that is not there yet" for name in sorted(waiting))
    return prepare_scenarios(kept, schedule_of), reasons


def target_scenario(build: BuildSettings, prepared: tuple[PreparedScenario, ...]) -> PreparedScenario:
    """Return the scenario in which the target must be reached.

    Raises
    ------
    ConfigurationError
        If it is not among the scenarios that can be predicted.
    """
    for scenario in prepared:
        if scenario.name == build.target.scenario:
            return scenario
    known = ", ".join(scenario.name for scenario in prepared)
    raise ConfigurationError(
        f"the target's scenario '{build.target.scenario}' cannot be predicted", f"Name one of: {known}"
    )


def build_fingerprint(build: BuildSettings, scenario_names: Collection[str]) -> str:
    """SHA-256 of what the prediction of some scenarios rests on; paths and display units do not count.

    Parameters
    ----------
    build : BuildSettings
        The build.
    scenario_names : collection of str
        Scenarios that were predicted; others may come and go without making a plan outdated.

    Returns
    -------
    str
        Hexadecimal digest.
    """
    parts = (build.vehicle, build.powertrain, build.pack, build.auxiliary, build.target)
    chosen = [scenario for scenario in build.scenarios if scenario.name in scenario_names]
    scenarios = [
        # A plan frozen before there were round trips has none.
        {key: value for key, value in content.items() if key != "route" and (key, value) != ("round_trip", False)}
        for content in (json_ready(scenario) for scenario in chosen)
        if isinstance(content, dict)
    ]
    content = [*(json_ready(part) for part in parts), scenarios]
    # The words in which a value was typed do not count either.
    bare = json.loads(json.dumps(content), object_hook=lambda part: {k: part[k] for k in part if k != "typed"})
    return hashlib.sha256(json.dumps(bare, sort_keys=True).encode()).hexdigest()


def assumptions_of(build: BuildSettings) -> tuple[Assumption, ...]:
    """List everything that a build assumes, each with its source."""
    vehicle, pack, auxiliary = build.vehicle, build.pack, build.auxiliary
    others: tuple[tuple[str, str, PlanningValue], ...] = (
        ("rolling_temperature_coefficient_per_k", "1/K", vehicle.rolling_temperature_coefficient_per_k),
        ("linear_road_load_n_s_per_m", "N s/m", raised_if_published(vehicle.linear_road_load_n_s_per_m)),
        ("tyre_rolling_circumference_m", "m", vehicle.tyre_rolling_circumference_m),
        ("usable_energy_wh", "Wh", pack.usable_energy_wh),
        ("charging_efficiency_ratio", "ratio", pack.charging_efficiency),
        ("usable_loss_per_k", "1/K", pack.usable_loss_per_k),
        ("pack_resistance_ohm", "ohm", pack.resistance_ohm),
        ("heating_w_per_k", "W/K", auxiliary.heating_w_per_k),
        ("cooling_w_per_k", "W/K", auxiliary.cooling_w_per_k),
    )
    own = zip(PARAMETER_NAMES, PARAMETER_UNITS, planning_values(build), strict=True)
    return tuple(
        Assumption(name=name, unit=unit, value=value.value, sigma=value.sigma, source=value.source, typed=value.typed)
        for name, unit, value in (*own, *others)
    )
