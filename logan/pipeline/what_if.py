"""What if: another speed, temperature, payload or pack, answered at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.driving_range.other_values import learned_other_values, with_regen_limit_w
from logan.driving_range.prediction import ScenarioRange, predict_range
from logan.driving_range.scenarios import prepare_scenarios
from logan.errors import UsageError
from logan.model.schedule import Schedule
from logan.pipeline.plan import Plan
from logan.pipeline.predict import seen_regen_limit_w
from logan.pipeline.refine import Refinement
from logan.results import Estimate, Figure, Refusal, result
from logan.settings import BuildSettings, Scenario, ScenarioKind
from logan.units import METRES_PER_SECOND_PER_MPH

SAMPLES: Final = 2_000
_USUAL_M_PER_S: Final = 65.0 * METRES_PER_SECOND_PER_MPH
_BISECTIONS: Final = 11
_ALLOWED: Final = {
    "speed_m_per_s": (2.0, 60.0),
    "ambient_temperature_degc": (-40.0, 50.0),
    "payload_kg": (0.0, 3_000.0),
    "usable_energy_wh": (1_000.0, 300_000.0),
}


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


def what_if(build: BuildSettings, basis: Plan | Refinement, question: Question, *, seed: int = 1) -> Answer:
    """Answer one question from a plan or from a fit.

    Parameters
    ----------
    build : BuildSettings
        The build.
    basis : Plan or Refinement
        What is known.
    question : Question
        What is asked.
    seed : int
        Of the samples: the same for every question, so that a slider moves the answer and chance does not.

    Returns
    -------
    Answer
        In a fraction of a second.

    Raises
    ------
    UsageError
        If a value lies outside what makes sense.
    """
    for name, (low, high) in _ALLOWED.items():
        value = getattr(question, name)
        if value is not None and not low <= value <= high:
            raise UsageError(f"{name}: expected {low:g} to {high:g}, got {value:g}", "Choose another value")
    return _answered(build, basis, question, seed)


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
    )


def _answered(build: BuildSettings, basis: Plan | Refinement, question: Question, seed: int) -> Answer:
    plan = basis.plan if isinstance(basis, Refinement) else basis
    fit = basis.fit.fit if isinstance(basis, Refinement) else None
    usable = basis.range.refined_usable if isinstance(basis, Refinement) else plan.usable
    added_kg = 0.0
    if question.usable_energy_wh is not None:
        factor = question.usable_energy_wh / usable.energy_wh
        added_kg = (question.usable_energy_wh - usable.energy_wh) * build.pack.cell_mass_kg_per_wh
        usable = replace(usable, energy_wh=question.usable_energy_wh, sigma_wh=usable.sigma_wh * factor)
    target = _steady_target(build)
    scenario = replace(
        target,
        name="what if",
        speed_m_per_s=question.speed_m_per_s,
        ambient_temperature_degc=question.ambient_temperature_degc,
        payload_kg=question.payload_kg + added_kg,
        drag_area_factor=target.drag_area_factor * question.drag_area_factor,
    )
    prediction = predict_range(
        plan.parameters if fit is None else fit.posterior,
        build if fit is None else with_regen_limit_w(build, seen_regen_limit_w(fit)),
        prepare_scenarios((scenario,), _no_schedule),
        usable=usable,
        between_drive_sigma=plan.prediction.between_drive_sigma if fit is None else fit.between_drive_sigma_ratio,
        auxiliary_sigma=plan.prediction.auxiliary_sigma if fit is None else fit.auxiliary_sigma_ratio,
        driven=None if fit is None else fit.hull,
        rng=np.random.default_rng(seed),
        samples=SAMPLES,
        drive_count=0 if fit is None else fit.drive_count,
        others=plan.others if fit is None else learned_other_values(build, fit.learned),
    )
    return Answer(question=question, basis="plan" if fit is None else "fit", answer=prediction.scenarios[0])


@result("lever/1")
class Lever:
    """One thing that could bring the target within reach, all else as it is.

    Parameters
    ----------
    name : str
        ``usable_energy``, ``drag_area``, ``speed`` or ``weight``.
    now : float
        As it is, in the unit of ``needed``.
    needed : Figure
        Value at which the chance wanted is just reached; refused where no sensible one does.
    """

    name: str
    now: float
    needed: Figure


@result("what-it-takes/1")
class WhatItTakes:
    """What would have to be true for the target, one thing at a time."""

    target_range_m: float
    confidence_ratio: float
    basis: str
    chance_ratio: float
    levers: tuple[Lever, ...]


def what_it_takes(build: BuildSettings, basis: Plan | Refinement, *, seed: int = 1) -> WhatItTakes:
    """The target turned round: pack, drag area, speed and weight at which it is reached with the chance wanted.

    Parameters
    ----------
    build, basis, seed
        As in ``what_if``.

    Returns
    -------
    WhatItTakes
        In a few seconds; each lever alone, the others as they are.
    """
    start, wanted = starting_question(build), build.target.confidence_ratio
    refined = isinstance(basis, Refinement)
    usable = basis.range.refined_usable if isinstance(basis, Refinement) else basis.usable
    vehicle = basis.fit.fit.posterior if isinstance(basis, Refinement) else basis.parameters
    now = {
        "usable_energy": ("usable_energy_wh", usable.energy_wh, "Wh", 0.2, 5.0),
        "drag_area": ("drag_area_factor", 1.0, "m2", 0.3, 2.0),
        "speed": ("speed_m_per_s", start.speed_m_per_s, "m/s", 0.3, 1.8),
        "weight": ("payload_kg", start.payload_kg, "kg", -0.5, 1.0),
    }
    means = {name: vehicle.estimate(name).value for name in ("mass_kg", "drag_area_m2")}

    def chance(field: str, value: float) -> float:
        return _answered(build, basis, replace(start, **{field: value}), seed).answer.probability_of_target

    levers = []
    for name, (field, value, unit, low, high) in now.items():
        scale, base = (means["drag_area_m2"], 0.0) if name == "drag_area" else (1.0, 0.0)
        if name == "weight":
            base, bounds = means["mass_kg"], (low * means["mass_kg"], high * means["mass_kg"])
        else:
            bounds = (low * value, high * value)
        found = _crossing(lambda x, field=field: chance(field, x) - wanted, *bounds)  # type: ignore[misc]
        reason = "beyond what makes sense: it alone does not decide this target"
        needed: Figure = (
            Refusal(reason, "Change more than one thing")
            if found is None
            else Estimate(base + scale * found, unit, None, f"where the chance is {wanted:.0%}")
        )
        levers.append(Lever(name=name, now=base + scale * value, needed=needed))
    return WhatItTakes(
        target_range_m=build.target.range_m,
        confidence_ratio=wanted,
        basis="fit" if refined else "plan",
        chance_ratio=_answered(build, basis, start, seed).answer.probability_of_target,
        levers=tuple(levers),
    )


def _crossing(height: Callable[[float], float], low: float, high: float) -> float | None:
    """Where a monotone function passes zero, by bisection; None where it does not within the bounds."""
    at_low = height(low)
    if (at_low >= 0.0) == (height(high) >= 0.0):
        return None
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if (height(middle) >= 0.0) == (at_low >= 0.0):
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _no_schedule(scenario: Scenario) -> Schedule:
    raise UsageError("only steady speeds can be asked for here", "Add a scenario to build.toml for the rest")
