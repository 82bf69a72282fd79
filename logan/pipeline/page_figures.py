"""Figures for the local page, as JSON."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from logan.driving_range.consumption_curve import consumption_curve
from logan.pipeline.builds import BuildFolder
from logan.pipeline.library import open_library
from logan.pipeline.plan import Plan
from logan.pipeline.refine import Refinement
from logan.pipeline.stored import load_corrected, stored_drive
from logan.report.figures.consumption import cause_figure, predicted_measured_figure, speed_figure
from logan.report.figures.driving_range import attribution_figure, range_figure, tornado_figure
from logan.report.figures.timeline import timeline_figure
from logan.results import json_ready


def figure_content(figure: Any) -> Any:
    """A figure as JSON-ready data, numbers and all."""
    return json.loads(figure.to_json())


def timeline_json(folder: BuildFolder, drive: int) -> dict[str, Any]:
    """Timeline of one drive with its flags.

    Raises
    ------
    LoganError
        If there is no such drive, or it is damaged.
    """
    build = folder.settings()
    with open_library(folder.path, create=True) as library:
        stored = stored_drive(library, library.record(drive), build)
        loaded = load_corrected(library, drive)
    figure = timeline_figure(loaded, stored.analysis.flags, build.display)
    return {"figure": figure_content(figure), "alt": figure.layout.meta["alt"]}


def range_json(folder: BuildFolder, basis: Plan | Refinement) -> dict[str, Any]:
    """Range in every scenario, planned and refined, with its figures."""
    build = folder.settings()
    rng = np.random.default_rng(1)
    plan = basis.plan if isinstance(basis, Refinement) else basis
    refined = basis.range.refined if isinstance(basis, Refinement) else None
    plan_curve = consumption_curve(plan.parameters, build, rng=rng, samples=500)
    figures = {"Range by scenario": range_figure(plan.prediction, refined, build.display)}
    if isinstance(basis, Refinement):
        fit = basis.fit.fit
        target = basis.range.attribution(build.target.scenario)
        figures["Why the prediction moved"] = attribution_figure(target, build.display)
        curve = consumption_curve(fit.posterior, build, rng=rng, samples=500)
        figures["Consumption against speed"] = speed_figure(plan_curve, curve, (), build.display)
        labels = [drive.drive_id for drive in fit.drives]
        figures["Predicted against measured"] = predicted_measured_figure(fit, labels, build.display)
        figures["What the answer hangs on"] = tornado_figure(basis.range.tornado, build.display)
    else:
        figures["Consumption against speed"] = speed_figure(plan_curve, None, (), build.display)
        figures["What the answer hangs on"] = tornado_figure(plan.tornado, build.display)
    figures["Where the energy goes"] = cause_figure(refined or plan.prediction, build.display)
    usable = basis.range.refined_usable if isinstance(basis, Refinement) else plan.usable
    return {
        "basis": "plan" if refined is None else "fit",
        "prediction": json_ready(refined or plan.prediction),
        "planned": json_ready(plan.prediction),
        "usable_energy_wh": usable.energy_wh,
        "target_range_m": build.target.range_m,
        "distance_unit": build.display.distance,
        "temperature_unit": build.display.temperature,
        "notes": list(basis.range.notes) if isinstance(basis, Refinement) else [],
        "figures": [
            {"title": title, "figure": figure_content(figure), "alt": figure.layout.meta["alt"]}
            for title, figure in figures.items()
        ],
    }
