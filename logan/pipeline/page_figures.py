"""Figures for the local page, as JSON."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from logan.driving_range.consumption_curve import consumption_curve
from logan.pipeline.builds import BuildFolder
from logan.pipeline.fit_build import difference_of_drives
from logan.pipeline.library import open_library
from logan.pipeline.plan import Plan
from logan.pipeline.refine import Refinement
from logan.pipeline.reporting import clock_check
from logan.pipeline.stored import load_corrected, stored_drive, stored_drives
from logan.report.figures.consumption import cause_figure, predicted_measured_figure, speed_figure
from logan.report.figures.difference import difference_figure
from logan.report.figures.drive import clock_figure, route_figure, strip_figure
from logan.report.figures.driving_range import attribution_figure, range_figure, tornado_figure
from logan.report.route import route_profile
from logan.report.sections.answer import weakest_part
from logan.results import Estimate, json_ready


def figure_content(figure: Any) -> Any:
    """A figure as JSON-ready data, numbers and all."""
    return json.loads(figure.to_json())


def quality_json(folder: BuildFolder, drive: int) -> dict[str, Any]:
    """Figures that stand beside a timeline: how well each channel was sampled, the road, and the clocks."""
    build = folder.settings()
    with open_library(folder.path, create=True) as library:
        stored = stored_drive(library, library.record(drive), build)
        loaded = load_corrected(library, drive, build)
    figures = {"Data quality along the drive": strip_figure(loaded, stored.analysis.flags)}
    route = route_profile(loaded)
    if route is not None:
        figures["The road: height and consumption"] = route_figure(route, build.display)
    clock = clock_check(loaded)
    if clock is not None:
        figures["Do the clocks agree?"] = clock_figure(clock[2], clock[:2])
    return {"figures": _listed(figures)}


def difference_json(folder: BuildFolder, first: int, second: int) -> dict[str, Any]:
    """Why two drives differ: what differed, what each cause explains, and a figure of it where both are known.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    first, second : int
        Numbers of the drives.

    Raises
    ------
    LoganError
        If there is no such drive, or one of them has no speed.
    """
    build = folder.settings()
    found = difference_of_drives(folder, str(first), str(second))
    parts = [(part.name, part.effect_wh_per_km) for part in found.parts]
    figures = {}
    left, right, rest = found.first_wh_per_km, found.second_wh_per_km, found.unexplained_wh_per_km
    if isinstance(left, Estimate) and isinstance(right, Estimate) and isinstance(rest, Estimate):
        figures["From one drive to the other"] = difference_figure(
            (found.first, left), (found.second, right), [*parts, ("unexplained", rest)], build.display
        )
    return {"difference": json_ready(found), "figures": _listed(figures)}


def weakest_json(folder: BuildFolder) -> dict[str, Any]:
    """The weakest part over all drives, in words."""
    build = folder.settings()
    with open_library(folder.path, create=True) as library:
        drives = [(stored.label, stored.analysis.limits) for stored in stored_drives(library, build)]
    words = weakest_part(drives, build.display)
    return {
        "title": words.title or "Limits",
        "lines": list(words.lines),
        "tone": words.tone,
        "drive_count": len(drives),
    }


def _listed(figures: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"title": title, "figure": figure_content(figure), "alt": figure.layout.meta["alt"]}
        for title, figure in figures.items()
    ]


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
        "confidence_ratio": build.target.confidence_ratio,
        "notes": list(basis.range.notes) if isinstance(basis, Refinement) else [],
        "budget": json_ready(basis.range.budget) if isinstance(basis, Refinement) else None,
        "next_tests": json_ready(basis.next_tests) if isinstance(basis, Refinement) else None,
        "figures": _listed(figures),
    }
