"""Figures for the local page, as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from logan.driving_range.consumption_curve import consumption_curve
from logan.pipeline.builds import BuildFolder
from logan.pipeline.plan import Plan
from logan.pipeline.refine import Refinement
from logan.pipeline.what_if import starting_question
from logan.report.draw import svg
from logan.report.figure import Figure
from logan.report.figures.consumption import cause_figure, speed_figure
from logan.report.figures.driving_range import attribution_figure, range_figure, unsure_figure
from logan.report.page import figure_script
from logan.report.theme import figure_css as figure_style
from logan.results import json_ready

__all__ = ["figure_script", "figure_style", "range_json"]


def _listed(figures: Sequence[Figure]) -> list[dict[str, str]]:
    """Figures as the page takes them: what each finds, and its drawing for a wide and a narrow screen."""
    return [
        {
            "title": figure.finding,
            "alt": figure.alt,
            "detail": figure.detail,
            "wide": svg(figure, "wide"),
            "narrow": svg(figure, "narrow"),
        }
        for figure in figures
    ]


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
        curve, hull = consumption_curve(fit.posterior, build, rng=rng, samples=500), fit.hull
    figures += [
        *([] if budget is None else [unsure_figure(budget, build.display)]),
        speed_figure(plan_curve, curve, (), build.display, hull),
        cause_figure(refined or plan.prediction, build.display),
    ]
    vehicle = basis.fit.fit.posterior if isinstance(basis, Refinement) else plan.parameters
    usable = basis.range.refined_usable if isinstance(basis, Refinement) else plan.usable
    return {
        "basis": "plan" if refined is None else "fit",
        "prediction": json_ready(refined or plan.prediction),
        "planned": json_ready(plan.prediction),
        "usable_energy_wh": usable.energy_wh,
        "start": json_ready(starting_question(build)),
        **{name: vehicle.estimate(name).value for name in ("mass_kg", "drag_area_m2")},
        "target_range_m": build.target.range_m,
        "distance_unit": build.display.distance,
        "temperature_unit": build.display.temperature,
        "confidence_ratio": build.target.confidence_ratio,
        "notes": list(basis.range.notes) if isinstance(basis, Refinement) else [],
        "budget": json_ready(budget),
        "next_tests": json_ready(basis.next_tests) if isinstance(basis, Refinement) else None,
        "figures": _listed(figures),
    }
