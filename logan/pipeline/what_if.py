"""What the page asks at once: another speed, temperature, payload or pack; and its figures, as JSON."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from logan.driving_range.consumption_curve import consumption_curve
from logan.driving_range.prediction import ScenarioRange, predict_range
from logan.driving_range.scenarios import prepare_scenarios
from logan.driving_range.sensitivity import Standpoint
from logan.errors import UsageError
from logan.model.schedule import Schedule
from logan.pipeline.builds import BuildFolder
from logan.pipeline.plan import Plan
from logan.pipeline.refine import Refinement
from logan.report.draw import svg
from logan.report.figure import Figure, figure_css as figure_style
from logan.report.figures.consumption import cause_figure, speed_figure
from logan.report.figures.driving_range import attribution_figure, range_figure, unsure_figure
from logan.report.page import figure_script
from logan.results import json_ready, result
from logan.settings import BuildSettings, Scenario, ScenarioKind
from logan.units import METRES_PER_SECOND_PER_MPH
from logan.wording import parameter_words

SAMPLES: Final = 2_000
_USUAL_M_PER_S: Final = 65.0 * METRES_PER_SECOND_PER_MPH


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A steady drive on the level that is asked about; None takes the build's own pack.

    Parameters
    ----------
    speed_m_per_s, ambient_temperature_degc, payload_kg : float
        What is driven.
    usable_energy_wh : float or None
        Pack at 25 degrees Celsius; the mass of added or removed cells is carried along.
    drag_area_factor : float
        Drag area over that of the target's scenario.
    """

    speed_m_per_s: float
    ambient_temperature_degc: float = 20.0
    payload_kg: float = 0.0
    usable_energy_wh: float | None = None
    drag_area_factor: float = 1.0


@result("what-if/1", eq=False)
class Answer:
    """The range of one question.

    Parameters
    ----------
    question : Question
        As asked.
    basis : str
        "plan" or "fit".
    answer : ScenarioRange
        Consumption, range, chance of the target.
    """

    question: Question
    basis: str
    answer: ScenarioRange


def what_if(build: BuildSettings, basis: Plan | Refinement, question: Question) -> Answer:
    """Answer one question from a plan or from a fit.

    Parameters
    ----------
    build : BuildSettings
        The build.
    basis : Plan or Refinement
        What is known.
    question : Question
        What is asked.

    Returns
    -------
    Answer
        In a fraction of a second.
    """
    known, added_kg = _known(build, basis), 0.0
    if (asked_wh := question.usable_energy_wh) is not None:
        usable = known.usable
        added_kg = (asked_wh - usable.energy_wh) * build.pack.cell_mass_kg_per_wh
        sigma_wh = usable.sigma_wh * (asked_wh / usable.energy_wh)
        known = replace(known, usable=replace(usable, energy_wh=asked_wh, sigma_wh=sigma_wh))
    target = _steady_target(build)
    scenario = replace(
        target,
        name="what if",
        speed_m_per_s=question.speed_m_per_s,
        ambient_temperature_degc=question.ambient_temperature_degc,
        payload_kg=question.payload_kg + added_kg,
        drag_area_factor=target.drag_area_factor * question.drag_area_factor,
    )
    prepared, rng = prepare_scenarios((scenario,), _no_schedule), np.random.default_rng(1)
    # The same samples for every question, so that a slider moves the answer and chance does not.
    prediction = predict_range(known, build, prepared, rng=rng, samples=SAMPLES)
    return Answer(question=question, basis=prediction.basis, answer=prediction.scenarios[0])


def _known(build: BuildSettings, basis: Plan | Refinement) -> Standpoint:
    """What a plan or a fit says of the build."""
    if not isinstance(basis, Refinement):
        return basis.standpoint
    return replace(Standpoint.of_fit(build, basis.fit.fit), usable=basis.range.refined_usable)


def starting_question(build: BuildSettings) -> Question:
    """The question that the target itself asks; a steady 65 mph where its scenario is no steady one."""
    target = _steady_target(build)
    assert target.speed_m_per_s is not None
    return Question(
        speed_m_per_s=target.speed_m_per_s,
        ambient_temperature_degc=target.ambient_temperature_degc,
        payload_kg=target.payload_kg,
    )


def _steady_target(build: BuildSettings) -> Scenario:
    """The target's scenario where it is a steady speed; else a steady one in its weather and with its load."""
    target = next(scenario for scenario in build.scenarios if scenario.name == build.target.scenario)
    if target.kind is ScenarioKind.STEADY:
        return target
    return Scenario(
        name="what if",
        kind=ScenarioKind.STEADY,
        speed_m_per_s=_USUAL_M_PER_S,
        ambient_temperature_degc=target.ambient_temperature_degc,
        payload_kg=target.payload_kg,
        round_trip=target.round_trip,
    )


def _no_schedule(scenario: Scenario) -> Schedule:
    raise UsageError("only steady speeds can be asked for here", "Add a scenario to build.toml for the rest")


__all__ = ["figure_script", "figure_style", "range_json"]


def drawn(figure: Figure) -> dict[str, str]:
    """A figure as the page takes it: what it finds, and its drawing for a wide and a narrow screen."""
    return {
        "title": figure.finding,
        "alt": figure.alt,
        "detail": figure.detail,
        "wide": svg(figure, "wide"),
        "narrow": svg(figure, "narrow"),
    }


def range_json(folder: BuildFolder, basis: Plan | Refinement) -> dict[str, Any]:
    """Range in every scenario, planned and refined, with its figures."""
    build = folder.settings()
    rng = np.random.default_rng(1)
    plan = basis.plan if isinstance(basis, Refinement) else basis
    refined = basis.range.refined if isinstance(basis, Refinement) else None
    plan_curve = consumption_curve(plan.parameters, build, rng=rng, samples=500)
    figures = [range_figure(plan.prediction, refined, build.display)]
    curve, hull, budget = None, None, plan.budget
    if isinstance(basis, Refinement):
        fit, budget = basis.fit.fit, basis.range.budget
        figures.append(attribution_figure(basis.range.attribution(build.target.scenario), build.display))
        curve = consumption_curve(fit.posterior, build, rng=rng, samples=500, learned=fit.learned)
        hull = fit.hull
    figures += [
        *([] if budget is None else [unsure_figure(budget, build.display)]),
        speed_figure(plan_curve, curve, (), build.display, hull),
        cause_figure(refined or plan.prediction, build.display),
    ]
    known = _known(build, basis)
    return {
        "basis": "plan" if refined is None else "fit",
        "prediction": json_ready(refined or plan.prediction),
        "planned": json_ready(plan.prediction),
        "usable_energy_wh": known.usable.energy_wh,
        "start": json_ready(starting_question(build)),
        **{name: known.parameters.estimate(name).value for name in ("mass_kg", "drag_area_m2")},
        "target_range_m": build.target.range_m,
        "confidence_ratio": build.target.confidence_ratio,
        "notes": list(basis.range.notes) if isinstance(basis, Refinement) else [],
        "budget": _worded(json_ready(budget)),
        "next_tests": json_ready(basis.next_tests) if isinstance(basis, Refinement) else None,
        "figures": [drawn(figure) for figure in figures],
    }


def _worded(budget: Any) -> Any:
    """A budget as JSON whose sources are named in words too; None for none."""
    return budget and {**budget, "rows": [{**row, "words": parameter_words(row["source"])} for row in budget["rows"]]}
